//! Noise of a frame as a function of exposure, estimated from the bracket itself.
//!
//! Variance of one pixel in units of exposure (1 = green's clip level):
//! `v(x) = shot x + read + code (dx/dcode)^2`. The first two terms are the photon transfer model (EMVA 1288); the third
//! is what rounding and compression add in codes, brought through the response. Two frames give variances of radiance
//! differences in which the scene cancels: `Var(x_a/k_a - x_b/k_b) = v_a/k_a^2 + v_b/k_b^2`; pairs and levels of
//! different mix separate the terms.
use crate::finding::Finding;
use crate::formats::Compression;
use crate::frames::{Bracket, Clip};
use crate::response::{Response, ResponseCurve, ResponseMethod};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Noise of one channel at the reference frame's sensitivity.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct NoiseModel {
    /// Variance per unit exposure (1 / full well in electrons where the frame clips at full well).
    pub shot: f64,
    /// Variance at zero exposure, exposure^2.
    pub read_variance: f64,
    /// Variance in 8-bit codes^2 added after the response: rounding (1/12) and compression.
    pub code_variance: f64,
}

/// Noise of all channels, and how it was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Noise {
    /// One model a channel.
    pub channels: Vec<NoiseModel>,
    /// Groups of blocks (pair and level) the models were fitted to, all channels.
    pub groups: usize,
    /// True if too little could be measured and a conservative model was assumed.
    pub assumed: bool,
}

impl NoiseModel {
    /// Assumed where nothing can be measured: 2000 electrons, 10 electrons read noise, one code r.m.s.
    const ASSUMED: NoiseModel = NoiseModel {
        shot: 1.0 / 2000.0,
        read_variance: 2.5e-5,
        code_variance: 1.0,
    };

    /// Variance of one pixel at exposure `x` (exposure^2). `gain` is sensitivity relative to the reference frame,
    /// `slope` d exposure / d code (8-bit codes) there.
    pub fn variance(&self, x: f64, gain: f64, slope: f64) -> f64 {
        self.shot * gain * x.max(0.0)
            + self.read_variance * gain.max(1.0).powi(2)
            + self.code_variance * slope * slope
    }
}

/// Side of the windows that variances are taken over.
const SIDE: usize = 8;
/// Windows looked at per pair, at most.
const WINDOWS: usize = 8_000;
/// Windows a group needs.
const GROUP: usize = 24;

/// One group: mean regressors and the variance found.
#[derive(Debug, Clone, Copy, Default)]
struct Group {
    shot: f64,
    read: f64,
    code: f64,
    variance: f64,
    weight: f64,
}

/// Estimates the noise of every channel. Never fails: where too little can be seen, a conservative model is assumed and
/// the finding says so.
pub fn estimate(bracket: &Bracket, response: &Response, clips: &[Clip]) -> (Noise, Vec<Finding>) {
    let measured: Vec<(NoiseModel, usize)> = (0..response.curves.len())
        .into_par_iter()
        .map(|channel| {
            let curve = &response.curves[channel];
            let gate = Gate::new(bracket, response.method, curve, &clips[channel]);
            channel_noise(bracket, curve, &gate, channel)
        })
        .collect();
    let groups = measured.iter().map(|m| m.1).sum();
    let assumed = measured.iter().any(|m| m.1 < 3);
    let channels: Vec<NoiseModel> = if assumed {
        vec![NoiseModel::ASSUMED; measured.len()]
    } else {
        measured.iter().map(|m| m.0).collect()
    };
    let noise = Noise {
        channels,
        groups,
        assumed,
    };
    let mut findings = Vec::new();
    if assumed {
        findings.push(Finding::NoiseAssumed {
            samples: groups,
            wanted: 3 * response.curves.len(),
        });
    }
    findings.extend(hidden_by_compression(bracket, response, &noise));
    (noise, findings)
}

/// JPEG flattens noise smaller than its steps: said where the noise in codes at mid level lies below the r.m.s. of
/// rounding every coefficient.
fn hidden_by_compression(bracket: &Bracket, response: &Response, noise: &Noise) -> Option<Finding> {
    let Compression::Jpeg {
        quantisation_rms, ..
    } = bracket.frames[bracket.reference].picture.compression
    else {
        return None;
    };
    let main = noise.channels.len() / 2;
    let curve = &response.curves[main];
    let slope = curve.slope_at(0.5) / 255.0;
    let code_noise = noise.channels[main]
        .variance(curve.exposure_at(0.5), 1.0, slope)
        .sqrt()
        / slope;
    let hidden = !noise.assumed && code_noise < quantisation_rms;
    hidden.then_some(Finding::NoiseCompressionLimited {
        code_noise,
        quantisation_bound: quantisation_rms,
    })
}

