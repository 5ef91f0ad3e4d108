//! The camera's own HDR picture registered to the reference frame.
use super::{place_at_any_scale, register};
use stopspan_core::model::{Bracket, CameraPicture, Frame};
use stopspan_core::raster::Transform;

/// Where a reference pixel lies in the camera's own picture: registered like a frame where it has a frame's size, else, or
/// where that fails, at any scale.
pub fn place_camera_picture(bracket: &Bracket, finished: &CameraPicture) -> Option<Transform> {
    let reference = bracket.reference_frame();
    like_a_frame(reference, finished).or_else(|| {
        let placement = place_at_any_scale(reference, &finished.picture.pixels)?;
        Some(placement.transform)
    })
}

fn like_a_frame(reference: &Frame, finished: &CameraPicture) -> Option<Transform> {
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
    let placement = register(&pair).placements.pop()?;
    placement.found.then_some(placement.transform)
}
