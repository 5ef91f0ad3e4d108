//! Whether the stated grid fits the patches within the corners: no step edge may run through the centre of a patch.
use ndarray::ArrayView2;
use stopspan_core::model::{Homography, UNIT_SQUARE, distance};
use stopspan_core::raster::Point;
use stopspan_core::results::WedgePlace;
use stopspan_core::statistics::robust::median;

/// Extent of the two compared halves from a patch's centre, across and along, in cells.
const REACH: f64 = 0.25;
/// Number of samples across and along a half.
const SAMPLES: (usize, usize) = (6, 16);
/// Pixels per independent sample after a camera's sharpening and compression.
const TOGETHER: f64 = 4.0;
/// Smallest difference of the halves that counts as a step, relative to the steps to the neighbours and to the median step.
const SHARE: f64 = 0.3;
/// Smallest difference that counts as a step, in standard uncertainties.
const BEYOND: f64 = 4.0;
/// Number and share of patches with a step edge that make the grid doubtful; both are needed.
const DOUBTFUL: (usize, f64) = (3, 0.1);

/// Number of patches with a step edge through their centre; `None` where they are too few to doubt the grid. `plane` is
/// radiance of one channel.
pub fn steps_within(plane: ArrayView2<f32>, place: &WedgePlace) -> Option<usize> {
    let map = Homography::between(&UNIT_SQUARE, &place.corners)?;
    let grid = Grid { plane, place, map };
    let [across, down] = [true, false].map(|across| grid.halves(across));
    let usual = usual(&across, &down);
    let holds = |r: usize, c: usize| {
        let row: Vec<_> = across[r].iter().collect();
        let column: Vec<_> = down.iter().map(|line| &line[c]).collect();
        is_step(&row, c, usual) || is_step(&column, r, usual)
    };
    let all = (0..place.rows).flat_map(|r| (0..place.columns).map(move |c| (r, c)));
    let found = all.filter(|&(r, c)| holds(r, c)).count();
    let share = found as f64 / (place.rows * place.columns) as f64;
    (found >= DOUBTFUL.0 && share >= DOUBTFUL.1).then_some(found)
}

/// The two halves about a patch's centre: log2 radiance of both together, log2 ratio of the second to the first, and the
/// standard uncertainty of that ratio.
#[derive(Clone, Copy)]
struct Halves {
    log: f64,
    rise: f64,
    uncertainty: f64,
}

/// Median step between neighbours, stops.
fn usual(across: &[Vec<Option<Halves>>], down: &[Vec<Option<Halves>>]) -> f64 {
    let lines = across.iter();
    let mut steps: Vec<f64> = lines.flat_map(|l| l.windows(2)).filter_map(apart).collect();
    if steps.is_empty() {
        let column: Vec<_> = down.iter().filter_map(|l| l.first().copied()).collect();
        steps = column.windows(2).filter_map(apart).collect();
    }
    median(&steps).unwrap_or(f64::INFINITY)
}

fn apart(pair: &[Option<Halves>]) -> Option<f64> {
    let (a, b) = (pair[0]?, pair[1]?);
    Some((b.log - a.log).abs())
}

/// True if the halves of patch `i` of a line differ by a share of its steps to the neighbours.
fn is_step(line: &[&Option<Halves>], i: usize, usual: f64) -> bool {
    let at = |k: usize| line.get(k).copied().copied().flatten();
    let Some(here) = at(i) else {
        return false;
    };
    let before = i.checked_sub(1).and_then(at).map(|h| here.log - h.log);
    let after = at(i + 1).map(|h| h.log - here.log);
    let step = match (before, after) {
        (Some(a), Some(b)) => (a + b) / 2.0,
        (Some(a), None) | (None, Some(a)) => a,
        (None, None) => return false,
    };
    let rise = here.rise * step.signum();
    rise > SHARE * step.abs() && rise > SHARE * usual && rise > BEYOND * here.uncertainty
}

struct Grid<'a> {
    plane: ArrayView2<'a, f32>,
    place: &'a WedgePlace,
    map: Homography,
}