/// Levels between which variances are believed.
struct Gate {
    low: f64,
    high: f64,
}

impl Gate {
    /// Encoded levels keep two codes away from the floor, where the response is steep and rounding rules. Deep linear samples
    /// are as good as any down to the floor itself, and only there the noise in the dark shows.
    fn new(bracket: &Bracket, method: ResponseMethod, curve: &ResponseCurve, clip: &Clip) -> Self {
        let pixels = &bracket.frames[bracket.reference].picture.pixels;
        let deep = method == ResponseMethod::Linear && pixels.bits() > 8;
        let margin = if deep { 0.5 / 65535.0 } else { 2.0 / 255.0 };
        Gate {
            low: clip.floor_level.max(curve.supported.0) + margin,
            high: clip.clip_level - 4.0 / 255.0,
        }
    }
}

fn channel_noise(
    bracket: &Bracket,
    curve: &ResponseCurve,
    gate: &Gate,
    channel: usize,
) -> (NoiseModel, usize) {
    let count = bracket.frames.len();
    let mut groups = Vec::new();
    if bracket.frames.iter().any(|f| f.transform.is_some()) {
        // Frames that were moved do not cancel pixel by pixel: each is looked at by itself.
        for frame in 0..count {
            groups.extend(pair_groups(bracket, curve, gate, channel, (frame, frame)));
        }
        return (solve(&groups), groups.len());
    }
    for first in 0..count {
        for second in first + 1..count {
            groups.extend(pair_groups(bracket, curve, gate, channel, (first, second)));
        }
    }
    (solve(&groups), groups.len())
}

/// Exposure, relative and by code, of the frames of a pair.
struct Side<'a> {
    pixels: &'a crate::raster::Pixels,
    factor: f64,
    gain: f64,
}

fn pair_groups(
    bracket: &Bracket,
    curve: &ResponseCurve,
    gate: &Gate,
    channel: usize,
    (first, second): (usize, usize),
) -> Vec<Group> {
    let side = |i: usize| Side {
        pixels: &bracket.frames[i].picture.pixels,
        factor: bracket.channel_exposure(i, channel),
        gain: super::gain(bracket, i),
    };
    let (a, b) = (side(first), side(second));
    let (rows, columns, _) = a.pixels.dim();
    let (down, across) = (rows / SIDE, columns / SIDE);
    let skip = (down * across / WINDOWS).max(1);
    let mut bins: Vec<Vec<Window>> = vec![Vec::new(); BINS];
    for index in (0..down * across).step_by(skip) {
        let (top, left) = (index / across * SIDE, index % across * SIDE);
        let window = if first == second {
            ripple(&a, curve, gate, channel, (top, left))
        } else {
            difference(&a, &b, curve, gate, channel, (top, left))
        };
        if let Some(window) = window {
            let bin =
                ((window.radiance.log2() + 20.0) * 2.0).clamp(0.0, BINS as f64 - 1.0) as usize;
            bins[bin].push(window);
        }
    }
    bins.into_iter()
        .filter(|bin| bin.len() >= GROUP)
        .map(|bin| summarise(bin, curve, &a, (first != second).then_some(&b)))
        .collect()
}

const BINS: usize = 60;

#[derive(Clone, Copy)]
struct Window {
    radiance: f64,
    variance: f64,
}

/// Variance of the radiance difference over one window, if both frames see it neither black nor clipped.
fn difference(
    a: &Side,
    b: &Side,
    curve: &ResponseCurve,
    gate: &Gate,
    channel: usize,
    (top, left): (usize, usize),
) -> Option<Window> {
    let Gate { low, high } = *gate;
    let (mut sum, mut square, mut total) = (0.0, 0.0, 0.0);
    for row in top..top + SIDE {
        for column in left..left + SIDE {
            let (u, v) = (
                f64::from(a.pixels.level(row, column, channel)),
                f64::from(b.pixels.level(row, column, channel)),
            );
            if u < low || v < low || u > high || v > high {
                return None;
            }
            let (x, y) = (
                curve.exposure_at(u) / a.factor,
                curve.exposure_at(v) / b.factor,
            );
            sum += x - y;
            square += (x - y) * (x - y);
            total += x + y;
        }
    }
    let n = (SIDE * SIDE) as f64;
    let mean = sum / n;
    let radiance = total / (2.0 * n);
    (radiance > 0.0).then(|| Window {
        radiance,
        variance: (square / n - mean * mean) * n / (n - 1.0),
    })
}

