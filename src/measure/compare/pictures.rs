//! The pictures under comparison, registered, with the tone curve between them.
use super::cells::Cells;
use super::flat_noise::Single;
use super::overlay::Overlay;
use super::tone_curve::Curve;
use stopspan_core::model::RadianceMap;

/// The registered pictures, their cells, and the tone curve between them.
#[derive(Clone, Copy)]
pub struct Pictures<'a> {
    /// The merge.
    pub map: &'a RadianceMap,
    /// The camera's own HDR picture.
    pub finished: &'a Overlay<'a>,
    /// Tone curve of the camera's picture against the merge.
    pub curve: &'a Curve,
    /// Statistics of merge and camera's picture in cells, with the levels that the curve predicts.
    pub cells: &'a Cells,
    /// The single frames.
    pub singles: &'a [Single<'a>],
}
