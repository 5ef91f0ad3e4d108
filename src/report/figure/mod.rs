//! Figures of the report, in reading order: axes, the chart they make, each chart, and pictures as data URIs.
//!
//! Charts are SVG written by hand: text stays text, colours come from classes that the page's style sheet sets for light
//! and dark, and the same report gives the same bytes.
pub(crate) mod axis;
pub(crate) mod chart;
mod edge;
mod marks;
mod oecf;
mod of_bracket;
mod outline;
mod picture;
mod range;
mod registered;
mod response;
mod scene;
mod snr;
mod source;
mod strip;
mod through_raw;
mod tone_curve;

pub(crate) use edge::edge;
pub(crate) use oecf::oecf;
pub use of_bracket::{FigureInput, of_bracket};
pub(crate) use outline::outline;
pub(crate) use picture::{jpeg_uri, png_uri, reduced};
pub(crate) use range::{range, ranged};
pub use registered::{Outline, Registered};
pub(crate) use response::{
    by_support, levels as response_levels, response, samples as response_samples,
};
pub(crate) use scene::scene;
pub(crate) use snr::snr;
pub use source::{LIMIT as SOURCE_LIMIT, stride as source_stride};
pub(crate) use source::{NONE as NO_SOURCE, colour as source_colour, coloured};
pub use strip::{CELL, Strip, log_display, strip};
pub(crate) use through_raw::through_raw;
pub(crate) use tone_curve::tone_curve;

use super::sheet::CropRow;
use ndarray::{Array2, Array3};

/// Pictures that the page shows and that are not in the [`Report`](stopspan_core::results::Report): one entry a bracket, in its order.
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// In the order of [`Report::brackets`](stopspan_core::results::Report::brackets); missing ones are left out of the page.
    pub brackets: Vec<BracketFigures>,
}

/// Pictures of one bracket.
#[derive(Debug, Clone, Default)]
pub struct BracketFigures {
    /// The wedge as one row of cells for each picture measured, in the order of
    /// [`BracketReport::pictures`](stopspan_core::results::BracketReport::pictures).
    pub strips: Vec<Option<Strip>>,
    /// The tone-mapped picture, 8-bit sRGB, shape (rows, columns, 3), any size: it is reduced for the page.
    pub preview: Option<Array3<u8>>,
    /// Index (into the bracket's frames) of the frame with the largest weight at each pixel of the map; 255 where no
    /// frame is usable. Any size: it is reduced for the page.
    pub source: Option<Array2<u8>>,
    /// How the frames lay and what moved; `None` where every frame lay still and nothing moved.
    pub registered: Option<Registered>,
    /// Crops for the sheets.
    pub crops: Vec<CropRow>,
    /// The camera's HDR picture in grey with ghosts in [`GHOST`] and other disagreement in [`DISAGREES`], shape (rows,
    /// columns, 3), any size: it is reduced for the page.
    pub ghosts: Option<Array3<u8>>,
}

/// Colour of a ghost.
pub const GHOST: [u8; 3] = [0xc4, 0x1e, 0x6e];
/// Colour of a place that disagrees with the merge but looks like no other frame.
pub const DISAGREES: [u8; 3] = [0xe0, 0xa0, 0x20];
