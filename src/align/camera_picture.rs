//! Registration of the camera's own HDR picture to the reference frame.
use super::locate_at_any_scale;
use super::register::register_picture;
use stopspan_core::model::Bracket;
use stopspan_core::raster::Transform;

/// The transform from pixels of the reference frame to pixels of the camera's own HDR picture. A picture of the frame's size is
/// registered like a frame; otherwise, or if that fails, its scale is searched too. `None` if both fail, or without such a picture.
pub fn locate_camera_picture(bracket: &Bracket) -> Option<Transform> {
    let picture = &bracket.camera_hdr.as_ref()?.picture.pixels;
    let reference = bracket.reference_frame();
    let placement = register_picture(&reference.picture.pixels, picture)
        .or_else(|| locate_at_any_scale(reference, picture))?;
    Some(placement.transform)
}