impl Grid<'_> {
    /// Halves by row and column of the grid: left and right, or above and below.
    fn halves(&self, across: bool) -> Vec<Vec<Option<Halves>>> {
        let row = |r: usize| {
            let columns = 0..self.place.columns;
            columns.map(|c| self.of_cell(r, c, across)).collect()
        };
        (0..self.place.rows).map(row).collect()
    }

    /// The halves of one cell; `None` without light, or outside the picture.
    fn of_cell(&self, r: usize, c: usize, across: bool) -> Option<Halves> {
        let at = |along: f64, aside: f64| {
            let (x, y) = if across {
                (along, aside)
            } else {
                (aside, along)
            };
            self.map.map(Point {
                x: (c as f64 + 0.5 + x) / self.place.columns as f64,
                y: (r as f64 + 0.5 + y) / self.place.rows as f64,
            })
        };
        let pixels =
            distance(at(0.0, 0.0), at(REACH, 0.0)) * distance(at(0.0, -REACH), at(0.0, REACH));
        let independent = (pixels / TOGETHER).clamp(1.0, (SAMPLES.0 * SAMPLES.1) as f64);
        let half = |sign: f64| -> Option<(f64, f64)> {
            let (mut sum, mut squares) = (0.0, 0.0);
            for i in 0..SAMPLES.0 {
                for k in 0..SAMPLES.1 {
                    let along = sign * REACH * (i as f64 + 0.5) / SAMPLES.0 as f64;
                    let aside = REACH * (2.0 * (k as f64 + 0.5) / SAMPLES.1 as f64 - 1.0);
                    let light = self.light(at(along, aside))?;
                    sum += light;
                    squares += light * light;
                }
            }
            let count = (SAMPLES.0 * SAMPLES.1) as f64;
            let mean = sum / count;
            let variance = (squares / count - mean * mean).max(0.0);
            (mean > 0.0).then(|| (mean, variance / independent / (mean * mean)))
        };
        let (first, second) = (half(-1.0)?, half(1.0)?);
        Some(Halves {
            log: (0.5 * (first.0 + second.0)).log2(),
            rise: (second.0 / first.0).log2(),
            uncertainty: (first.1 + second.1).sqrt() / std::f64::consts::LN_2,
        })
    }

    /// Radiance of the pixel at a point; `None` outside.
    fn light(&self, p: Point) -> Option<f64> {
        let inside = p.x >= 0.0 && p.y >= 0.0;
        let light = self.plane.get((p.y as usize, p.x as usize));
        light.filter(|_| inside).map(|&v| f64::from(v))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wedge::place;
    use ndarray::Array2;
    use rand::SeedableRng;
    use rand_chacha::ChaCha8Rng;
    use rand_distr::{Distribution, StandardNormal};

    /// Patches of 24 x 24 pixels, 0.1 density a step row by row, with noise: a share of the light and a share of white.
    fn wedge(rows: usize, columns: usize, seed: u64) -> (Array2<f32>, [Point; 4]) {
        let mut random = ChaCha8Rng::seed_from_u64(seed);
        let mut noise = || -> f64 { StandardNormal.sample(&mut random) };
        let plane = Array2::from_shape_fn((24 * rows + 40, 24 * columns + 40), |(y, x)| {
            let cell =
                |v: usize, count: usize| (v.checked_sub(20)? / 24 < count).then_some((v - 20) / 24);
            let light = match (cell(y, rows), cell(x, columns)) {
                (Some(r), Some(c)) => 10f64.powf(-0.1 * (r * columns + c) as f64),
                _ => 0.02,
            };
            (light * (1.0 + 0.03 * noise()) + 0.002 * noise()) as f32
        });
        let (right, bottom) = (20.0 + 24.0 * columns as f64, 20.0 + 24.0 * rows as f64);
        let corners = [(20.0, 20.0), (right, 20.0), (right, bottom), (20.0, bottom)];
        (plane, corners.map(|(x, y)| Point { x, y }))
    }

    fn said(of: (usize, usize), stated: (usize, usize), seed: u64) -> Option<usize> {
        let (plane, corners) = wedge(of.0, of.1, seed);
        steps_within(plane.view(), &place(corners, stated, None).unwrap())
    }

    #[test]
    fn the_right_grid_is_never_doubted() {
        for seed in 0..40 {
            for grid in [(1, 21), (21, 1), (4, 6), (3, 7), (2, 2)] {
                assert_eq!(said(grid, grid, seed), None, "{grid:?} {seed}");
            }
        }
    }

    #[test]
    fn a_wrong_grid_is_doubted() {
        let wrong = [
            ((1, 21), (1, 20)),
            ((1, 21), (1, 22)),
            ((1, 21), (1, 19)),
            ((1, 21), (1, 24)),
            ((21, 1), (20, 1)),
            ((21, 1), (22, 1)),
            ((4, 6), (4, 5)),
            ((4, 6), (4, 7)),
            ((4, 6), (3, 6)),
            ((4, 6), (5, 6)),
            ((3, 7), (3, 6)),
        ];
        for (of, stated) in wrong {
            for seed in 0..5 {
                assert!(said(of, stated, seed).is_some(), "{of:?} as {stated:?}");
            }
        }
    }
}
