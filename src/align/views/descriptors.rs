//! What surrounds a point: histograms of the direction of gradients (Lowe 2004), without turning them into the direction of the point,
//! since cameras on one subject are held upright. Up to about fifteen degrees of rotation are tolerated.
use super::keypoints::{Keypoint, ScaleSpace};
use rayon::prelude::*;

/// Cells on a side of the surroundings, and directions in each.
const CELLS: usize = 4;
const DIRECTIONS: usize = 8;
/// Numbers of a descriptor.
const LENGTH: usize = CELLS * CELLS * DIRECTIONS;
/// Side of a cell, blurs of the point (Lowe 2004).
const CELL_SIDE: f32 = 3.0;
/// Largest share of one number before the second normalisation, against single strong gradients (Lowe 2004).
const CLIPPED: f32 = 0.2;
/// Largest ratio of the distance to the nearest descriptor to that of the second nearest (Lowe 2004).
const RATIO: f32 = 0.8;

/// The surroundings of a point, of length 1.
pub(super) type Descriptor = [f32; LENGTH];

/// Descriptors of points.
pub(super) fn describe(space: &ScaleSpace, points: &[Keypoint]) -> Vec<Descriptor> {
    points.par_iter().map(|p| descriptor(space, p)).collect()
}

fn descriptor(space: &ScaleSpace, point: &Keypoint) -> Descriptor {
    let plane = &space.octaves[point.octave][point.plane];
    let (rows, columns) = plane.dim();
    let side = CELL_SIDE * point.blur;
    let reach = (side * (CELLS as f32 + 1.0) / 2.0).ceil() as i64;
    let mut out = [0.0; LENGTH];
    let (row, column) = (point.row.round() as i64, point.column.round() as i64);
    for r in (row - reach).max(1)..=(row + reach).min(rows as i64 - 2) {
        for c in (column - reach).max(1)..=(column + reach).min(columns as i64 - 2) {
            let (y, x) = (r as usize, c as usize);
            let dx = plane[[y, x + 1]] - plane[[y, x - 1]];
            let dy = plane[[y + 1, x]] - plane[[y - 1, x]];
            let (u, v) = (
                (c as f32 - point.column) / side,
                (r as f32 - point.row) / side,
            );
            let half = CELLS as f32 / 2.0;
            let weight = (-(u * u + v * v) / (2.0 * half * half)).exp() * dx.hypot(dy);
            let turn = dy.atan2(dx) / std::f32::consts::TAU;
            let place = [
                v + half - 0.5,
                u + half - 0.5,
                (turn + 1.0).fract() * DIRECTIONS as f32,
            ];
            share_out(&mut out, place, weight);
        }
    }
    normalise(&mut out);
    out.iter_mut().for_each(|v| *v = v.min(CLIPPED));
    normalise(&mut out);
    out
}

/// Shares a weight out over the two nearest rows and columns of cells and the two nearest directions.
fn share_out(out: &mut Descriptor, [row, column, direction]: [f32; 3], weight: f32) {
    let parts = |place: f32| {
        let low = place.floor();
        [
            (low as i64, 1.0 - (place - low)),
            (low as i64 + 1, place - low),
        ]
    };
    let cell = |i: i64| usize::try_from(i).ok().filter(|i| *i < CELLS);
    for (r, by_row) in parts(row) {
        for (c, by_column) in parts(column) {
            let (Some(r), Some(c)) = (cell(r), cell(c)) else {
                continue;
            };
            for (d, by_direction) in parts(direction) {
                let d = d.rem_euclid(DIRECTIONS as i64) as usize;
                let place = (r * CELLS + c) * DIRECTIONS + d;
                out[place] += weight * by_row * by_column * by_direction;
            }
        }
    }
}

fn normalise(out: &mut Descriptor) {
    let length = out.iter().map(|v| v * v).sum::<f32>().sqrt().max(1e-12);
    out.iter_mut().for_each(|v| *v /= length);
}

/// Pairs of indices whose descriptors are nearest to each other, both ways, and clearly nearer than any other.
pub(super) fn matches(first: &[Descriptor], second: &[Descriptor]) -> Vec<(usize, usize)> {
    let there = nearest(first, second);
    let back = nearest(second, first);
    let pairs = there.iter().enumerate().filter_map(|(i, found)| {
        let (j, clear) = (*found)?;
        let (again, _) = back[j]?;
        (clear && again == i).then_some((i, j))
    });
    pairs.collect()
}

/// For each descriptor the nearest of the others, and whether it is clearly nearer than the second nearest.
fn nearest(of: &[Descriptor], among: &[Descriptor]) -> Vec<Option<(usize, bool)>> {
    of.par_iter()
        .map(|one| {
            let (mut best, mut next, mut place) = (f32::NEG_INFINITY, f32::NEG_INFINITY, None);
            for (j, other) in among.iter().enumerate() {
                let product: f32 = one.iter().zip(other).map(|(a, b)| a * b).sum();
                if product > best {
                    (next, best, place) = (best, product, Some(j));
                } else if product > next {
                    next = product;
                }
            }
            // Of vectors of length 1 the squared distance is 2 - 2 times the product.
            let clear = 1.0 - best < RATIO * RATIO * (1.0 - next);
            place.map(|j| (j, clear))
        })
        .collect()
}
