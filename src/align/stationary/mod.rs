//! Test whether raw frames are displaced: shift of tiles by one linear fit in radiance, without a response curve.
//!
//! Linear frames differ by a factor and an offset. For small displacements, the shift d of a tile therefore solves
//! `a - b = g d + q m + o`, with the reference frame a, the frame b divided by its relative exposure, their mean m and its gradient g
//! (Lucas and Kanade 1981). Noise adds as much to the squared gradients g as it does to the squares of half the difference of the two
//! frames' gradients. That is subtracted; without it, tiles that contain only noise would appear stationary.
#[cfg(test)]
mod tests;

use super::tile_sums::SMOOTHED;
use nalgebra::{Matrix4, Vector4};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{Bracket, raw_of};
use stopspan_core::model::{Placement, Registration, TileResidual};
use stopspan_core::raster::{Pixels, Point};

/// Side of a tile, pixels of a colour plane.
const SIDE: usize = 48;
/// Margin around a tile for smoothing and the mask, pixels.
const MARGIN: usize = 4;
/// Maximum number of tiles along each axis.
const CELLS: usize = 12;
/// Minimum share, 0..=1, of usable pixels in a tile.
const MIN_USABLE_SHARE: f64 = 0.25;
/// Exposure, relative to clipping of the reference frame, at which read noise is taken to equal photon noise. Affects weights only.
const READ_NOISE_LEVEL: f32 = 1e-3;
/// Upper limit of the mean over 7 x 7 pixels for unclipped pixels, as a share of the clip level.
const MAX_MEAN: f32 = 0.85;
/// Upper limit of single samples for unclipped pixels, as a share of the clip level.
const MAX_SAMPLE: f32 = 0.97;
/// Standard uncertainty from which tiles are ignored, pixels.
const MAX_UNCERTAINTY: f64 = 0.15;
/// Minimum number of usable tiles in the frame.
const MIN_TILES: usize = 12;
/// Minimum number of stationary tiles in each of two quadrants. Not in all four, because a frame may be clipped in some.
const MIN_TILES_OF_QUADRANT: usize = 2;
/// Minimum share, 0..=1, of stationary tiles.
const MIN_STATIONARY_SHARE: f64 = 0.9;

/// Registers a bracket of raw colour planes whose frames all coincide with the reference frame to `tolerance` pixels of a plane: every
/// transform is the identity. `None` if a frame is displaced, or if there are too few usable tiles to tell.
pub fn register_stationary(bracket: &Bracket, tolerance: f64) -> Option<Registration> {
    let placements = (0..bracket.frames.len()).map(|j| {
        if j == bracket.reference {
            return Some(Placement::still());
        }
        stationary_placement(bracket, j, tolerance)
    });
    Some(Registration {
        placements: placements.collect::<Option<_>>()?,
        findings: Vec::new(),
    })
}

/// Placement of one frame if it is stationary.
fn stationary_placement(bracket: &Bracket, frame: usize, tolerance: f64) -> Option<Placement> {
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
    let corners: Vec<(usize, usize)> = starts(rows)
        .flat_map(|top| starts(columns).map(move |left| (top, left)))
        .collect();
    let tiles: Vec<TileResidual> = corners
        .par_iter()
        .filter_map(|&corner| tile_shift(&a, &b, corner))
        .filter(|t| t.standard_uncertainty < MAX_UNCERTAINTY)
        .collect();
    is_stationary(&tiles, (rows, columns), tolerance).then(|| {
        let squares = tiles.iter().map(|t| t.columns.powi(2) + t.rows.powi(2));
        let mean = squares.sum::<f64>() / tiles.len() as f64;
        Placement {
            standard_uncertainty: mean_shift(tiles.iter()).standard_uncertainty,
            residual: Some(mean.sqrt()),
            tiles,
            ..Placement::still()
        }
    })
}

/// True if at least [`MIN_STATIONARY_SHARE`] of the tiles are stationary, at least two quadrants of the frame have enough of these, and
/// their mean shift exceeds `tolerance` (pixels) significantly in no quadrant.
fn is_stationary(tiles: &[TileResidual], (rows, columns): (usize, usize), tolerance: f64) -> bool {
    let near =
        |t: &&TileResidual| t.columns.hypot(t.rows) <= tolerance.max(3.5 * t.standard_uncertainty);
    let agree = tiles.iter().filter(near).count();
    if tiles.len() < MIN_TILES || (agree as f64) < MIN_STATIONARY_SHARE * tiles.len() as f64 {
        return false;
    }
    let half = (columns as f64 / 2.0, rows as f64 / 2.0);
    let quadrants = [(false, false), (false, true), (true, false), (true, true)];
    let verdicts = quadrants.map(|(right, lower)| {
        let mine = |t: &&TileResidual| (t.at.x > half.0) == right && (t.at.y > half.1) == lower;
        let mine = tiles.iter().filter(mine).filter(near);
        if mine.clone().count() < MIN_TILES_OF_QUADRANT {
            return None;
        }
        let mean = mean_shift(mine);
        Some(mean.columns.hypot(mean.rows) <= tolerance + 2.0 * mean.standard_uncertainty)
    });
    verdicts.iter().flatten().count() >= 2 && verdicts.iter().flatten().all(|still| *still)
}

