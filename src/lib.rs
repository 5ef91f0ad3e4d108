//! Exposure brackets of a small camera in; a radiance map, a count of the wedge steps told apart, and usable stops out.
//!
//! The flow, stage by stage, each a function from one named type to the next ([`pipeline`] is the only place that knows
//! the order):
//!
//! ```text
//! files -> frames -> response -> registration -> merge -> radiance map (value, uncertainty, flags)
//!                                                    |-> tone: a picture to look at
//!       frames, map, any finished picture -----------|-> measure: levels, usable range -> report
//! ```
#![deny(unsafe_code)]
#![deny(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::print_stdout,
    clippy::print_stderr,
    clippy::dbg_macro,
    clippy::todo,
    clippy::unimplemented
)]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

pub mod pipeline;

pub use stopspan_core::Error;
