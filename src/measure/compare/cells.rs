//! Statistics of both pictures in cells of 8 x 8 pixels of the reference frame: means, texture, noise, in one pass over a
//! subsample.
use super::overlay::Overlay;
use super::tone_curve::Curve;
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, flag, main_channel};
use stopspan_core::raster::Region;

/// Side of a cell, pixels.
pub const SIDE: usize = 8;
/// Tiles along the longer side of the frame.
const TILES: usize = 12;
/// Level from which a finished 8-bit picture counts as clipped, fraction of full scale.
const CLIP: f32 = 254.0 / 255.0;
/// Number of pixels above which only every second one (both ways) is used.
const MANY: usize = 2_500_000;
/// Largest relative deviation of radiance beyond noise of a flat cell.
const FLAT: f32 = 0.12;

/// Statistics of one cell. Radiance is relative; levels are fractions of full scale.
#[derive(Debug, Clone, Copy, Default)]
pub struct Cell {
    /// Mean radiance of the merge, R, G, B.
    pub radiance: [f32; 3],
    /// Mean level of the finished picture, R, G, B.
    pub level: [f32; 3],
    /// Standard deviation of the finished picture's green level in the cell.
    pub level_deviation: f32,
    /// Relative standard deviation of the merge's green radiance beyond its noise.
    pub texture: f32,
    /// Relative standard uncertainty of one pixel of the merge from noise, green.
    pub noise: f32,
    /// Mean level predicted by the tone curve; 0 before [`Cells::predict`].
    pub predicted: f32,
    /// Number of samples.
    pub samples: u16,
    /// Number of samples at the clip level of the finished picture.
    pub clipped: u16,
    /// Number of samples at its black floor.
    pub crushed: u16,
    /// True if every sample lies inside both pictures and its radiance is known.
    pub usable: bool,
    /// True if something moved here between the frames.
    pub moved: bool,
}

impl Cell {
    /// log2 of the mean green radiance.
    pub fn stops(&self) -> f64 {
        f64::from(self.radiance[1]).log2()
    }

    /// True if the cell lies in both pictures, and at most 5 % of its samples are clipped.
    pub fn sound(&self) -> bool {
        self.usable && self.radiance[1] > 0.0 && 20 * self.clipped <= self.samples
    }

    /// True if sound, free of motion, and without texture that the curvature of the tone curve would affect.
    pub fn flat(&self) -> bool {
        self.sound() && !self.moved && self.texture < FLAT && self.noise < 4.0
    }
}

/// Cells in rows, and their grouping into tiles for maps and resampling.
#[derive(Debug, Clone)]
pub struct Cells {
    /// Rows of cells.
    pub rows: usize,
    /// Columns of cells.
    pub columns: usize,
    /// The cells, row by row.
    pub list: Vec<Cell>,
    /// Cells along the side of a tile.
    pub tile: usize,
    /// Distance between samples, pixels.
    pub step: usize,
}

impl Cells {
    /// Statistics of both pictures. Pixels at the right and bottom that do not fill a cell are left out.
    pub fn of(map: &RadianceMap, finished: &Overlay) -> Self {
        let (rows, columns, _) = map.radiance.dim();
        let step = if rows * columns > MANY { 2 } else { 1 };
        let (rows, columns) = (rows / SIDE, columns / SIDE);
        let list: Vec<Cell> = (0..rows)
            .into_par_iter()
            .flat_map_iter(|r| {
                (0..columns).map(move |c| measure(map, finished, r * SIDE, c * SIDE, step))
            })
            .collect();
        Cells {
            rows,
            columns,
            list,
            tile: rows.max(columns).div_ceil(TILES).max(2),
            step,
        }
    }

    /// Sets the mean level that the curve predicts for the samples of every cell.
    pub fn predict(&mut self, map: &RadianceMap, curve: &Curve) {
        let (across, step) = (self.columns, self.step);
        let channel = main_channel(map.radiance.dim().2);
        self.list.par_iter_mut().enumerate().for_each(|(i, cell)| {
            let (top, left) = (i / across * SIDE, i % across * SIDE);
            let (mut sum, mut count) = (0f32, 0f32);
            for row in (top..top + SIDE).step_by(step) {
                for column in (left..left + SIDE).step_by(step) {
                    sum += curve.level(map.radiance[[row, column, channel]]);
                    count += 1.0;
                }
            }
            cell.predicted = sum / count;
        });
    }

    /// Rows and columns of tiles.
    pub fn tiles(&self) -> (usize, usize) {
        (
            self.rows.div_ceil(self.tile),
            self.columns.div_ceil(self.tile),
        )
    }

    /// Index of the tile that contains cell `index`, row by row.
    pub fn tile_of(&self, index: usize) -> usize {
        let (row, column) = (index / self.columns, index % self.columns);
        row / self.tile * self.tiles().1 + column / self.tile
    }

    /// Region of a tile, pixels.
    pub fn tile_region(&self, tile: usize) -> Region {
        let across = self.tiles().1;
        let (top, left) = (tile / across * self.tile, tile % across * self.tile);
        Region {
            top: top * SIDE,
            left: left * SIDE,
            height: self.tile.min(self.rows - top) * SIDE,
            width: self.tile.min(self.columns - left) * SIDE,
        }
    }

    /// First row and column (pixels) of cell `index`.
    pub fn corner(&self, index: usize) -> (usize, usize) {
        (index / self.columns * SIDE, index % self.columns * SIDE)
    }
}

/// Statistics of the cell with the first row `top` and column `left`, pixels; [`Cell::default`] where it leaves a picture.
fn measure(map: &RadianceMap, finished: &Overlay, top: usize, left: usize, step: usize) -> Cell {
    let channels = map.radiance.dim().2;
    let channel = |k: usize| k.min(channels - 1);
    let mut cell = Cell {
        usable: true,
        ..Cell::default()
    };
    let (mut radiance, mut level) = ([0f64; 3], [0f64; 3]);
    let (mut squares, mut level_squares, mut variance) = (0f64, 0f64, 0f64);
    for row in (top..top + SIDE).step_by(step) {
        for column in (left..left + SIDE).step_by(step) {
            let Some(levels) = finished.levels(row, column) else {
                return Cell::default();
            };
            cell.usable &= map.flags[[row, column]] & flag::CLIPPED_IN_ALL == 0;
            cell.moved |= map.flags[[row, column]] & flag::MOVED != 0;
            for k in 0..3 {
                radiance[k] += f64::from(map.radiance[[row, column, channel(k)]]);
                level[k] += f64::from(levels[k]);
            }
            squares += f64::from(map.radiance[[row, column, channel(1)]]).powi(2);
            variance += f64::from(map.statistical[[row, column, channel(1)]]).powi(2);
            level_squares += f64::from(levels[1]).powi(2);
            cell.samples += 1;
            cell.clipped += u16::from(levels[1] >= CLIP);
            cell.crushed += u16::from(levels[1] <= 0.0);
        }
    }
    let n = f64::from(cell.samples);
    let mean = radiance[1] / n;
    let spread = |squares: f64, mean: f64| (squares / n - mean * mean).max(0.0) * n / (n - 1.0);
    cell.radiance = radiance.map(|v| (v / n) as f32);
    cell.level = level.map(|v| (v / n) as f32);
    cell.level_deviation = spread(level_squares, level[1] / n).sqrt() as f32;
    if mean > 0.0 {
        let noise = variance / n;
        cell.texture = ((spread(squares, mean) - noise).max(0.0).sqrt() / mean) as f32;
        cell.noise = (noise.sqrt() / mean) as f32;
    }
    cell
}
