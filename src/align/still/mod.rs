//! Whether raw frames lie still: the shift of tiles by one linear fit in light itself, where no response stands between.
//!
//! Linear frames differ by a factor and an offset, so that near to where they are a tile's shift d solves
//! `a - b = g d + q m + o` for the reference a, the frame b over its exposure, their mean m and its gradient g
//! (Lucas and Kanade 1981). Noise adds to the squares of g what it adds to those of half the difference of the two gradients; that is
//! taken off, for else tiles of noise alone would lie still.
#[cfg(test)]
mod tests;

use super::tile_sums::SMOOTHED;
use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{Bracket, raw_of};
use stopspan_core::model::{Placement, Registration, TileResidual};
use stopspan_core::raster::{Pixels, Point};

/// Side of a tile, pixels of a plane.
const SIDE: usize = 48;
/// Pixels around it that smoothing and its mask need.
const MARGIN: usize = 4;
/// Tiles along each axis, at most.
const CELLS: usize = 12;
/// Share of a tile's pixels that must be usable.
const LEAST_SEEN: f64 = 0.25;
/// Exposures with noise beside the photons', fraction of clipping (weights alone hang on it).
const DARK: f32 = 1e-3;
/// Means over 7 x 7 pixels below this share of the clip level are far from it, whatever their noise; single samples may come nearer.
const FAR: (f32, f32) = (0.85, 0.97);
/// Tiles less certain than this say nothing, pixels.
const CERTAIN: f64 = 0.15;
/// Tiles that must be seen, and those of each of two quarters of the frame at least (what a frame has clipped is not taken from it).
const ENOUGH: (usize, usize) = (12, 2);
/// Share of the tiles that must be where they were.
const AGREEING: f64 = 0.9;

/// The placements of a bracket of raw planes all of whose frames plainly lie where the reference does, to `within` pixels;
/// `None` where they do not, or where that cannot be told.
pub fn lying_still(bracket: &Bracket, within: f64) -> Option<Registration> {
    let placements = (0..bracket.frames.len()).map(|j| {
        if j == bracket.reference {
            return Some(Placement::still());
        }
        place(bracket, j, within)
    });
    Some(Registration {
        placements: placements.collect::<Option<_>>()?,
        findings: Vec::new(),
    })
}

fn place(bracket: &Bracket, frame: usize, within: f64) -> Option<Placement> {
    let views = [bracket.reference, frame].map(|j| View::new(bracket, j));
    let [Some(a), Some(b)] = views else {
        return None;
    };
    let (rows, columns, _) = a.pixels.dim();
    let wanted = SIDE + 2 * MARGIN;
    if a.pixels.dim() != b.pixels.dim() || rows < wanted || columns < wanted {
        return None;
    }
    let starts = |size: usize| {
        let cells = (size / wanted).min(CELLS);
        (0..cells).map(move |i| (size - wanted) * i / (cells - 1).max(1) + MARGIN)
    };
    let places: Vec<(usize, usize)> = starts(rows)
        .flat_map(|top| starts(columns).map(move |left| (top, left)))
        .collect();
    let tiles: Vec<TileResidual> = places
        .par_iter()
        .filter_map(|&place| tile(&a, &b, place))
        .filter(|t| t.standard_uncertainty < CERTAIN)
        .collect();
    still(&tiles, (rows, columns), within).then(|| {
        let squares = tiles.iter().map(|t| t.columns.powi(2) + t.rows.powi(2));
        let mean = squares.sum::<f64>() / tiles.len() as f64;
        Placement {
            standard_uncertainty: average(tiles.iter()).2,
            residual: Some(mean.sqrt()),
            tiles,
            ..Placement::still()
        }
    })
}

/// True if nearly all tiles are where they were, in at least two quarters of the frame, and no quarter is off as a whole.
fn still(tiles: &[TileResidual], (rows, columns): (usize, usize), within: f64) -> bool {
    let near =
        |t: &&TileResidual| t.columns.hypot(t.rows) <= within.max(3.5 * t.standard_uncertainty);
    let agree = tiles.iter().filter(near).count();
    if tiles.len() < ENOUGH.0 || (agree as f64) < AGREEING * tiles.len() as f64 {
        return false;
    }
    let half = (columns as f64 / 2.0, rows as f64 / 2.0);
    let quarters = [(false, false), (false, true), (true, false), (true, true)];
    let seen = quarters.map(|(right, lower)| {
        let mine = |t: &&TileResidual| (t.at.x > half.0) == right && (t.at.y > half.1) == lower;
        let mine = tiles.iter().filter(mine).filter(near);
        if mine.clone().count() < ENOUGH.1 {
            return None;
        }
        let (x, y, uncertainty) = average(mine);
        Some(x.hypot(y) <= within + 2.0 * uncertainty)
    });
    seen.iter().flatten().count() >= 2 && seen.iter().flatten().all(|still| *still)
}

/// Mean shift of tiles by inverse variance, a fiftieth of a pixel granted to each, and its standard uncertainty.
fn average<'t>(tiles: impl Iterator<Item = &'t TileResidual>) -> (f64, f64, f64) {
    let (mut x, mut y, mut total) = (0.0, 0.0, 0.0);
    for tile in tiles {
        let weight = 1.0 / (tile.standard_uncertainty.powi(2) + 4e-4);
        x += weight * tile.columns;
        y += weight * tile.rows;
        total += weight;
    }
    (x / total, y / total, 1.0 / total.sqrt())
}

