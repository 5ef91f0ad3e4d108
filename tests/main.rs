//! One test binary; one folder per kind of evidence.
mod cli;
mod golden;
mod invariants;
mod malformed;
mod published;
mod reference;
mod synthetic;
