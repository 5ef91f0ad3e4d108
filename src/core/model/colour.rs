//! The colour space a file states: its own chromaticities, else its ICC profile, else its EXIF tags, else sRGB.
use super::{Header, profile_primaries};
use crate::units::Primaries;

/// Colour space of a file.
#[derive(Debug, Clone, PartialEq)]
pub struct StatedColour {
    /// Chromaticities of red, green, blue and white.
    pub primaries: Primaries,
    /// Why the file's ICC profile was not used, in words; `None` if it was used or there is none.
    pub ignored: Option<String>,
}

/// The colour space a header states. The file's own chromaticities come first, then its ICC profile. Without either,
/// interoperability index R03 with ColorSpace "uncalibrated" means Adobe RGB (DCF 2.0, optional colour space);
/// everything else is taken as sRGB.
pub fn stated_colour(header: &Header) -> StatedColour {
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

/// Name of a colour space, or its chromaticities if it has none.
pub fn colour_name(primaries: &Primaries) -> String {
    match primaries.name() {
        Some(name) => name.to_owned(),
        None => {
            let xy = primaries.xy().map(|v| format!("{v:.4}"));
            format!("primaries x, y {}", xy.join(", "))
        }
    }
}
