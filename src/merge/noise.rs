//! Noise model of a bracket: variance as a function of exposure, estimated from the frames themselves.
//!
//! Variance of one pixel in units of exposure (1 = green's clip level):
//! `v(x) = shot x + read + code (dx/dcode)^2`. The first two terms are the photon transfer model (EMVA 1288); the third
//! is the variance in codes from rounding and compression, converted by the response. In differences of two frames the
//! scene cancels: `Var(x_a/k_a - x_b/k_b) = v_a/k_a^2 + v_b/k_b^2`. The terms separate because their proportions differ
//! between pairs and levels. Rounding to whole codes is in every file, so that the third term is 1/12 of the file's own codes
//! squared at least.
use super::noise_profile;
use super::noise_windows::{Gate, Group, View, groups_of, pairs_of};
use rayon::prelude::*;
use stopspan_core::finding::Finding;
use stopspan_core::model::Compression;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, Clip, main_channel};
use stopspan_core::model::{Noise, NoiseModel, NoiseSource};

/// Estimates the noise of every channel. Never fails: with too few usable windows the model is the one that the raw file states,
/// or else a conservative one, reported as a finding.
pub fn estimate(bracket: &Bracket, response: &Response, clips: &[Clip]) -> (Noise, Vec<Finding>) {
    let pairs = pairs_of(bracket);
    let curves = response.curves.iter().zip(clips);
    let gates: Vec<Gate> = curves
        .map(|(curve, clip)| Gate::new(bracket, response.method, curve, clip))
        .collect();
    let views_of = |channel: usize| -> Vec<View> {
        let (curve, gate) = (&response.curves[channel], &gates[channel]);
        let frames = 0..bracket.frames.len();
        frames
            .map(|frame| View::new(bracket, curve, gate, frame, channel))
            .collect()
    };
    let channels = (0..gates.len()).into_par_iter();
    let views: Vec<Vec<View>> = channels.map(views_of).collect();
    let measured: Vec<(Option<NoiseModel>, usize)> = groups_of(&views, &pairs)
        .into_par_iter()
        .map(|groups| (solve(&groups), groups.len()))
        .collect();
    let groups = measured.iter().map(|m| m.1).sum();
    let stated = noise_profile::stated(bracket, response);
    // Float samples have no codes.
    let codes = match bracket.reference_frame().picture.pixels.bits() {
        8 => Some(256),
        16 => Some(65536),
        _ => None,
    };
    let models = measured.iter().map(|m| {
        let model = m.0.filter(|_| m.1 >= 3)?;
        Some(codes.map_or(model, |codes| model.with_rounding(codes)))
    });
    let Some(models) = models.collect::<Option<Vec<NoiseModel>>>() else {
        return not_measured(stated, groups, measured.len());
    };
    let noise = Noise {
        channels: models,
        groups,
        source: NoiseSource::Measured,
    };
    let hidden = hidden_by_compression(bracket, response, &noise);
    let differs = stated.and_then(|stated| noise_profile::difference(&noise, &stated));
    let findings = hidden.into_iter().chain(differs).collect();
    (noise, findings)
}

/// The noise where the frames gave only so many groups: as the raw file states it, or else assumed.
fn not_measured(
    stated: Option<Vec<NoiseModel>>,
    groups: usize,
    channels: usize,
) -> (Noise, Vec<Finding>) {
    let (models, source, finding) = match stated {
        Some(models) => (models, NoiseSource::StatedByFile, Finding::NoiseAsStated),
        None => {
            let finding = Finding::NoiseAssumed {
                samples: groups,
                wanted: 3 * channels,
            };
            let models = vec![NoiseModel::ASSUMED; channels];
            (models, NoiseSource::Assumed, finding)
        }
    };
    let noise = Noise {
        channels: models,
        groups,
        source,
    };
    (noise, vec![finding])
}

/// Reports that JPEG compression hides the noise: at mid level it is below the r.m.s. error of rounding every coefficient, in
/// codes, so that quantisation flattens it.
fn hidden_by_compression(bracket: &Bracket, response: &Response, noise: &Noise) -> Option<Finding> {
    let Compression::Jpeg {
        quantisation_rms, ..
    } = bracket.reference_frame().picture.compression
    else {
        return None;
    };
    let main = main_channel(noise.channels.len());
    let curve = &response.curves[main];
    let slope = curve.slope_at(0.5) / 255.0;
    let code_noise = noise.channels[main]
        .variance(curve.exposure_at(0.5), 1.0, slope)
        .sqrt()
        / slope;
    (code_noise < quantisation_rms).then_some(Finding::NoiseCompressionLimited {
        code_noise,
        quantisation_bound: quantisation_rms,
    })
}

/// Non-negative least squares, weighted by the fitted variance: of the seven subsets of the three terms, the best fit
/// without a negative coefficient; `None` where no subset is without one.
fn solve(groups: &[Group]) -> Option<NoiseModel> {
    let mut model = None;
    let mut predicted: Vec<f64> = groups.iter().map(|g| g.variance.max(1e-18)).collect();
    for _ in 0..6 {
        let mut best: Option<(f64, [f64; 3])> = None;
        for subset in 1..8usize {
            let Some(found) = solve_subset(groups, &predicted, subset) else {
                continue;
            };
            let loss = loss(groups, &predicted, &found);
            if best.is_none_or(|b| loss < b.0 - 1e-12) {
                best = Some((loss, found));
            }
        }
        let Some((_, [shot, read, code])) = best else {
            return model;
        };
        model = Some(NoiseModel {
            shot,
            read_variance: read,
            code_variance: code,
        });
        for (p, g) in predicted.iter_mut().zip(groups) {
            *p = (shot * g.shot + read * g.read + code * g.code).max(1e-18);
        }
    }
    model
}

/// Least squares with the terms whose bit of `subset` is set; `None` if a coefficient is negative or not finite.
fn solve_subset(groups: &[Group], predicted: &[f64], subset: usize) -> Option<[f64; 3]> {
    let terms: Vec<usize> = (0..3).filter(|t| subset >> t & 1 == 1).collect();
    let n = terms.len();
    let mut normal = nalgebra::DMatrix::<f64>::zeros(n, n);
    let mut right = nalgebra::DVector::<f64>::zeros(n);
    for (g, p) in groups.iter().zip(predicted) {
        let row = [g.shot, g.read, g.code];
        let weight = g.weight / (p * p);
        for (i, &a) in terms.iter().enumerate() {
            right[i] += weight * row[a] * g.variance;
            for (k, &b) in terms.iter().enumerate() {
                normal[(i, k)] += weight * row[a] * row[b];
            }
        }
    }
    let found = normal.lu().solve(&right)?;
    let mut out = [0.0; 3];
    for (i, &t) in terms.iter().enumerate() {
        out[t] = found[i];
    }
    out.iter()
        .all(|v| v.is_finite() && *v >= 0.0)
        .then_some(out)
}

/// Weighted sum of squared relative residuals.
fn loss(groups: &[Group], predicted: &[f64], found: &[f64; 3]) -> f64 {
    let one = |g: &Group, p: &f64| {
        let fitted = found[0] * g.shot + found[1] * g.read + found[2] * g.code;
        g.weight * ((g.variance - fitted) / p).powi(2)
    };
    groups.iter().zip(predicted).map(|(g, p)| one(g, p)).sum()
}
