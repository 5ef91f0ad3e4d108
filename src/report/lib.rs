//! Plain serialisable report -> JSON, CSV, terminal text, HTML with figures. Nothing is measured here.
//!
//! In reading order: [`Report`] and the entries below it (plain data), numbers as text, sentences, then the thin files
//! at the edge: JSON, CSV, terminal table, figures, page, sheets.
//!
//! # report.json, field by field
//!
#![doc = include_str!("schema.md")]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod assemble;
pub mod cameras;
pub mod raw_beside;

pub mod moment;
pub mod words;

pub mod csv;
pub mod json;
pub mod terminal;

pub mod figure;
pub mod html;
pub mod sheet;

pub use assemble::{bracket_entry, hexadecimal};
pub use figure::{BracketFigures, Figures, Strip};
