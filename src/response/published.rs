//! Runs the published methods on a bracket: collects pixels, makes the tables monotone, measures their residuals.
use super::blocks::BlockSamples;
use super::smooth_table::{NODES, TableFit};
use super::{alternating, least_squares_table, pixels, polynomial};
use rayon::prelude::*;
use stopspan_core::model::Bracket;
use stopspan_core::model::ResponseMethod;
use stopspan_core::statistics::isotonic;

/// Least step from code to code of a table made monotone, stops.
const LEAST_STEP: f64 = 1e-6;
/// Least exposure of a table relative to that at code 128; smaller ones are raised to it.
const DARKEST: f64 = 1e-6;

/// One table a channel by a published method, with exposures held as stated (stops). `None` if a channel has too little data
/// for the method, or the method is not a published one.
pub(super) fn fit(
    method: ResponseMethod,
    bracket: &Bracket,
    blocks: &[BlockSamples],
    stated: &[f64],
) -> Option<Vec<TableFit>> {
    pixels::collect(bracket)
        .par_iter()
        .zip(blocks)
        .map(|(pixels, blocks)| {
            let table = exposures(method, pixels, stated)?;
            let table = log_table(&table, pixels)?;
            Some(with_residual(table, pixels, blocks, stated))
        })
        .collect()
}

/// Relative exposure at every code as the method returns it.
fn exposures(method: ResponseMethod, pixels: &[Vec<u8>], stated: &[f64]) -> Option<Vec<f64>> {
    let first = stated.first()?;
    let times: Vec<f64> = stated.iter().map(|e| (e - first).exp2()).collect();
    match method {
        ResponseMethod::LeastSquaresTable => {
            let logs = least_squares_table::fit(pixels, &times, least_squares_table::LAMBDA)?;
            Some(logs.iter().map(|g| g.exp()).collect())
        }
        ResponseMethod::Alternating => alternating::fit(pixels, &times, alternating::STOP),
        ResponseMethod::Polynomial => polynomial::fit(pixels, &times),
        ResponseMethod::SmoothTable | ResponseMethod::Linear | ResponseMethod::Srgb => None,
    }
}

/// Number of pixels with each code, in all frames.
fn counts(pixels: &[Vec<u8>]) -> Vec<f64> {
    let mut counts = vec![0.0; NODES];
    for &code in pixels.iter().flatten() {
        counts[usize::from(code)] += 1.0;
    }
    counts
}

/// log2 exposure, 0 at code 128, strictly increasing: the nearest monotone table, codes weighted by their number of pixels.
fn log_table(exposures: &[f64], pixels: &[Vec<u8>]) -> Option<Vec<f64>> {
    let middle = exposures[128];
    let logs: Vec<f64> = exposures
        .iter()
        .map(|e| (e / middle).max(DARKEST).log2())
        .collect();
    let weights: Vec<f64> = counts(pixels).iter().map(|c| c + 1e-3).collect();
    let rising = isotonic::increasing(&logs, &weights)?;
    let origin = rising[128];
    let step = |code: usize| LEAST_STEP * (code as f64 - 128.0);
    let table = rising.iter().enumerate();
    Some(table.map(|(code, g)| g - origin + step(code)).collect())
}

/// A table with its residual and coverage. The methods state no uncertainty: the root mean square residual of block means is
/// used at every code.
fn with_residual(
    table: Vec<f64>,
    pixels: &[Vec<u8>],
    blocks: &BlockSamples,
    stated: &[f64],
) -> TableFit {
    let residual_stops = residual(&table, blocks, stated);
    let mut coverage = counts(pixels);
    // The end codes include everything that is crushed or clipped.
    coverage[0] = 0.0;
    coverage[255] = 0.0;
    let seen = |code: &usize| coverage[*code] > 0.0;
    let low = (1..NODES).find(seen).unwrap_or(1);
    let high = (1..NODES).rev().find(seen).unwrap_or(NODES - 1);
    TableFit {
        bent: Vec::new(),
        log2_exposure: table,
        uncertainty: vec![residual_stops; NODES],
        exposures: stated.to_vec(),
        misfit: Vec::new(),
        exposure_uncertainty: vec![0.0; stated.len()],
        supported: (low as f64, high.max(low + 1) as f64),
        samples: pixels.len(),
        residual_stops,
        coverage,
    }
}

/// Root mean square residual of the log2 exposure of block means about their mean over the frames, stops.
fn residual(table: &[f64], blocks: &BlockSamples, stated: &[f64]) -> f64 {
    let (mut square, mut count) = (0.0, 0.0f64);
    for block in 0..blocks.len() {
        let values: Vec<f64> = (0..blocks.frames)
            .filter_map(|frame| {
                let i = block * blocks.frames + frame;
                let mean = f64::from(blocks.mean[i]);
                let usable = mean > 3.0 && blocks.peak[i] <= 254.0 && blocks.variance[i] <= 36.0;
                usable.then(|| {
                    let node = (mean as usize).min(NODES - 2);
                    let t = mean - node as f64;
                    table[node] * (1.0 - t) + table[node + 1] * t - stated[frame]
                })
            })
            .collect();
        if values.len() < 2 {
            continue;
        }
        let mean = values.iter().sum::<f64>() / values.len() as f64;
        square += values.iter().map(|v| (v - mean).powi(2)).sum::<f64>();
        count += values.len() as f64 - 1.0;
    }
    (square / count.max(1.0)).sqrt()
}
