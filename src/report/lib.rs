//! Presentation of a [`Report`](stopspan_core::results::Report): JSON, CSV, terminal text, HTML page, sheets. Nothing is measured here.
//!
//! In reading order: the entry of a bracket ([`bracket_entry`]); the two tables made from several brackets (`cameras` with its `ranks`,
//! `raw_table`); pictures without a bracket (`lone`); what is kept of a finished bracket (`record`); dates, numbers and sentences as text
//! (`moment`, `words`); then an output format each: `csv`, `json`, `terminal`, `figure` (the charts and pictures of the page), `html`,
//! `sheet`.
//!
//! # report.json, field by field
//!
#![doc = include_str!("schema.md")]
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]

mod assemble;
pub mod cameras;
pub mod lone;
mod ranks;
pub mod raw_table;
mod record;

pub mod moment;
pub mod words;

pub mod csv;
pub mod json;
pub mod terminal;

pub mod figure;
pub mod html;
pub mod sheet;

pub use assemble::{bracket_entry, camera_name, hexadecimal};
pub use figure::{BracketFigures, Figures, PageFigures, Strip};
pub use record::{BracketRecord, KeptFile};
