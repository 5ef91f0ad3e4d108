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
//!
//! `desk` (with the feature of that name) does all of it on a page in a browser.
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

#[cfg(feature = "desk")]
pub mod desk;
pub mod pipeline;

pub use pipeline::stages::{measure, merge, recover, register};
pub use pipeline::{Event, Outcome};

/// Lists the brackets that files and folders hold. Pixels are decoded only where a pause leaves it open whether frames belong
/// together.
///
/// ```
#[doc = include_str!("pipeline/example/inputs.txt")]
/// let found = survey(&inputs, &Overrides::default())?;
/// assert_eq!(found.brackets[0].frames.len(), 3);
#[doc = include_str!("pipeline/example/end.txt")]
/// ```
#[doc(inline)]
pub use stopspan_frames::survey;

/// Decodes the frames of a bracket that [`survey`] found.
///
/// ```
#[doc = include_str!("pipeline/example/inputs.txt")]
/// let found = survey(&inputs, &Overrides::default())?;
/// let bracket: Bracket = load(&found.brackets[0], &Overrides::default())?;
/// assert_eq!(bracket.reference_frame().picture.pixels.columns(), 160);
#[doc = include_str!("pipeline/example/end.txt")]
/// ```
#[doc(inline)]
pub use stopspan_frames::load;

/// Finds a wedge on a map, or takes it from where the request says it is.
///
/// ```
#[doc = include_str!("pipeline/example/inputs.txt")]
#[doc = include_str!("pipeline/example/bracket.txt")]
#[doc = include_str!("pipeline/example/merged.txt")]
/// let wedge = find_wedge(&merged.map, &WedgeRequest::default())?;
/// assert_eq!(wedge.place.unwrap().columns, 7);
#[doc = include_str!("pipeline/example/end.txt")]
/// ```
#[doc(inline)]
pub use stopspan_measure::locate as find_wedge;

/// Renders a map as 16-bit codes, for looking at.
///
/// ```
#[doc = include_str!("pipeline/example/inputs.txt")]
#[doc = include_str!("pipeline/example/bracket.txt")]
#[doc = include_str!("pipeline/example/merged.txt")]
/// let rendered = render(&merged.map, &ToneSettings::default());
/// assert_eq!(rendered.dim(), (120, 160, 3));
#[doc = include_str!("pipeline/example/end.txt")]
/// ```
#[doc(inline)]
pub use stopspan_tone::render;

/// Does the whole job on every bracket of the inputs, and writes map, picture and report.
///
/// ```
#[doc = include_str!("pipeline/example/inputs.txt")]
/// let mut settings = Settings::new(inputs.to_vec(), folder.path().join("out"));
/// settings.sheets.looks.clear();
/// let outcome = run(&settings, &|_| ())?;
/// let report: &Report = &outcome.report;
/// assert_eq!(report.brackets.len(), 1);
#[doc = include_str!("pipeline/example/end.txt")]
/// ```
#[doc(inline)]
pub use pipeline::run;

#[doc(inline)]
pub use pipeline::Settings;
#[doc(inline)]
pub use stopspan_core::Error;
#[doc(inline)]
pub use stopspan_core::finding::Finding;
#[doc(inline)]
pub use stopspan_core::model::{Bracket, Merged, RadianceMap, Recovered, Registered, Response};
#[doc(inline)]
pub use stopspan_core::results::{BracketMeasurement, Measurement, Report};
#[doc(inline)]
pub use stopspan_frames::Overrides;
#[doc(inline)]
pub use stopspan_measure::WedgeRequest;
#[doc(inline)]
pub use stopspan_response::ResponseRequest;
#[doc(inline)]
pub use stopspan_tone::ToneSettings;
