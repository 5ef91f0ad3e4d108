//! Registration of the camera's own HDR picture to the reference frame.
use super::{locate_at_any_scale, register};
use stopspan_core::model::{Bracket, CameraPicture, Frame};
use stopspan_core::raster::Transform;

/// The transform from pixels of the reference frame to pixels of the camera's own HDR picture. A picture of the frame's size is
/// registered like a frame; otherwise, or if that fails, its scale is searched too. `None` if both fail, or without such a picture.
pub fn locate_camera_picture(bracket: &Bracket) -> Option<Transform> {
    let picture = bracket.camera_hdr.as_ref()?;
    let reference = bracket.reference_frame();
    locate_as_frame(reference, picture).or_else(|| {
        let placement = locate_at_any_scale(reference, &picture.picture.pixels)?;
        Some(placement.transform)
    })
}

/// Registers a picture of the frame's size like a frame; `None` for other sizes or if registration fails.
fn locate_as_frame(reference: &Frame, picture: &CameraPicture) -> Option<Transform> {
    if reference.picture.pixels.dim() != picture.picture.pixels.dim() {
        return None;
    }
    let frame = Frame {
        picture: picture.picture.clone(),
        transform: None,
        ..reference.clone()
    };
    let pair = Bracket::new("", vec![reference.clone(), frame], 0);
    let placement = register(&pair).placements.pop()?;
    placement.found.then_some(placement.transform)
}
