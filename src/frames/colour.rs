//! Checks that the frames of a bracket have the same colour space.
use stopspan_core::Error;
use stopspan_core::error::BracketProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::Frame;
use stopspan_core::model::colour::{StatedColour, colour_name, stated_colour};

/// Compares the colour spaces of frames, because channels of different primaries cannot be merged. An ICC profile
/// that could not be used becomes a finding.
///
/// # Errors
/// [`BracketProblem::ColourSpaces`] if two frames differ.
/// [`BracketProblem::ColourSpaces`] where two frames differ.
pub(super) fn check(frames: &[Frame], findings: &mut Vec<Finding>) -> Result<(), Error> {
    let colours: Vec<StatedColour> = frames
        .iter()
        .map(|f| stated_colour(&f.picture.header))
        .collect();
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
                    colour_name(&colour.primaries)
                ),
            });
        }
    }
    match colours.iter().find(|c| !c.primaries.near(&first.primaries)) {
        None => Ok(()),
        Some(other) => Err(Error::Bracket {
            files: frames.iter().map(|f| f.picture.file.clone()).collect(),
            problem: BracketProblem::ColourSpaces {
                first: colour_name(&first.primaries),
                other: colour_name(&other.primaries),
            },
        }),
    }
}
