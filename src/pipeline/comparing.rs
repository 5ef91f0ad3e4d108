//! The camera's own HDR picture laid over the merge, and compared with it.
use super::{Measured, Prepared};
use stopspan_align as align;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::{Bracket, Finished, Frame};
use stopspan_core::raster::{Region, Transform};
use stopspan_measure::compare;
use stopspan_measure::compare::{ComparisonInput, ComparisonWithMarks};

/// The comparison; `None` without a picture of the camera's own, or where it could not be laid over the merge.
pub(super) fn compare(
    prepared: &Prepared,
    map: &RadianceMap,
    measured: &Measured,
    edge: Option<Region>,
) -> Option<ComparisonWithMarks> {
    let finished = prepared.bracket.camera_hdr.as_ref()?;
    Some(compare::compare(&ComparisonInput {
        finished: (&finished.name(), &finished.picture.pixels),
        colour: finished.primaries(),
        placement: measured.camera_at?,
        map,
        bracket: &prepared.bracket,
        response: &prepared.response,
        measured: &measured.pictures,
        edge,
    }))
}

/// Where a reference pixel lies in the camera's own picture: registered like a frame where it has a frame's size, else, or
/// where that fails, at any scale.
pub(super) fn place(bracket: &Bracket, finished: &Finished) -> Option<Transform> {
    let reference = &bracket.frames[bracket.reference];
    like_a_frame(reference, finished).or_else(|| {
        let placement = align::place_at_any_scale(reference, &finished.picture.pixels)?;
        Some(placement.transform)
    })
}

fn like_a_frame(reference: &Frame, finished: &Finished) -> Option<Transform> {
    if reference.picture.pixels.dim() != finished.picture.pixels.dim() {
        return None;
    }
    let frame = Frame {
        picture: finished.picture.clone(),
        transform: None,
        ..reference.clone()
    };
    let pair = Bracket {
        name: String::new(),
        frames: vec![reference.clone(), frame],
        reference: 0,
        camera_hdr: None,
        findings: Vec::new(),
    };
    let placement = align::register(&pair).placements.pop()?;
    placement.found.then_some(placement.transform)
}
