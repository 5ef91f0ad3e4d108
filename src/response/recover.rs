//! Which response, and which exposures: fits, checks stated exposures against pixels, decides, refuses.
use super::blocks::{self, BlockSamples};
use super::curve::{Response, ResponseCurve, ResponseMethod};
use super::ratios::{self, ExposureCheck};
use super::smooth_table::{self, NODES, TableFit};
use crate::error::{BracketProblem, Error};
use crate::finding::Finding;
use crate::frames::{Bracket, Clip, Exposure, ExposureSource};
use crate::raster::Pixels;
use crate::units::Estimate;
use rayon::prelude::*;

/// What the response is to be.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Choice {
    /// Fitted to the bracket, unless the frames are linear by evidence.
    #[default]
    Fit,
    /// Declared linear by the user: not fitted, and exposure ratios are measured in full.
    Linear,
    /// Taken as sRGB (IEC 61966-2-1): not fitted, for brackets that cannot support a fit.
    Srgb,
}

impl std::fmt::Display for Choice {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Choice::Fit => "fitted",
            Choice::Linear => "linear",
            Choice::Srgb => "srgb",
        })
    }
}

/// A response, the exposures to use, and what was found on the way.
#[derive(Debug, Clone)]
pub struct Recovered {
    /// The response.
    pub response: Response,
    /// One a frame: stated, used, and where that comes from.
    pub exposures: Vec<Exposure>,
    /// Stated against measured.
    pub check: ExposureCheck,
    /// Doubts.
    pub findings: Vec<Finding>,
}

/// Blocks below which a fit is refused (Debevec and Malik (1997) ask N (P - 1) > 255, so 128 for three frames).
const FEWEST_BLOCKS: usize = 128;
/// Departure, in combined standard uncertainties, at which a stated exposure counts as false.
const FALSE_AT: f64 = 3.0;

/// Recovers the response of a registered bracket and settles its exposures.
///
/// # Errors
/// [`BracketProblem::Response`] if the data cannot support a curve (the message says which number was short);
/// [`BracketProblem::NothingUsable`] if no block is usable at all.
pub fn recover(bracket: &Bracket, clips: &[Clip], choice: Choice) -> Result<Recovered, Error> {
    let samples = blocks::collect(bracket);
    let stated: Vec<Estimate> = bracket.frames.iter().map(|f| f.exposure.stated).collect();
    let mut findings = Vec::new();
    let (response, used) = match choice {
        Choice::Linear => linear(bracket, &samples, clips, &stated, &mut findings),
        Choice::Srgb => (srgb(bracket, clips), stated.clone()),
        Choice::Fit => fitted(bracket, &samples, clips, &stated, &mut findings)?,
    };
    let names: Vec<String> = bracket.frames.iter().map(|f| f.name()).collect();
    let check = ratios::check(&samples, &response.curves, &names, (&stated, &used));
    note_closures(&check, &mut findings);
    let exposures = bracket
        .frames
        .iter()
        .zip(&used)
        .map(|(frame, &used)| {
            let moved = (used.value - frame.exposure.stated.value).abs() > 1e-9;
            let source = if moved {
                ExposureSource::Measured
            } else {
                frame.exposure.source
            };
            Exposure {
                stated: frame.exposure.stated,
                used,
                source,
            }
        })
        .collect();
    Ok(Recovered {
        response,
        exposures,
        check,
        findings,
    })
}

fn note_closures(check: &ExposureCheck, findings: &mut Vec<Finding>) {
    for c in &check.closures {
        // 0.01 stop is what block means through a fitted curve leave on sound brackets.
        let limit = FALSE_AT * c.closure.standard_uncertainty.hypot(0.01);
        if c.closure.value.abs() > limit {
            findings.push(Finding::ClosureFails {
                first: c.files[0].clone(),
                second: c.files[1].clone(),
                third: c.files[2].clone(),
                closure_stops: c.closure.value,
                standard_uncertainty_stops: c.closure.standard_uncertainty,
            });
        }
    }
}

