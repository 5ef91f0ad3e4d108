//! Tone mapping: radiance map -> picture for a display. For viewing only; no figure of the scene is derived from it.
//!
//! In reading order: the settings ([`ToneSettings`]); statistics of the scene from one pass (`scene`); the operators,
//! one file each ([`default_look`], [`photographic`], [`logarithmic`], [`bilateral`]); the tone curve and the local
//! gain they produce (`curve`, `gain`), by pyramids (`bands`); luminance above reference white ([`headroom`]); an operator prepared for a
//! scene (`look`); the passes that compute pixels (`render`, `paint`, `colour`). [`fusion`] makes a picture directly
//! from frames.
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod bilateral;
pub mod default_look;
pub mod fusion;
pub mod headroom;
pub mod logarithmic;
pub mod photographic;

mod bands;
mod colour;
mod colour_noise;
mod curve;
mod gain;
mod histogram;
mod hold_back;
mod local_laplacian;
mod look;
mod neutral;
mod noise_level;
mod paint;
mod render;
mod scene;
mod settings;
mod table;
mod tone_scale;
mod white;

pub use render::{BrightPicture, Prepared, bright_gain, render, render_bright, to_8_bit};
pub use settings::{Operator, OutputColour, ToneSettings};
