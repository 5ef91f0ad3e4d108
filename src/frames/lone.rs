//! Loads a picture that belongs to no bracket, as a bracket of one frame, which is what levels and colours are asked of.
use super::dark;
use super::exposure::parse_exposure;
use super::load::read_whole;
use super::overrides::Overrides;
use super::raw_frames;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Exposure, Frame, UNCHANGED, file_name};
use stopspan_core::units::Estimate;

/// Decodes one picture. Its settings are those of its tags, or what the user states; its exposure is that of a frame alone, 0
/// stops.
///
/// # Errors
/// [`Error::Input`] if it cannot be read; those of raw frames and dark frames.
pub fn load_lone(file: &Path, overrides: &Overrides) -> Result<Bracket, Error> {
    let picture = read_whole(file, &overrides.limits)?;
    let name = file_name(file);
    let parsed = parse_exposure(&name, &picture.header, overrides.exposure_of(file));
    // A picture alone needs no exposure.
    let mut findings = parsed.findings;
    findings.retain(|f| !matches!(f, Finding::TagMissing { .. }));
    if picture.damaged {
        findings.push(Finding::DamagedAccepted {
            frame: name.clone(),
        });
    }
    let alone = Estimate::new(0.0, 0.0);
    let mut frames = vec![Frame {
        picture,
        settings: parsed.settings,
        exposure: Exposure {
            stated: alone,
            used: alone,
            source: parsed.source,
        },
        bias: parsed.bias,
        balance: UNCHANGED,
        transform: None,
        covered: None,
    }];
    raw_frames::unify(&mut frames, 0, overrides.neutral, &mut findings)?;
    dark::subtract(
        &mut frames,
        &overrides.dark_frames,
        &overrides.limits,
        &mut findings,
    )?;
    Ok(Bracket {
        findings,
        ..Bracket::new(name, frames, 0)
    })
}
