//! What the map's own uncertainty holds back: detail and colour where little but noise is left.
use super::gain::{blurred, quantiles};
use super::noise_level::{noise_level, roughness};
use super::scene::{Metering, log2, luminance};
use ndarray::{Array1, Array2, ArrayView2, Axis, Zip, s};
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, flag, main_channel};

/// Signal-to-noise ratio of a pixel from which on no colour is held back, and up to which detail is held back in full (Rose
/// 1948 found 3 to 5 to be needed to see anything).
const WHOLE: f32 = 4.0;
/// Signal-to-noise ratio from which on nothing is held back: noise of a twentieth of a stop, an L* at the slope of detail.
const CLEAN: f32 = 30.0;
/// Share of colour given up where every frame clips: channels clip one after another, and what they leave is no colour of
/// the scene's.
const UNKNOWN: f32 = 0.8;
/// Shares of the tone scale's slope that are taken back where nothing is kept: by noise that the map states, and by what was found
/// in it, which may be texture after all.
const STILL: [f32; 2] = [0.95, 0.5];
/// Deviation that found noise has at most at mid grey, stops; as much more below as light is less. Rougher places are gravel and leaves:
/// no photograph that is exposed for its mid grey is so noisy there.
const FOUND: f32 = 0.06;
/// Factor on the variance of noise, for what is not to pass as detail by chance.
const SURE: f32 = 3.0;
/// Distance of the pixels that the floor is found from, about; pixels.
const SAMPLES: usize = 160;
/// Stops by which a pixel is darker than one beside it only by a fault.
const HOLE: f32 = 8.0;
/// Floor below the scene's dark end, as a factor.
const BELOW: f32 = 0.125;

/// Luminance below which the map holds nothing to show: half the uncertainty of its darkest tenth, and an eighth of the
/// luminance that all but a two-hundredth exceed, whichever is more. 0 for a map without light.
pub(super) fn floor(map: &RadianceMap, weights: [f32; 3]) -> f32 {
    let (rows, columns, _) = map.radiance.dim();
    let (down, across) = (rows.div_ceil(SAMPLES), columns.div_ceil(SAMPLES));
    let noise = uncertainty(map);
    let mut samples = Vec::new();
    for r in (0..rows).step_by(down.max(1)) {
        for c in (0..columns).step_by(across.max(1)) {
            let pixel = map.radiance.slice(s![r, c, ..]);
            let light = luminance(pixel.as_slice().unwrap_or(&[]), weights);
            let sigma = noise.map_or(0.0, |n| n[[r, c]]);
            if light < f32::MAX {
                samples.push((light, if sigma < f32::MAX { sigma } else { 0.0 }));
            }
        }
    }
    samples.sort_by(|a, b| a.0.total_cmp(&b.0));
    let lit = samples.partition_point(|s| s.0 <= 0.0);
    let Some(&(dark, _)) = samples.get(lit + (samples.len() - lit) / 200) else {
        return 0.0;
    };
    let tenth: Vec<f32> = samples[..samples.len().div_ceil(10)]
        .iter()
        .map(|s| s.1)
        .collect();
    let (sigma, _) = quantiles(
        &Array2::from_shape_vec((1, tenth.len()), tenth).unwrap_or_default(),
        0.5,
        0.5,
    );
    (BELOW * dark).max(0.5 * sigma as f32)
}

/// Log2 luminance with holes filled: pixels that are darker than a neighbour by more than [`HOLE`] are as dark
/// as the darkest of the neighbours that are not, where these are the most. Resampled maps have such pixels, often negative, beside lamps and the sun; no lens draws them.
pub(super) fn mended(plane: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let mut out = plane.clone();
    let Some(to) = out.as_slice_mut() else {
        return out;
    };
    to.par_chunks_mut(columns.max(1))
        .enumerate()
        .for_each(|(r, to)| {
            for (c, to) in to.iter_mut().enumerate() {
                let window = plane.slice(s![
                    r.saturating_sub(1)..(r + 2).min(rows),
                    c.saturating_sub(1)..(c + 2).min(columns)
                ]);
                let most = window.iter().copied().fold(f32::NEG_INFINITY, f32::max);
                let sound = window.iter().filter(|v| **v >= most - HOLE);
                let (least, count) = sound.fold((most, 0), |(l, n), v| (v.min(l), n + 1));
                // At an edge most of the pixels about a dark one are dark.
                if *to < most - HOLE && 2 * count > window.len() {
                    *to = least;
                }
            }
        });
    out
}

/// Uncertainty of the main channel.
fn uncertainty(map: &RadianceMap) -> Option<ArrayView2<'_, f32>> {
    let (rows, columns, _) = map.radiance.dim();
    let (high, wide, channels) = map.statistical.dim();
    let stated = (high, wide) == (rows, columns) && channels > 0;
    stated.then(|| map.statistical.index_axis(Axis(2), main_channel(channels)))
}

/// What blocks of pixels keep, shares 0..=1.
pub(super) struct Kept {
    /// Of detail about the mean of the surroundings: all at a signal-to-noise ratio of [`CLEAN`], what the noise does not
    /// account for at [`WHOLE`].
    pub detail: Array2<f32>,
    /// Of colour: the signal-to-noise ratio over [`WHOLE`], and less where channels are clipped in all frames.
    pub colour: Array2<f32>,
    /// Share of the tone scale's slope that is taken back where no detail is kept.
    pub still: f32,
}