/// Mean shift of several tiles, pixels.
struct MeanShift {
    columns: f64,
    rows: f64,
    standard_uncertainty: f64,
}

/// Mean shift weighted by inverse variance, with 0.02 pixel added in quadrature to the standard uncertainty of each tile.
fn mean_shift<'t>(tiles: impl Iterator<Item = &'t TileResidual>) -> MeanShift {
    let (mut x, mut y, mut total) = (0.0, 0.0, 0.0);
    for tile in tiles {
        let weight = 1.0 / (tile.standard_uncertainty.powi(2) + 4e-4);
        x += weight * tile.columns;
        y += weight * tile.rows;
        total += weight;
    }
    MeanShift {
        columns: x / total,
        rows: y / total,
        standard_uncertainty: 1.0 / total.sqrt(),
    }
}

/// The green planes of one frame, with their conversion to exposures of the reference frame.
struct View<'a> {
    pixels: &'a Pixels,
    /// Black level.
    black: f32,
    /// Clip level.
    clip: f32,
    /// Exposure, relative to clipping of the reference frame, per level above black.
    per_level: f32,
}

impl<'a> View<'a> {
    /// `None` unless the bracket has four planes with their raw levels.
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

    /// Smoothed mean of the two green planes over a square, as relative exposure, and a mask of pixels certainly unclipped.
    fn cut(&self, (top, left): (usize, usize), side: usize) -> (Array2<f32>, Array2<bool>) {
        let limit = |share: f32| (self.clip - self.black) * share;
        let level = |r: usize, c: usize, k| self.pixels.level(top + r, left + c, k);
        let green = Array2::from_shape_fn((side, side), |(r, c)| {
            0.5 * (level(r, c, 1) + level(r, c, 2)) - self.black
        });
        let means = box_means(&green);
        let mut unclipped = means.mapv(|mean| mean < limit(MAX_MEAN));
        for ((r, c), &v) in green.indexed_iter() {
            if v >= limit(MAX_SAMPLE) {
                let near = ndarray::s![
                    r.saturating_sub(2)..(r + 3).min(side),
                    c.saturating_sub(2)..(c + 3).min(side)
                ];
                unclipped.slice_mut(near).fill(false);
            }
        }
        (smooth(&green) * self.per_level, unclipped)
    }
}

/// Means over 7 x 7 pixels, over fewer at the border.
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

/// Smooths by [1 2 1]/4 along both axes; border samples are repeated beyond the border.
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

/// Shift of frame `b` against the reference frame `a` in the tile at (top, left), with its uncertainty. `None` if the tile has too few
/// usable pixels or too little texture.
fn tile_shift(a: &View, b: &View, (top, left): (usize, usize)) -> Option<TileResidual> {
    let side = SIDE + 2 * MARGIN;
    let corner = (top - MARGIN, left - MARGIN);
    let ((a, usable_a), (b, usable_b)) = (a.cut(corner, side), b.cut(corner, side));
    let (mut matrix, mut noise) = (Matrix4::zeros(), Matrix4::zeros());
    let (mut vector, mut squares, mut count) = (Vector4::zeros(), 0.0, 0.0);
    for (r, c) in (MARGIN..side - MARGIN).flat_map(|r| (MARGIN..side - MARGIN).map(move |c| (r, c)))
    {
        if !(usable_a[[r, c]] && usable_b[[r, c]]) {
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
        let weight = f64::from(1.0 / (mean.max(0.0) + READ_NOISE_LEVEL));
        let half = |k: usize, sign: f64| 0.5 * (of_a[k] + sign * of_b[k]);
        let row = Vector4::new(half(0, 1.0), half(1, 1.0), f64::from(mean), 1.0);
        let difference_row = Vector4::new(half(0, -1.0), half(1, -1.0), 0.0, 0.0);
        let difference = f64::from(here - there);
        matrix += weight * row * row.transpose();
        noise += weight * difference_row * difference_row.transpose();
        vector += weight * difference * row;
        squares += weight * difference * difference;
        count += 1.0;
    }
    if count < MIN_USABLE_SHARE * (SIDE * SIDE) as f64 {
        return None;
    }
    let inverse = (matrix - noise).try_inverse()?;
    let found = inverse * vector;
    let residual_variance = (squares - found.dot(&vector)).max(0.0) / (count - 4.0) / SMOOTHED;
    let variance = (inverse[(0, 0)] + inverse[(1, 1)]) / 2.0 * residual_variance;
    let determined = inverse[(0, 0)] > 0.0 && inverse[(1, 1)] > 0.0 && variance.is_finite();
    determined.then(|| TileResidual {
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