/// Variance over one window of one frame from second differences along the rows, `x - (left + right) / 2`, whose
/// variance is 3/2 of a pixel's: a slope cancels, texture does not.
fn ripple(
    a: &Side,
    curve: &ResponseCurve,
    gate: &Gate,
    channel: usize,
    (top, left): (usize, usize),
) -> Option<Window> {
    let Gate { low, high } = *gate;
    let (mut square, mut total) = (0.0, 0.0);
    for row in top..top + SIDE {
        let mut line = [0.0; SIDE];
        for (x, column) in line.iter_mut().zip(left..) {
            let level = f64::from(a.pixels.level(row, column, channel));
            if level < low || level > high {
                return None;
            }
            *x = curve.exposure_at(level) / a.factor;
        }
        total += line.iter().sum::<f64>();
        square += line
            .windows(3)
            .map(|w| (w[1] - 0.5 * (w[0] + w[2])).powi(2))
            .sum::<f64>();
    }
    let radiance = total / (SIDE * SIDE) as f64;
    let count = (SIDE * (SIDE - 2)) as f64;
    (radiance > 0.0).then(|| Window {
        radiance,
        variance: square / count / 1.5,
    })
}

/// Median variance of a group (moving things and texture out of register fall away) with the regressors at its mean.
fn summarise(mut bin: Vec<Window>, curve: &ResponseCurve, a: &Side, b: Option<&Side>) -> Group {
    let count = bin.len() as f64;
    let radiance = bin.iter().map(|w| w.radiance).sum::<f64>() / count;
    // One frame alone still shows its texture: the quietest tenth of the windows shows least of it.
    let middle = if b.is_some() {
        bin.len() / 2
    } else {
        bin.len() / 10
    };
    let normal = if b.is_some() { 0.0 } else { -1.2816 };
    let median = bin
        .select_nth_unstable_by(middle, |x, y| x.variance.total_cmp(&y.variance))
        .1
        .variance;
    let freedom = (SIDE * SIDE - 1) as f64;
    // Wilson and Hilferty (1931): a quantile of chi-square over its mean.
    let spread: f64 = 2.0 / (9.0 * freedom);
    let variance = median / (1.0 - spread + normal * spread.sqrt()).powi(3);
    let term = |s: &Side| {
        let slope = curve.slope_at(curve.level_of(radiance * s.factor)) / 255.0;
        let k2 = s.factor * s.factor;
        (
            s.gain * radiance * s.factor / k2,
            s.gain.max(1.0).powi(2) / k2,
            slope * slope / k2,
        )
    };
    let (p, q) = (term(a), b.map_or((0.0, 0.0, 0.0), term));
    Group {
        shot: p.0 + q.0,
        read: p.1 + q.1,
        code: p.2 + q.2,
        variance,
        weight: count.min(2000.0),
    }
}

/// Non-negative weighted least squares with weights from the fitted variance, by trying every subset of the three terms
/// (seven of them) and keeping the best that has no negative coefficient.
fn solve(groups: &[Group]) -> NoiseModel {
    let mut model = NoiseModel::ASSUMED;
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
        model = NoiseModel {
            shot,
            read_variance: read,
            code_variance: code,
        };
        for (p, g) in predicted.iter_mut().zip(groups) {
            *p = (shot * g.shot + read * g.read + code * g.code).max(1e-18);
        }
    }
    model
}

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

fn loss(groups: &[Group], predicted: &[f64], found: &[f64; 3]) -> f64 {
    let one = |g: &Group, p: &f64| {
        let fitted = found[0] * g.shot + found[1] * g.read + found[2] * g.code;
        g.weight * ((g.variance - fitted) / p).powi(2)
    };
    groups.iter().zip(predicted).map(|(g, p)| one(g, p)).sum()
}
