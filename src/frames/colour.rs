//! What red, green and blue of a frame are: its colour profile, else its tags, else sRGB.
use super::bracket::Frame;
use crate::error::{BracketProblem, Error};
use crate::finding::Finding;
use crate::formats::{Header, profile_primaries};
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

/// Holds the colour spaces of frames against each other: channels of different primaries cannot be merged. A profile
/// that could not be used becomes a finding.
///
/// # Errors
/// [`BracketProblem::ColourSpaces`] where two frames differ.
pub(super) fn check(frames: &[Frame], findings: &mut Vec<Finding>) -> Result<(), Error> {
    let colours: Vec<StatedColour> = frames.iter().map(|f| stated(&f.picture.header)).collect();
    let grey = frames.iter().all(|f| f.picture.pixels.channels() == 1);
    let Some(first) = colours.first().filter(|_| !grey) else {
        return Ok(());
    };
    for (frame, colour) in frames.iter().zip(&colours) {
        if let Some(reason) = &colour.ignored {
            findings.push(Finding::ProfileIgnored {
                frame: frame.name(),
                reason: format!(
                    "{reason}; the frame was taken as {}",
                    words(&colour.primaries)
                ),
            });
        }
    }
    match colours.iter().find(|c| !c.primaries.near(&first.primaries)) {
        None => Ok(()),
        Some(other) => Err(Error::Bracket {
            files: frames.iter().map(|f| f.picture.file.clone()).collect(),
            problem: BracketProblem::ColourSpaces {
                first: words(&first.primaries),
                other: words(&other.primaries),
            },
        }),
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
