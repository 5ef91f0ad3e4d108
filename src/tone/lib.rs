//! Radiance map -> display picture. For looking at; no scene figure comes from it.
//!
//! In reading order: what can be asked for ([`ToneSettings`]), what is learnt of the scene in one pass (`scene`), the
//! operators, one file each ([`default_look`], [`photographic`], [`logarithmic`], [`bilateral`]), the curve and
//! the local gain they end in (`curve`, `gain`), light above reference white ([`headroom`]), an operator made ready for a
//! scene (`look`), and the passes that make the pixels (`render`, `paint`, `colour`). [`fusion`] makes a picture from frames instead.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod bilateral;
pub mod default_look;
pub mod fusion;
pub mod headroom;
pub mod logarithmic;
pub mod photographic;

mod colour;
mod curve;
mod gain;
mod look;
mod paint;
mod render;
mod scene;
mod settings;

pub use render::{BrightPicture, bright_gain, render, render_bright, to_8_bit};
pub use settings::{Operator, OutputColour, ToneSettings};
