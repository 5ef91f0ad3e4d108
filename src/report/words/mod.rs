//! Text for readers. In reading order: names of kinds and reasons (this file); `number`, numbers as text; `file_names`, short file names;
//! `finding` and `gathered`, findings as sentences; `quantity`, quantities of the comparison; `ranges`, captions of ranges;
//! `scene`; `cameras`; `headline`; `lone`, pictures without a bracket.
pub mod cameras;
mod file_names;
mod finding;
mod gathered;
mod headline;
pub mod lone;
mod number;
mod quantity;
mod ranges;
pub mod scene;

pub(crate) use file_names::distinguishing_part;
pub(crate) use finding::why_not_measured;
pub use finding::{finding, severity};
pub use gathered::all_findings;
pub(crate) use headline::capitalised;
pub use headline::headline;
pub(crate) use number::typeset;
pub use number::{
    bytes, count, decimal, percent, seconds, settings_words, significant, stops, stops_interval,
};
pub(crate) use ranges::{any_interval, range_caption};

pub(crate) use quantity::NONE;
pub use quantity::{comparison, difference, interval, quantity_name, quantity_words};

use crate::lone::safe;
use stopspan_core::model::ExposureSource;
use stopspan_core::model::ResponseMethod;
use stopspan_core::results::{BracketReport, JoinReason, Limit, PictureKind};

/// Name of a kind of picture in files and on the command line.
pub fn kind_name(kind: PictureKind) -> &'static str {
    match kind {
        PictureKind::Frame => "frame",
        PictureKind::CameraHdr => "camera-hdr",
        PictureKind::Merge => "merge",
        PictureKind::Rendered => "rendered",
    }
}

/// Kind of picture in text for readers.
pub fn kind_words(kind: PictureKind) -> &'static str {
    match kind {
        PictureKind::Frame => "single frame",
        PictureKind::CameraHdr => "camera's HDR",
        PictureKind::Merge => "merge",
        PictureKind::Rendered => "rendering",
    }
}

/// Name in files of the reason why two steps run together.
pub fn reason_name(reason: JoinReason) -> &'static str {
    match reason {
        JoinReason::Clipped => "clipped",
        JoinReason::Crushed => "crushed",
        JoinReason::Noise => "noise",
        JoinReason::Order => "order",
    }
}

/// What a bracket is called before a reader: camera, and settings of the reference frame; its own name without a camera.
pub(crate) fn subject(bracket: &BracketReport) -> String {
    let Some(camera) = &bracket.camera else {
        return bracket.name.clone();
    };
    let reference = bracket.frames.iter().find(|f| f.reference);
    let settings = reference.map_or_else(String::new, |f| settings_words(&f.settings));
    match settings.is_empty() {
        true if bracket.name.starts_with(&safe(camera)) => camera.clone(),
        true => format!("{camera}, {}", bracket.name),
        false => format!("{camera}, {settings}"),
    }
}

/// Limit of a range in a few words.
pub fn limit_words(limit: Limit) -> String {
    let words = match limit {
        Limit::File { code } => return format!("the file: code {code}"),
        Limit::Noise => "noise",
        Limit::Clipping => "black floor",
        Limit::Wedge => "wedge ends",
        Limit::Glare => "glare",
        Limit::Compression => "compression",
    };
    words.to_owned()
}

/// Source of an exposure in a few words.
pub fn source_name(source: ExposureSource) -> &'static str {
    match source {
        ExposureSource::Metadata => "metadata",
        ExposureSource::User => "user",
        ExposureSource::Measured => "pixels",
        ExposureSource::Wedge => "wedge",
        ExposureSource::Guessed => "pixels, span unknown",
    }
}

/// Method by which a response was obtained.
pub fn method_words(method: ResponseMethod) -> &'static str {
    match method {
        ResponseMethod::SmoothTable => {
            "block means, table smoothed towards a generalised gamma curve"
        }
        ResponseMethod::LeastSquaresTable => {
            "least squares with a curvature penalty (Debevec and Malik, 1997)"
        }
        ResponseMethod::Alternating => {
            "alternating maximum likelihood (Robertson, Borman and Stevenson, 1999)"
        }
        ResponseMethod::Polynomial => "polynomial (Mitsunaga and Nayar, 1999)",
        ResponseMethod::Linear => "not fitted: the frames are linear",
        ResponseMethod::Srgb => "not fitted: taken as sRGB (IEC 61966-2-1)",
    }
}
