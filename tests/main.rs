//! One test binary; one folder per kind of evidence.
mod browser;
mod cli;
mod golden;
mod invariants;
mod malformed;
mod outside_data;
mod published;
mod reference;
mod synthetic;
