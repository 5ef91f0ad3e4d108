//! Responses that are not fitted: linear, with exposures measured in full, and sRGB.
use super::assemble::table_entries;
use super::black_offset;
use super::blocks::BlockSamples;
use super::curve::{Response, ResponseCurve, ResponseMethod};
use super::ratios;
use super::recover::settle;
use super::smooth_table::NODES;
use crate::finding::Finding;
use crate::frames::{Bracket, Clip};
use crate::units::{Estimate, srgb_exposure};

/// IEC 61966-2-1 for every channel, exposure 1 at the clip level.
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

/// Exposure proportional to what the level is above `offset`, both as fractions of full scale; 1 at the clip level.
fn straight(clip: &Clip, offset: f64) -> ResponseCurve {
    let mut curve = ResponseCurve {
        floor_level: clip.floor_level,
        ..ResponseCurve::linear(NODES, clip.clip_level)
    };
    let last = (NODES - 1) as f64;
    for (i, exposure) in curve.exposure.iter_mut().enumerate() {
        *exposure = (i as f64 / last - offset) / (clip.clip_level - offset);
    }
    curve
}

/// Level above the black offset proportional to exposure; exposures as the pixels say them where the stated ones are false.
pub(super) fn linear(
    bracket: &Bracket,
    samples: &[BlockSamples],
    clips: &[Clip],
    stated: &[Estimate],
    findings: &mut Vec<Finding>,
) -> (Response, Vec<Estimate>) {
    let curves: Vec<ResponseCurve> = clips
        .iter()
        .zip(samples)
        .enumerate()
        .map(|(channel, (clip, samples))| {
            let offset = black_offset::measure(samples);
            if let Some(offset) = offset {
                findings.push(Finding::BlackOffset {
                    channel,
                    offset_codes: offset.value,
                    standard_uncertainty_codes: offset.standard_uncertainty,
                });
            }
            straight(clip, offset.map_or(0.0, |e| e.value) / 255.0)
        })
        .collect();
    let origin = bracket.reference;
    let used = (0..stated.len())
        .map(|j| {
            if j == origin {
                return stated[j];
            }
            let (low, high) = (j.min(origin), j.max(origin));
            let Some(step) = ratios::measure(samples, &curves, low, high) else {
                return stated[j];
            };
            let sign = if j > origin { 1.0 } else { -1.0 };
            let measured = Estimate::new(
                stated[origin].value + sign * step.value,
                step.standard_uncertainty.hypot(0.002),
            );
            settle(&bracket.frames[j].name(), stated[j], measured, findings)
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
    )
}
