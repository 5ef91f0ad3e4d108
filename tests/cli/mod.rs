//! The program from outside: help, exit codes, messages, and the files it leaves.
//!
//! `scene` makes small brackets, `program` runs the program on them; `help`, `job`, `batch`, `resumed`, `faults`, `bad_input`, `limits` and
//! `misuse` are the checks, `desk` those of the page in a browser.
mod bad_input;
mod batch;
mod desk;
mod faults;
mod help;
mod job;
mod limits;
mod misuse;
mod pictures;
pub mod program;
mod render;
mod resumed;
pub mod scene;
mod tables;
mod wedge;
