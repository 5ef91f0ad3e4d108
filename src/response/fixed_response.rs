//! Responses that are not fitted: linear (with exposures measured from the pixels) and sRGB.
use super::assemble::table_entries;
use super::balance::{self, Balance};
use super::black_offset;
use super::blocks::BlockSamples;
use super::ratios;
use super::recover::settle;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip, LinearScales};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::units::{Estimate, srgb_exposure};

/// The sRGB curve (IEC 61966-2-1) for every channel, with exposure 1 at the clip level.
pub(super) fn srgb(bracket: &Bracket, clips: &[Clip]) -> Response {
    let curve = |clip: &Clip| {
        let at_clip = srgb_exposure(clip.clip_level);
        let entries = table_entries(&bracket.frames[0].picture.pixels);
        let level = |i: usize| i as f64 / (entries - 1) as f64;
        ResponseCurve {
            exposure: (0..entries)
                .map(|i| srgb_exposure(level(i)) / at_clip)
                .collect(),
            uncertainty_stops: vec![0.0; entries],
            clip_level: clip.clip_level,
            floor_level: clip.floor_level,
            supported: (0.0, 1.0),
        }
    };
    Response {
        method: ResponseMethod::Srgb,
        curves: clips.iter().map(curve).collect(),
        residual_stops: 0.0,
        samples: 0,
    }
}

/// The curve `exposure = per_level (level - black)`, levels in fractions of full scale, as a table of `entries`.
fn straight(clip: &Clip, black: f64, per_level: f64, entries: usize) -> ResponseCurve {
    let mut curve = ResponseCurve {
        floor_level: clip.floor_level,
        ..ResponseCurve::linear(entries, clip.clip_level)
    };
    let last = (entries - 1) as f64;
    for (i, exposure) in curve.exposure.iter_mut().enumerate() {
        *exposure = (i as f64 / last - black) * per_level;
    }
    curve
}

/// The linear curves of raw frames with these scales.
fn of_raw(bracket: &Bracket, clips: &[Clip], scales: &LinearScales) -> Vec<ResponseCurve> {
    let entries = table_entries(&bracket.reference_frame().picture.pixels);
    let curves = clips.iter().zip(&scales.scales);
    let curves = curves.map(|(clip, s)| straight(clip, s.black, s.per_level, entries));
    curves.collect()
}

/// The linear response of raw frames, without a check of their exposures.
pub fn known(bracket: &Bracket, clips: &[Clip], scales: &LinearScales) -> Response {
    Response {
        method: ResponseMethod::Linear,
        curves: of_raw(bracket, clips, scales),
        residual_stops: 0.0,
        samples: 0,
    }
}

/// Linear curves above the black offset measured from the pixels, with exposure 1 at the clip level.
fn measured(
    bracket: &Bracket,
    samples: &[BlockSamples],
    clips: &[Clip],
    findings: &mut Vec<Finding>,
) -> Vec<ResponseCurve> {
    let entries = table_entries(&bracket.reference_frame().picture.pixels);
    let channels = clips.iter().zip(samples).enumerate();
    let curves = channels.map(|(channel, (clip, samples))| {
        let offset = black_offset::measure(samples);
        if let Some(offset) = offset {
            findings.push(Finding::BlackOffset {
                channel,
                offset_codes: offset.value,
                standard_uncertainty_codes: offset.standard_uncertainty,
            });
        }
        let black = offset.map_or(0.0, |e| e.value) / 255.0;
        straight(clip, black, 1.0 / (clip.clip_level - black), entries)
    });
    curves.collect()
}

/// The linear response, exposures settled between stated and measured ones, and the colour balance. `scales` are those of raw
/// frames; without them the black offset is measured.
pub(super) fn linear(
    bracket: &Bracket,
    samples: &[BlockSamples],
    clips: &[Clip],
    scales: Option<&LinearScales>,
    findings: &mut Vec<Finding>,
) -> (Response, Vec<Estimate>, Option<Balance>) {
    let stated: Vec<Estimate> = bracket.frames.iter().map(|f| f.exposure.stated).collect();
    let curves = match scales {
        Some(scales) => {
            findings.extend(scales.findings.iter().cloned());
            of_raw(bracket, clips, scales)
        }
        None => measured(bracket, samples, clips, findings),
    };
    let origin = bracket.reference;
    let balance = balance::by_ratios(samples, &curves, origin);
    // If the colour balance drifts, green defines the exposure of a frame.
    let judged = match &balance {
        Some(_) => 1..2,
        None => 0..samples.len(),
    };
    let used = (0..stated.len())
        .map(|j| {
            if j == origin {
                return stated[j];
            }
            let (low, high) = (j.min(origin), j.max(origin));
            let Some(step) =
                ratios::measure(&samples[judged.clone()], &curves[judged.clone()], low, high)
            else {
                return stated[j];
            };
            let sign = if j > origin { 1.0 } else { -1.0 };
            let measured = Estimate::new(
                stated[origin].value + sign * step.value,
                step.standard_uncertainty.hypot(0.002),
            );
            settle(bracket, j, measured, findings)
        })
        .collect();
    let blocks = samples.iter().map(BlockSamples::len).sum();
    (
        Response {
            method: ResponseMethod::Linear,
            curves,
            residual_stops: 0.0,
            samples: blocks,
        },
        used,
        balance,
    )
}
