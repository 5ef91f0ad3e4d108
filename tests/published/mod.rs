//! To be filled.
mod tone;
