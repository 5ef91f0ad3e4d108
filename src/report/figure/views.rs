//! Which pictures the page compares with the merge, pixel by pixel, and where each lies on it.
use super::FigureInput;
use crate::cameras::single_frame;
use serde::{Deserialize, Serialize};
use stopspan_core::model::{Bracket, DisplayConversion};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::results::PictureKind;

/// Folder of the compared pictures, within that of the bracket.
pub const VIEWS_FOLDER: &str = "views";

/// A picture that is copied beside the page, to be compared with the merge. The copy has the pixels of the original, upright, in
/// 8-bit sRGB; it is not resampled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct View {
    /// File name of the original.
    pub name: String,
    /// What it is compared as.
    pub role: ViewRole,
    /// From pixels of the reference frame to pixels of this picture.
    pub placement: Transform,
}

/// What a picture is compared with the merge as.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum ViewRole {
    /// The reference frame.
    Reference,
    /// The frame to use where nothing is merged.
    BestSingle,
    /// Both of these.
    ReferenceAndBestSingle,
    /// The camera's HDR picture.
    CameraHdr,
}

impl ViewRole {
    /// What it is, in words.
    pub fn words(self) -> &'static str {
        match self {
            ViewRole::Reference => "reference frame",
            ViewRole::BestSingle => "best single frame",
            ViewRole::ReferenceAndBestSingle => "reference and best single frame",
            ViewRole::CameraHdr => "camera\u{2019}s HDR",
        }
    }

    /// File name of the copy in [`VIEWS_FOLDER`].
    pub fn copy(self) -> &'static str {
        match self {
            ViewRole::Reference | ViewRole::ReferenceAndBestSingle => "reference.jpg",
            ViewRole::BestSingle => "single.jpg",
            ViewRole::CameraHdr => "camera-hdr.jpg",
        }
    }

    /// The kind of picture that plays the role.
    pub fn kind(self) -> PictureKind {
        match self {
            ViewRole::CameraHdr => PictureKind::CameraHdr,
            _ => PictureKind::Frame,
        }
    }
}

/// The reference frame, the single frame to use where nothing is merged, and the camera's HDR picture; each once, those that there are.
pub(super) fn views(input: FigureInput) -> Vec<View> {
    let FigureInput {
        merged, measured, ..
    } = input;
    let bracket = &merged.frames.bracket;
    let reference = bracket.reference_frame();
    let best = single_frame(&measured.pictures.frames, measured.scene.as_ref());
    let best = best.and_then(|b| bracket.frames.iter().find(|f| f.name() == b.file));
    let same = best.is_some_and(|b| std::ptr::eq(b, reference));
    let frames = [
        (
            Some(reference),
            match same {
                true => ViewRole::ReferenceAndBestSingle,
                false => ViewRole::Reference,
            },
        ),
        (best.filter(|_| !same), ViewRole::BestSingle),
    ];
    let frames = frames.into_iter().filter_map(|(frame, role)| {
        let frame = frame?;
        Some(View {
            name: frame.name(),
            role,
            placement: frame.transform.unwrap_or(Transform::IDENTITY),
        })
    });
    let camera = bracket.camera_hdr.as_ref().zip(measured.camera_at);
    let camera = camera.map(|(picture, at)| View {
        name: picture.name(),
        role: ViewRole::CameraHdr,
        placement: at,
    });
    frames.chain(camera).collect()
}

/// The pixels of a frame or of the camera's HDR picture, and how they become sRGB; `None` for any other picture, and for a frame that
/// is not there.
pub fn original<'a>(
    bracket: &'a Bracket,
    kind: PictureKind,
    file: &str,
) -> Option<(&'a Pixels, DisplayConversion)> {
    match kind {
        PictureKind::Frame => {
            let frame = bracket.frames.iter().find(|f| f.name() == file)?;
            let shown = DisplayConversion::of_frame(frame, &bracket.primaries());
            Some((&frame.picture.pixels, shown))
        }
        PictureKind::CameraHdr => {
            let finished = bracket.camera_hdr.as_ref()?;
            let shown = DisplayConversion::of(&finished.primaries());
            Some((&finished.picture.pixels, shown))
        }
        PictureKind::Merge | PictureKind::Rendered => None,
    }
}
