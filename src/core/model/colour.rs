//! What red, green and blue of a picture are: its colour profile, else its tags, else sRGB.
use super::{Header, profile_primaries};
use crate::units::Primaries;

/// The colour space of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct StatedColour {
    /// Primaries and white.
    pub primaries: Primaries,
    /// Why the profile of the file was not used, in words, where it was not.
    pub ignored: Option<String>,
}

/// The colour space a header states. The file's own chromaticities come first, then its profile; without one,
/// interoperability index R03 with ColorSpace "uncalibrated" is Adobe RGB (DCF 2.0, optional colour space), and all else
/// is taken as sRGB.
pub fn stated(header: &Header) -> StatedColour {
    let of = |primaries| StatedColour {
        primaries,
        ignored: None,
    };
    if let Some(primaries) = header.primaries {
        return of(primaries);
    }
    let by_tags = match (header.color_space, header.interoperability.as_deref()) {
        (Some(0xffff), Some("R03")) => Primaries::ADOBE_RGB,
        _ => Primaries::SRGB,
    };
    match header.icc_profile.as_deref().map(profile_primaries) {
        Some(Ok(Some(primaries))) => of(primaries),
        Some(Ok(None)) | None => of(by_tags),
        Some(Err(reason)) => StatedColour {
            primaries: by_tags,
            ignored: Some(reason),
        },
    }
}

/// A colour space by name, or by its chromaticities.
pub fn words(primaries: &Primaries) -> String {
    match primaries.name() {
        Some(name) => name.to_owned(),
        None => {
            let xy = primaries.xy().map(|v| format!("{v:.4}"));
            format!("primaries x, y {}", xy.join(", "))
        }
    }
}
