//! What one curve for all blocks leaves: how far the curves of halves of the blocks differ.
//!
//! White balance and colour matrix act before the tone curve of a camera and saturation after it, so that one curve a channel is
//! an approximation whose error depends on colour, and shading and local processing depend on place. Two brackets of one
//! camera differ in colours and places at least as much as the halves of one do. The blocks are halved at every level three ways: by
//! hue (lighter or darker than grey in this channel), by colourfulness, and by place. The curves of the halves follow from the
//! normal equations of all blocks, of which each half has about half: if s is the sum of the gradients of one half, the
//! curves differ by 4 A^-1 s to first order.
use super::NODES;
use super::sight::{Mark, Sighting, Sightings};
use super::state::State;
use super::system::System;
use crate::gamma_basis::COLUMNS;
use nalgebra::DVector;

/// Bins of scene exposure in a stop, in each of which the blocks are halved.
const BINS_A_STOP: f64 = 2.0;
/// Codes to either side over which the differences are averaged.
const AROUND: usize = 12;

/// Differences between halves of the blocks, root mean square over the three ways of halving, stops.
pub(super) struct Misfit {
    /// Of the curves by code, averaged over neighbouring codes. A common exponent and factor are taken out, for they belong to
    /// the span.
    pub curve: Vec<f64>,
    /// Of the exposures of the frames; 0 for those held.
    pub exposures: Vec<f64>,
}

/// Holds the halves against each other.
pub(super) fn misfit(state: &State, system: &System, sightings: &Sightings) -> Misfit {
    let ways: [fn(&Mark) -> f32; 3] = [|m| m.colour, |m| m.colour.abs(), |m| m.column];
    let levels: Vec<i32> = sightings
        .blocks()
        .map(|block| level(state, block))
        .collect();
    let frames = state.exposures.len();
    let (mut square, mut exposures) = (vec![0.0; NODES], vec![0.0; frames]);
    for way in ways {
        let keys: Vec<f32> = sightings.marks().iter().map(way).collect();
        let pull = pull(state, sightings, &lower(&keys, &levels));
        let Some(moved) = system.moved(pull * 4.0) else {
            continue;
        };
        let (table, rest) = moved.as_slice().split_at(NODES);
        let third = |(s, b): (&mut f64, f64)| *s += b * b / 3.0;
        square.iter_mut().zip(bend(table, state)).for_each(third);
        let rest = rest.iter().copied();
        exposures.iter_mut().zip(rest).for_each(third);
    }
    let around = |code: usize| {
        let near = &square[code.saturating_sub(AROUND)..(code + AROUND + 1).min(NODES)];
        (near.iter().sum::<f64>() / near.len() as f64).sqrt()
    };
    Misfit {
        curve: (0..NODES).map(around).collect(),
        exposures: exposures.into_iter().map(f64::sqrt).collect(),
    }
}

/// Weighted mean of the log2 scene exposure of a block.
fn mean(state: &State, block: &[Sighting]) -> f64 {
    let total: f64 = block.iter().map(|s| s.weight).sum();
    let value = |s: &Sighting| s.weight * (state.at(s.code()) - state.exposures[s.frame()]);
    block.iter().map(value).sum::<f64>() / total
}

/// Bin of the scene exposure of a block.
fn level(state: &State, block: &[Sighting]) -> i32 {
    (BINS_A_STOP * mean(state, block)).floor() as i32
}

/// True for the blocks whose key is below the median of their level.
fn lower(keys: &[f32], levels: &[i32]) -> Vec<bool> {
    let mut order: Vec<usize> = (0..keys.len()).collect();
    order.sort_by(|&a, &b| levels[a].cmp(&levels[b]).then(keys[a].total_cmp(&keys[b])));
    let mut out = vec![false; keys.len()];
    for level in order.chunk_by(|&a, &b| levels[a] == levels[b]) {
        level[..level.len() / 2]
            .iter()
            .for_each(|&block| out[block] = true);
    }
    out
}

/// Sum of the gradients of the observations of the blocks marked true.
fn pull(state: &State, sightings: &Sightings, wanted: &[bool]) -> DVector<f64> {
    let mut pull = DVector::zeros(NODES + state.exposures.len() + COLUMNS);
    let blocks = sightings
        .blocks()
        .zip(wanted)
        .filter(|(_, wanted)| **wanted);
    for (block, _) in blocks {
        let mean = mean(state, block);
        for s in block {
            let force = s.weight * (mean + state.exposures[s.frame()] - state.at(s.code()));
            pull[s.node()] += force * (1.0 - s.fraction());
            pull[s.node() + 1] += force * s.fraction();
            pull[NODES + s.frame()] -= force;
        }
    }
    pull
}

/// A difference of tables less its regression on the table, over the codes that blocks cover.
fn bend(difference: &[f64], state: &State) -> Vec<f64> {
    let weights = state.coverage.iter().map(|c| c.min(100.0));
    let points: Vec<(f64, f64, f64)> = weights
        .zip(&state.table)
        .zip(difference)
        .map(|((w, x), y)| (w, *x, *y))
        .collect();
    let total: f64 = points.iter().map(|p| p.0).sum::<f64>().max(1e-9);
    let average = |of: &dyn Fn(&(f64, f64, f64)) -> f64| {
        points.iter().map(|p| p.0 * of(p)).sum::<f64>() / total
    };
    let (x, y) = (average(&|p| p.1), average(&|p| p.2));
    let spread = average(&|p| (p.1 - x).powi(2)).max(1e-9);
    let exponent = average(&|p| (p.1 - x) * (p.2 - y)) / spread;
    let left = |p: &(f64, f64, f64)| p.2 - y - exponent * (p.1 - x);
    points.iter().map(left).collect()
}