fn srgb(bracket: &Bracket, clips: &[Clip]) -> Response {
    let curve = |clip: &Clip| {
        let at_clip = super::srgb_exposure(clip.clip_level);
        let entries = table_entries(&bracket.frames[0].picture.pixels);
        let level = |i: usize| i as f64 / (entries - 1) as f64;
        ResponseCurve {
            exposure: (0..entries)
                .map(|i| super::srgb_exposure(level(i)) / at_clip)
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

fn linear(
    bracket: &Bracket,
    samples: &[BlockSamples],
    clips: &[Clip],
    stated: &[Estimate],
    findings: &mut Vec<Finding>,
) -> (Response, Vec<Estimate>) {
    let curves: Vec<ResponseCurve> = clips
        .iter()
        .map(|c| ResponseCurve {
            floor_level: c.floor_level,
            ..ResponseCurve::linear(NODES, c.clip_level)
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

/// The stated exposure, or what the pixels say where the two cannot both be true; their weighted mean otherwise.
fn settle(
    frame: &str,
    stated: Estimate,
    measured: Estimate,
    findings: &mut Vec<Finding>,
) -> Estimate {
    let both = stated
        .standard_uncertainty
        .hypot(measured.standard_uncertainty);
    if (measured.value - stated.value).abs() > FALSE_AT * both {
        findings.push(Finding::StatedExposureFalse {
            frame: frame.to_string(),
            stated_stops: stated.value,
            measured_stops: measured.value,
            standard_uncertainty_stops: measured.standard_uncertainty,
            used_measured: true,
        });
        return measured;
    }
    let (a, b) = (
        stated.standard_uncertainty.max(1e-4).powi(-2),
        measured.standard_uncertainty.max(1e-4).powi(-2),
    );
    Estimate::new(
        (a * stated.value + b * measured.value) / (a + b),
        1.0 / (a + b).sqrt(),
    )
}

fn fitted(
    bracket: &Bracket,
    samples: &[BlockSamples],
    clips: &[Clip],
    stated: &[Estimate],
    findings: &mut Vec<Finding>,
) -> Result<(Response, Vec<Estimate>), Error> {
    let values: Vec<f64> = stated.iter().map(|e| e.value).collect();
    let last = values.len() - 1;
    let first_pass: Vec<bool> = (0..=last)
        .map(|j| values[j] <= values[0] || values[j] >= values[last])
        .collect();
    let free = fit_channels(samples, &values, &first_pass);
    let used: Vec<Estimate> = if first_pass.iter().all(|&h| h) {
        stated.to_vec()
    } else {
        let free = free.ok_or_else(|| refuse(bracket, samples))?;
        (0..=last)
            .map(|j| match combine(&free, j, &values, first_pass[j]) {
                Some(measured) => settle(&bracket.frames[j].name(), stated[j], measured, findings),
                None => stated[j],
            })
            .collect()
    };
    let settled: Vec<f64> = used.iter().map(|e| e.value).collect();
    let fits = fit_channels(samples, &settled, &vec![true; settled.len()])
        .ok_or_else(|| refuse(bracket, samples))?;
    let fewest = fits.iter().map(|f| f.samples).min().unwrap_or(0);
    if fewest < FEWEST_BLOCKS {
        return Err(refuse(bracket, samples));
    }
    note_thin(&fits, samples, findings);
    let span = Estimate::new(
        values[last] - values[0],
        stated[0]
            .standard_uncertainty
            .hypot(stated[last].standard_uncertainty),
    );
    findings.push(Finding::SpanFromMetadata {
        span_stops: span.value,
        standard_uncertainty_stops: span.standard_uncertainty,
    });
    Ok((assemble(bracket, fits, clips), used))
}

fn fit_channels(
    samples: &[BlockSamples],
    exposures: &[f64],
    held: &[bool],
) -> Option<Vec<TableFit>> {
    samples
        .par_iter()
        .map(|s| smooth_table::fit(s, exposures, held))
        .collect()
}

/// The exposure of frame `j` over all channels: statistical uncertainty, scatter between channels, and 0.4 % of a stop
/// per stop from the nearest held frame for what the smoothness of the curve decides.
fn combine(fits: &[TableFit], j: usize, stated: &[f64], held: bool) -> Option<Estimate> {
    if held {
        return None;
    }
    let count = fits.len() as f64;
    let mean = fits.iter().map(|f| f.exposures[j]).sum::<f64>() / count;
    let scatter = fits
        .iter()
        .map(|f| (f.exposures[j] - mean).powi(2))
        .sum::<f64>()
        / count;
    let noise = fits
        .iter()
        .map(|f| f.exposure_uncertainty[j].powi(2))
        .sum::<f64>()
        / count;
    let away = (stated[j] - stated[0]).min(stated[stated.len() - 1] - stated[j]);
    let smooth = 0.004 * away.max(0.5);
    mean.is_finite()
        .then(|| Estimate::new(mean, (scatter + noise + smooth * smooth).sqrt()))
}

fn refuse(bracket: &Bracket, samples: &[BlockSamples]) -> Error {
    let usable = samples
        .iter()
        .map(|s| {
            (0..s.len())
                .filter(|b| {
                    let range = b * s.frames..(b + 1) * s.frames;
                    s.mean[range.clone()]
                        .iter()
                        .zip(&s.peak[range])
                        .filter(|(m, p)| **m > 3.0 && **p <= 254.0)
                        .count()
                        >= 2
                })
                .count()
        })
        .min()
        .unwrap_or(0);
    let files = bracket
        .frames
        .iter()
        .map(|f| f.picture.file.clone())
        .collect();
    let problem = if usable == 0 {
        BracketProblem::NothingUsable
    } else {
        BracketProblem::Response {
            short: format!(
                "{usable} blocks of pixels are neither black, clipped nor too textured in two frames at once, {FEWEST_BLOCKS} are needed"
            ),
        }
    };
    Error::Bracket { files, problem }
}

/// Warns where the fit leans on little: code coverage below 80 % of 10..=245 or little overlap.
fn note_thin(fits: &[TableFit], samples: &[BlockSamples], findings: &mut Vec<Finding>) {
    let covered = |f: &TableFit| (10..=245).filter(|&c| f.coverage[c] > 0.5).count() as f64 / 236.0;
    let least = fits.iter().map(covered).fold(1.0, f64::min);
    if least < 0.8 {
        findings.push(Finding::ResponseThin {
            what: "share of codes 10..245 seen".into(),
            number: least,
            wanted: 0.8,
        });
    }
    let overlap = fits
        .iter()
        .zip(samples)
        .map(|(f, s)| f.samples as f64 / s.len().max(1) as f64)
        .fold(1.0, f64::min);
    if overlap < 0.05 {
        findings.push(Finding::ResponseThin {
            what: "share of the picture that two frames saw well".into(),
            number: overlap,
            wanted: 0.05,
        });
    }
}

/// Tables on a common scale: green's clip level is exposure 1, the other channels are matched to green over the codes
/// all support, so that neutral codes give neutral exposures.
fn assemble(bracket: &Bracket, fits: Vec<TableFit>, clips: &[Clip]) -> Response {
    let main = fits.len() / 2;
    let entries = table_entries(&bracket.frames[0].picture.pixels);
    let clip_code = clips[main].clip_level * 255.0;
    let origin = interpolate(&fits[main].log2_exposure, clip_code);
    let offset = |fit: &TableFit| {
        let (mut sum, mut total) = (0.0, 0.0);
        for code in 0..NODES {
            let weight = fit.coverage[code].min(fits[main].coverage[code]).min(100.0);
            let variance =
                fit.uncertainty[code].powi(2) + fits[main].uncertainty[code].powi(2) + 1e-4;
            sum += weight / variance * (fit.log2_exposure[code] - fits[main].log2_exposure[code]);
            total += weight / variance;
        }
        if total > 0.0 { sum / total } else { 0.0 }
    };
    let offsets: Vec<f64> = fits.iter().map(offset).collect();
    let curves = fits
        .iter()
        .zip(clips)
        .zip(&offsets)
        .map(|((fit, clip), offset)| curve(fit, clip, entries, origin + offset))
        .collect();
    let residual_stops =
        (fits.iter().map(|f| f.residual_stops.powi(2)).sum::<f64>() / fits.len() as f64).sqrt();
    Response {
        method: ResponseMethod::SmoothTable,
        curves,
        residual_stops,
        samples: fits.iter().map(|f| f.samples).sum(),
    }
}

fn curve(fit: &TableFit, clip: &Clip, entries: usize, origin: f64) -> ResponseCurve {
    let last = (entries - 1) as f64;
    let mut exposure: Vec<f64> = (0..entries)
        .map(|i| {
            let code = i as f64 / last * 255.0;
            if code < 0.25 {
                // Straight to zero light at code 0 from the quarter code that the table's dark end stands for.
                return (interpolate(&fit.log2_exposure, 0.25) - origin).exp2() * code / 0.25;
            }
            (interpolate(&fit.log2_exposure, code) - origin).exp2()
        })
        .collect();
    for i in 1..exposure.len() {
        exposure[i] = exposure[i].max(exposure[i - 1] * (1.0 + 1e-9) + 1e-12);
    }
    let spread = (0..entries)
        .map(|i| interpolate(&fit.uncertainty, i as f64 / last * 255.0))
        .collect();
    ResponseCurve {
        exposure,
        uncertainty_stops: spread,
        clip_level: clip.clip_level,
        floor_level: clip.floor_level,
        supported: (fit.supported.0 / 255.0, fit.supported.1 / 255.0),
    }
}

fn interpolate(table: &[f64], code: f64) -> f64 {
    let node = (code.max(0.0) as usize).min(table.len() - 2);
    let t = code - node as f64;
    table[node] + t * (table[node + 1] - table[node])
}

/// Entries of a response table: one a code for 8 bits, enough for linear interpolation otherwise.
fn table_entries(pixels: &Pixels) -> usize {
    match pixels {
        Pixels::U8(_) => 256,
        _ => 4096,
    }
}
