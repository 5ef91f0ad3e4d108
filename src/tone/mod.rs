//! Radiance map -> display picture. For looking at; no scene figure comes from it.
//!
//! In reading order: what can be asked for ([`ToneSettings`]), what is learnt of the scene in one pass (`scene`), the
//! operators, one file each ([`default_look`], [`photographic`], [`logarithmic`], [`bilateral`]), the curve and
//! the local gain they end in (`curve`, `gain`), and the pass that makes the pixels (`render`, `colour`).
pub mod bilateral;
pub mod default_look;
pub mod logarithmic;
pub mod photographic;

mod colour;
mod curve;
mod gain;
mod render;
mod scene;
mod settings;

pub use render::{render, to_8_bit};
pub use settings::{Operator, OutputColour, ToneSettings};
