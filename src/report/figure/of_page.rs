//! The pictures of a section of the page, reduced and encoded: with the entry of the report, all that the section is made of.
use super::views::View;
use super::{
    BracketFigures, EmbeddedPicture, Outline, Registered, SOURCE_LIMIT, Strip, coloured, outline,
    reduced,
};
use ndarray::Array3;
use serde::{Deserialize, Serialize};
use stopspan_core::results::BracketReport;

/// Maximum side of the preview, pixels.
const PREVIEW: usize = 960;
/// Maximum side of the picture of ghosts, pixels.
const GHOSTS: usize = 960;
/// Maximum side of the pictures on registration and motion, pixels.
const REGISTERED: usize = 640;

/// Pictures of one section of the page. A picture that is absent is omitted there.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PageFigures {
    /// The wedge in each picture measured, in the order of [`Measurement::iter`](stopspan_core::results::Measurement::iter).
    pub(crate) strips: Vec<Option<EmbeddedStrip>>,
    /// The merged picture with the wedge outlined.
    pub(crate) preview: Option<EmbeddedPicture>,
    /// The frame with the largest weight at each pixel, in colours.
    pub(crate) source: Option<EmbeddedPicture>,
    /// Displacement of the frames and motion in the scene.
    pub(crate) registered: Option<EmbeddedRegistered>,
    /// The camera's HDR picture with ghosts and other disagreement marked.
    pub(crate) ghosts: Option<EmbeddedPicture>,
    /// Pictures to compare with the merge in the viewer.
    pub views: Vec<View>,
}

/// A [`Strip`], encoded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct EmbeddedStrip {
    pub picture: EmbeddedPicture,
    /// As [`Strip::note`].
    pub note: String,
}

/// A [`Registered`], encoded.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(crate) struct EmbeddedRegistered {
    pub reference: Option<EmbeddedPicture>,
    /// Rows and columns of the reference before it was reduced, pixels of [`Outline::corners`].
    pub size: (usize, usize),
    pub outlines: Vec<Outline>,
    pub moved: Option<EmbeddedPicture>,
    /// As [`Registered::left_out`].
    pub left_out: Vec<f64>,
    pub detail: Option<[EmbeddedPicture; 2]>,
}

impl PageFigures {
    /// Reduces and encodes the figures of a bracket, or of a camera's pictures without one, for its section of the page.
    pub fn of(entry: &BracketReport, figures: &BracketFigures) -> Self {
        let source = figures.source.as_ref();
        let frames = entry.frames.len();
        PageFigures {
            strips: strips(&figures.strips),
            preview: figures.preview.as_ref().and_then(|p| preview(entry, p)),
            source: source.and_then(|s| EmbeddedPicture::png(&coloured(s, frames, SOURCE_LIMIT))),
            registered: figures.registered.as_ref().map(registered),
            ghosts: figures.ghosts.as_ref().and_then(|g| small(g, GHOSTS)),
            views: figures.views.clone(),
        }
    }
}

fn strips(strips: &[Option<Strip>]) -> Vec<Option<EmbeddedStrip>> {
    let encoded = |strip: &Strip| {
        Some(EmbeddedStrip {
            picture: EmbeddedPicture::png(&strip.rgb)?,
            note: strip.note.clone(),
        })
    };
    let strips = strips.iter();
    strips.map(|s| s.as_ref().and_then(encoded)).collect()
}

fn small(picture: &Array3<u8>, limit: usize) -> Option<EmbeddedPicture> {
    EmbeddedPicture::jpeg(&reduced(picture, limit))
}

/// The merged picture reduced, with the wedge outlined, or what may be the wedge.
fn preview(entry: &BracketReport, picture: &Array3<u8>) -> Option<EmbeddedPicture> {
    let mut small = reduced(picture, PREVIEW);
    let scale = picture.dim().1 as f64 / small.dim().1.max(1) as f64;
    if let Some(place) = entry.wedge.as_ref().or(entry.candidate.as_ref()) {
        outline(&mut small, &place.corners, scale);
    }
    EmbeddedPicture::jpeg(&small)
}

fn registered(registered: &Registered) -> EmbeddedRegistered {
    let (rows, columns, _) = registered.reference.dim();
    let detail = registered.detail.as_ref();
    EmbeddedRegistered {
        reference: small(&registered.reference, REGISTERED),
        size: (rows, columns),
        outlines: registered.outlines.clone(),
        moved: registered.moved.as_ref().and_then(|m| small(m, REGISTERED)),
        left_out: registered.left_out.clone(),
        detail: detail.and_then(|[before, after]| {
            Some([EmbeddedPicture::png(before)?, EmbeddedPicture::png(after)?])
        }),
    }
}
