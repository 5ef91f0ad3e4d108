//! Linear light of a picture that belongs to no bracket, as far as it is known without the wedge; and the response of a bracket, kept
//! for other runs.
use super::settings::Settings;
use std::path::Path;
use stopspan_core::model::{Bracket, Clip, ResponseCurve};
use stopspan_core::results::{BracketReport, LinearLight, OutputFile, PictureKind};
use stopspan_core::{Error, Setting};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_frames as frames;
use stopspan_measure::lone::{KeptResponse, KnownLight, TakenAs, light_by_bracket};
use stopspan_response::{self as response, ResponseRequest};

/// Checks that a saved response can be read, before any picture is decoded.
///
/// # Errors
/// [`Error::Request`] that names the file.
pub(super) fn check(settings: &Settings) -> Result<(), Error> {
    match &settings.saved_response {
        Some(file) => KeptResponse::read(file).map(drop),
        None => Ok(()),
    }
}

/// The light of levels that are linear: raw samples, which are demosaiced, float samples, or as the user states; `None` for
/// encoded levels.
pub(super) fn linear_light(alone: &mut Bracket, settings: &Settings) -> Option<KnownLight> {
    if let Some(mosaic) = frames::mosaic_of(alone) {
        frames::split(alone);
        let clips = frames::clip_levels(alone);
        let scales = frames::linear_scales(alone)?;
        alone.findings.extend(scales.findings.iter().cloned());
        frames::develop(alone, mosaic, &scales.scales, &clips);
    }
    let clips = frames::clip_levels(alone);
    if let Some(scales) = frames::linear_scales(alone) {
        let known = response::known(alone, &clips, &scales);
        return Some(straight(known.curves));
    }
    let float = alone.frames[0].picture.pixels.bits() == 32;
    (float || settings.response == ResponseRequest::Linear).then(|| {
        let entries = if alone.frames[0].picture.pixels.bits() == 8 {
            256
        } else {
            4096
        };
        let curve = |clip: &Clip| ResponseCurve::linear(entries, clip.clip_level);
        straight(clips.iter().map(curve).collect())
    })
}

fn straight(curves: Vec<ResponseCurve>) -> KnownLight {
    KnownLight {
        curves,
        span_relative: 0.0,
        light: LinearLight::Linear,
    }
}

/// The light of a single shot by a bracket of this run, or by a saved response. What a camera makes of several frames follows no
/// response of one.
pub(super) fn known_light(
    kind: PictureKind,
    alone: &Bracket,
    (camera, settings): (Option<&str>, &Settings),
    brackets: &[BracketReport],
) -> Result<Option<KnownLight>, Error> {
    if kind != PictureKind::Frame {
        return Ok(None);
    }
    let frame = &alone.frames[0];
    let taken = TakenAs {
        camera,
        settings: &frame.settings,
        bits: frame.picture.pixels.bits(),
    };
    if let Some(known) = light_by_bracket(taken, brackets) {
        return Ok(Some(known));
    }
    match &settings.saved_response {
        Some(file) => Ok(KeptResponse::read(file)?.light_for(taken, file)),
        None => Ok(None),
    }
}

/// Writes the response of a bracket for other runs, where it can stand for its camera.
pub(super) fn keep_response(
    entry: &mut BracketReport,
    out: &Path,
    policy: &Outputs,
) -> Result<(), Error> {
    const NAME: &str = "response.json";
    let Some(kept) = KeptResponse::of(entry) else {
        return Ok(());
    };
    let path = out.join(&entry.name).join(NAME);
    write_whole(&path, policy, |sink| {
        sink.write_all(kept.text().map_err(std::io::Error::other)?.as_bytes())
    })?;
    entry.outputs.push(OutputFile {
        what: format!("response of the camera, for {}", Setting::Response),
        path: format!("{}/{NAME}", entry.name),
        bytes: std::fs::metadata(path).map(|m| m.len()).ok(),
    });
    Ok(())
}
