//! Files that are damaged, false or hostile.
mod formats;