/// Green of one frame's planes in light of the reference frame.
struct View<'a> {
    pixels: &'a Pixels,
    black: f32,
    /// Level beyond which samples may be clipped.
    clip: f32,
    per_level: f32,
}

impl<'a> View<'a> {
    fn new(bracket: &'a Bracket, frame: usize) -> Option<Self> {
        let raw = raw_of(bracket)?;
        let (black, white) = (raw.black.get(1)?, raw.white.get(1)?);
        let pixels = &bracket.frames[frame].picture.pixels;
        (raw.black.len() == 4 && pixels.channels() == 4).then(|| View {
            pixels,
            black: *black as f32,
            clip: *white as f32,
            per_level: (1.0 / ((white - black) * bracket.relative_exposure(frame))) as f32,
        })
    }

    /// Mean of the two greens over a rectangle, and where it is far from clipping.
    fn cut(&self, (top, left): (usize, usize), side: usize) -> (Array2<f32>, Array2<bool>) {
        let limit = |share: f32| (self.clip - self.black) * share;
        let level = |r: usize, c: usize, k| self.pixels.level(top + r, left + c, k);
        let green = Array2::from_shape_fn((side, side), |(r, c)| {
            0.5 * (level(r, c, 1) + level(r, c, 2)) - self.black
        });
        let means = box_means(&green);
        let mut far = means.mapv(|mean| mean < limit(FAR.0));
        for ((r, c), &v) in green.indexed_iter() {
            if v >= limit(FAR.1) {
                let near = ndarray::s![
                    r.saturating_sub(2)..(r + 3).min(side),
                    c.saturating_sub(2)..(c + 3).min(side)
                ];
                far.slice_mut(near).fill(false);
            }
        }
        (smooth(&green) * self.per_level, far)
    }
}

/// Means over 7 x 7 pixels, fewer at the border.
fn box_means(from: &Array2<f32>) -> Array2<f32> {
    let along = |from: &Array2<f32>| {
        let (rows, columns) = from.dim();
        Array2::from_shape_fn((columns, rows), |(c, r)| {
            let window = c.saturating_sub(3)..(c + 4).min(columns);
            let count = window.len() as f32;
            window.map(|k| from[[r, k]]).sum::<f32>() / count
        })
    };
    along(&along(from))
}

/// Smoothed by [1 2 1]/4 both ways; the border stays as it is.
fn smooth(from: &Array2<f32>) -> Array2<f32> {
    let along = |from: &Array2<f32>| {
        let (rows, columns) = from.dim();
        Array2::from_shape_fn((columns, rows), |(c, r)| {
            let (left, right) = (c.saturating_sub(1), (c + 1).min(columns - 1));
            0.25 * (from[[r, left]] + from[[r, right]]) + 0.5 * from[[r, c]]
        })
    };
    along(&along(from))
}

/// Where the tile at (top, left) lies in the frame; `None` where too little of it can be seen or it has no texture.
fn tile(a: &View, b: &View, (top, left): (usize, usize)) -> Option<TileResidual> {
    let side = SIDE + 2 * MARGIN;
    let corner = (top - MARGIN, left - MARGIN);
    let ((a, seen_a), (b, seen_b)) = (a.cut(corner, side), b.cut(corner, side));
    let (mut matrix, mut noise) = (Matrix4::zeros(), Matrix4::zeros());
    let (mut vector, mut squares, mut count) = (Vector4::zeros(), 0.0, 0.0);
    for (r, c) in (MARGIN..side - MARGIN).flat_map(|r| (MARGIN..side - MARGIN).map(move |c| (r, c)))
    {
        if !(seen_a[[r, c]] && seen_b[[r, c]]) {
            continue;
        }
        let slope = |v: &Array2<f32>| {
            let across = 0.5 * (v[[r, c + 1]] - v[[r, c - 1]]);
            let down = 0.5 * (v[[r + 1, c]] - v[[r - 1, c]]);
            [f64::from(across), f64::from(down)]
        };
        let (of_a, of_b) = (slope(&a), slope(&b));
        let (here, there) = (a[[r, c]], b[[r, c]]);
        let mean = 0.5 * (here + there);
        let weight = f64::from(1.0 / (mean.max(0.0) + DARK));
        let half = |k: usize, sign: f64| 0.5 * (of_a[k] + sign * of_b[k]);
        let row = Vector4::new(half(0, 1.0), half(1, 1.0), f64::from(mean), 1.0);
        let chance = Vector4::new(half(0, -1.0), half(1, -1.0), 0.0, 0.0);
        let difference = f64::from(here - there);
        matrix += weight * row * row.transpose();
        noise += weight * chance * chance.transpose();
        vector += weight * difference * row;
        squares += weight * difference * difference;
        count += 1.0;
    }
    if count < LEAST_SEEN * (SIDE * SIDE) as f64 {
        return None;
    }
    let inverse = (matrix - noise).try_inverse()?;
    let found = inverse * vector;
    let left_over = (squares - found.dot(&vector)).max(0.0) / (count - 4.0) / SMOOTHED;
    let variance = (inverse[(0, 0)] + inverse[(1, 1)]) / 2.0 * left_over;
    let certain = inverse[(0, 0)] > 0.0 && inverse[(1, 1)] > 0.0 && variance.is_finite();
    certain.then(|| TileResidual {
        at: Point {
            x: (left + SIDE / 2) as f64,
            y: (top + SIDE / 2) as f64,
        },
        columns: found[0],
        rows: found[1],
        standard_uncertainty: variance.sqrt(),
        used: true,
    })
}
