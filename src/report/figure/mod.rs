//! Figures of the page. In reading order: `axis`, `marks` and `chart`, on which the charts build; a file per chart; `of_bracket`, the
//! pictures, from `strip`, `source`, `outline`, `registered` and `views`; `picture`, which encodes them, and `of_page`, the encoded pictures
//! of a section.
//!
//! Charts are SVG written directly: text can be selected, the page's style sheet colours their classes for light and dark, and the
//! same report gives the same bytes.
pub(crate) mod axis;
pub(crate) mod chart;
mod curve_from_raw;
mod edge;
mod marks;
mod oecf;
mod of_bracket;
mod of_page;
mod outline;
mod picture;
mod range;
mod registered;
mod response;
mod scene;
mod snr;
mod source;
mod strip;
mod tone_curve;
mod views;

pub(crate) use curve_from_raw::curve_from_raw;
pub(crate) use edge::edge;
pub(crate) use oecf::oecf;
pub use of_bracket::strip_of_pixels;
pub use of_bracket::{FigureInput, of_bracket};
pub use of_page::PageFigures;
pub(crate) use of_page::{EmbeddedRegistered, EmbeddedStrip};
pub(crate) use outline::outline;
pub use picture::EmbeddedPicture;
pub(crate) use picture::reduced;
pub(crate) use range::{range, ranged};
pub use registered::{Outline, Registered};
pub(crate) use response::{
    Sample, by_support, levels as response_levels, response, samples as response_samples,
};
pub(crate) use scene::scene;
pub(crate) use snr::snr;
pub use source::{LIMIT as SOURCE_LIMIT, stride as source_stride};
pub(crate) use source::{NONE as NO_SOURCE, colour as source_colour, coloured};
pub use strip::{CELL, Strip, log_display, strip};
pub(crate) use tone_curve::tone_curve;
pub use views::{VIEWS_FOLDER, View, ViewRole, original};

use super::sheet::CropRow;
use ndarray::{Array2, Array3};

/// Pictures on the page that are not part of the [`Report`](stopspan_core::results::Report).
#[derive(Debug, Clone, Default)]
pub struct Figures {
    /// One entry per bracket, in the order of [`Report::brackets`](stopspan_core::results::Report::brackets). The page omits
    /// pictures of brackets without an entry.
    pub brackets: Vec<BracketFigures>,
    /// One entry per camera without a bracket, in the order of
    /// [`Report::without_bracket`](stopspan_core::results::Report::without_bracket).
    pub without_bracket: Vec<BracketFigures>,
}

/// Pictures of one bracket.
#[derive(Debug, Clone, Default)]
pub struct BracketFigures {
    /// The wedge in each picture measured, in the order of [`Measurement::iter`](stopspan_core::results::Measurement::iter);
    /// `None` where it could not be cut out.
    pub strips: Vec<Option<Strip>>,
    /// Tone-mapped rendering, 8-bit sRGB, shape (rows, columns, 3), of any size; the page shows it reduced.
    pub preview: Option<Array3<u8>>,
    /// Index of the frame with the largest weight at each pixel of the map; 255 where no frame is usable. Of any size; the page
    /// shows it reduced.
    pub source: Option<Array2<u8>>,
    /// Displacement of the frames and motion in the scene; `None` if no frame was displaced and nothing moved.
    pub registered: Option<Registered>,
    /// Crops for the sheet of crops.
    pub crops: Vec<CropRow>,
    /// The camera's HDR picture in grey, with ghosts in [`GHOST`] and other disagreement with the merge in [`DISAGREES`]; 8-bit, shape
    /// (rows, columns, 3), of any size; the page shows it reduced.
    pub ghosts: Option<Array3<u8>>,
    /// Pictures to compare with the merge in the page's viewer, of which copies lie in [`VIEWS_FOLDER`].
    pub views: Vec<View>,
}

/// Colour of ghosts, sRGB.
pub const GHOST: [u8; 3] = [0xc4, 0x1e, 0x6e];
/// Colour of places that disagree with the merge and match no other frame either, sRGB.
pub const DISAGREES: [u8; 3] = [0xe0, 0xa0, 0x20];