/// Shares that blocks of `block` x `block` pixels keep; `None` for a map whose planes do not fit each other. Detail is weighed
/// against noise as by Wiener's filter: one less the variance of noise over the variance there is. Where the map states no
/// uncertainty, noise is found from the map itself ([`noise_level`]). `mid` is the log2 luminance of mid grey.
pub(super) fn kept(
    map: &RadianceMap,
    (metering, mid): (Metering, f32),
    block: usize,
) -> Option<Kept> {
    let lines = sampled(map, metering, block)?;
    let columns = lines.first()?.len();
    let plane = |value: fn(&Sample) -> f32| {
        blurred(&Array2::from_shape_fn((lines.len(), columns), |(r, c)| {
            f64::from(value(&lines[r][c]))
        }))
    };
    let log = plane(|s| s.log);
    let stated = lines.iter().flatten().any(|s| s.sigma > 0.0);
    let noise = if stated {
        let (light, sigma) = (plane(|s| s.light), plane(|s| s.sigma));
        Zip::from(&light)
            .and(&sigma)
            .map_collect(|l, s| std::f32::consts::LOG2_E * (s / l.max(1e-30)) as f32)
    } else {
        let found = noise_level(&log, &plane(|s| s.rough));
        Zip::from(&found)
            .and(&log)
            .map_collect(|found, log| found.min(FOUND * (mid - *log as f32).exp2()))
    };
    let (square, clipped) = (plane(|s| s.square), plane(|s| s.clipped));
    drop(lines);
    let detail = Zip::from(&noise)
        .and(&log)
        .and(&square)
        .map_collect(|noise, log, square| {
            let variance = (square - log * log).max(1e-9) as f32;
            let texture = (1.0 - SURE * noise * noise / variance).max(0.0);
            let clean = ((ratio(*noise) - WHOLE) / (CLEAN - WHOLE)).clamp(0.0, 1.0);
            texture + clean * (1.0 - texture)
        });
    let colour = Zip::from(&noise)
        .and(&clipped)
        .map_collect(|noise, clipped| {
            let known = 1.0 - UNKNOWN * *clipped as f32;
            // Noise that was found in luminance tells little of colour, which the strongest channel may have alone.
            let seen = (ratio(*noise) / WHOLE).clamp(0.0, 1.0);
            if stated { known * seen } else { known }
        });
    Some(Kept {
        detail,
        colour,
        still: STILL[usize::from(!stated)],
    })
}

/// Signal-to-noise ratio where noise has this deviation of log2 luminance.
fn ratio(noise: f32) -> f32 {
    std::f32::consts::LOG2_E / noise.max(1e-30)
}

/// Means over blocks of `block` x `block` pixels, line by line. One row of pixels a row of blocks is sample enough.
fn sampled(map: &RadianceMap, metering: Metering, block: usize) -> Option<Vec<Vec<Sample>>> {
    let noise = uncertainty(map);
    let (rows, columns, channels) = map.radiance.dim();
    let (light, flags) = (map.radiance.as_slice()?, map.flags.as_slice()?);
    if flags.len() != rows * columns {
        return None;
    }
    let none = Array1::zeros(columns);
    let line = |i: usize| {
        let row = (i * block + block / 2).min(rows - 1);
        let light = &light[row * columns * channels..(row + 1) * columns * channels];
        let pixels = light.chunks_exact(channels);
        let light: Vec<f32> = pixels.map(|p| metering.luminance(p).min(1e30)).collect();
        let logs: Vec<f32> = light.iter().map(|&l| log2(l)).collect();
        let rough: Vec<f32> = roughness(&logs).collect();
        let sigma = noise.map_or(none.view(), |n| n.index_axis_move(Axis(0), row));
        let flags = &flags[row * columns..(row + 1) * columns];
        let ends = (0..columns)
            .step_by(block)
            .map(|from| from..(from + block).min(columns));
        ends.map(|at| Sample {
            light: mean(&light[at.clone()]),
            sigma: sigma
                .slice(s![at.clone()])
                .iter()
                .map(|v| v.clamp(0.0, 1e30))
                .sum::<f32>()
                / at.len() as f32,
            log: mean(&logs[at.clone()]),
            square: logs[at.clone()].iter().map(|v| v * v).sum::<f32>() / at.len() as f32,
            rough: mean(&rough[at.clone()]),
            clipped: share_clipped(&flags[at]),
        })
        .collect()
    };
    Some(
        (0..rows.div_ceil(block))
            .into_par_iter()
            .map(line)
            .collect(),
    )
}

fn mean(values: &[f32]) -> f32 {
    values.iter().sum::<f32>() / values.len() as f32
}

fn share_clipped(flags: &[u16]) -> f32 {
    let clipped = flags.iter().filter(|f| **f & flag::CLIPPED_IN_ALL != 0);
    clipped.count() as f32 / flags.len() as f32
}

/// Means over some pixels: luminance and its uncertainty, its log2, the square and the roughness of that, and the share that is
/// clipped in all frames.
struct Sample {
    light: f32,
    sigma: f32,
    log: f32,
    square: f32,
    rough: f32,
    clipped: f32,
}
