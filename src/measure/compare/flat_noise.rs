//! Noise in flat cells, in stops of scene light: of the finished picture through its tone curve, of the merge, and of the
//! single frames. All figures are from original pixels, without resampling.
use super::cells::{Cells, SIDE};
use super::overlay::Overlay;
use super::pictures::Pictures;
use super::tiled::{Tile, median, median_difference};
use crate::levels::lightness;
use crate::oecf::srgb_to_linear;
use stopspan_core::model::{ResponseCurve, main_channel};
use stopspan_core::results::{Compared, Quantity};

/// Lightness bands of the finished picture.
const BANDS: [(Quantity, f64, f64); 3] = [
    (Quantity::NoiseDark, 15.0, 40.0),
    (Quantity::NoiseMiddle, 40.0, 65.0),
    (Quantity::NoiseLight, 65.0, 90.0),
];
/// Largest and smallest number of cells in a band.
const ENOUGH: usize = 600;
const FEWEST: usize = 20;

/// A single frame: its pixels and registration, response of the measuring channel, relative exposure.
#[derive(Debug, Clone, Copy)]
pub struct Single<'a> {
    /// File name.
    pub file: &'a str,
    /// Pixels and registration.
    pub overlay: Overlay<'a>,
    /// Response of the measuring channel.
    pub curve: &'a ResponseCurve,
    /// Exposure relative to the reference frame, > 0.
    pub relative_exposure: f64,
}

impl Single<'_> {
    /// Relative radiance at the clip level.
    pub fn top(&self) -> f64 {
        self.curve.exposure_at(self.curve.clip_level) / self.relative_exposure
    }

    /// Relative radiance of a level; `None` where it is clipped.
    pub fn radiance(&self, level: f32) -> Option<f64> {
        let level = f64::from(level);
        (level < self.curve.clip_level)
            .then(|| self.curve.exposure_at(level) / self.relative_exposure)
    }
}

/// Noise of one pixel in three bands of lightness.
pub fn compare(pictures: &Pictures) -> Vec<Compared> {
    let cells = pictures.cells;
    let band = |(quantity, low, high): (Quantity, f64, f64)| {
        let within = |i: &usize| {
            let cell = &cells.list[*i];
            let shown = lightness(srgb_to_linear(f64::from(cell.level[1])));
            // Texture must be below the merge's noise, because it would be counted as noise.
            cell.flat() && cell.texture < 0.5 * cell.noise + 0.004 && (low..high).contains(&shown)
        };
        let found: Vec<usize> = (0..cells.list.len()).filter(within).collect();
        let chosen: Vec<usize> = found
            .iter()
            .step_by(found.len().div_ceil(ENOUGH).max(1))
            .copied()
            .collect();
        (chosen.len() >= FEWEST)
            .then(|| compare_band(quantity, &chosen, pictures))
            .flatten()
    };
    BANDS.into_iter().filter_map(band).collect()
}

/// Noise of the chosen cells, those of one band of lightness.
fn compare_band(quantity: Quantity, chosen: &[usize], pictures: &Pictures) -> Option<Compared> {
    let Pictures {
        map,
        finished,
        curve,
        cells,
        singles,
    } = *pictures;
    let channel = main_channel(map.radiance.dim().2);
    let (down, across) = cells.tiles();
    let best = best(chosen, cells, singles);
    let mut tiles: Vec<Tile<3>> = vec![Vec::new(); down * across];
    for &index in chosen {
        let corner = cells.corner(index);
        let merge = deviation(corner, |r, c| {
            Some(f64::from(map.radiance[[r, c, channel]]))
        });
        let camera = deviation(corner, |r, c| finished.own_level(r, c).map(f64::from));
        let slope = curve.slope(cells.list[index].stops());
        let single =
            best.and_then(|s| deviation(corner, |r, c| s.radiance(s.overlay.own_level(r, c)?)));
        let (Some(merge), Some(camera)) = (merge, camera) else {
            continue;
        };
        if slope < 0.01 || merge.0 <= 0.0 {
            continue; // a flat part of the curve tells nothing of the scene
        }
        let stops = |(mean, deviation): (f64, f64)| deviation / mean * std::f64::consts::LOG2_E;
        tiles[cells.tile_of(index)].push([
            camera.1 / slope,
            stops(merge),
            single.map_or(f64::NAN, stops),
        ]);
    }
    let single = best.and_then(|_| median(&tiles, 2));
    Some(Compared {
        quantity,
        unit: "stops".to_owned(),
        camera_hdr: Some(median(&tiles, 0)?),
        merge: median(&tiles, 1),
        single,
        single_file: single.and(best.map(|s| s.file.to_owned())),
        against_merge: median_difference(&tiles, 0, 1),
        against_single: single.and_then(|_| median_difference(&tiles, 0, 2)),
    })
}

/// The frame with the most exposure that clips in none of the chosen cells.
pub fn best<'a, 'b>(
    chosen: &[usize],
    cells: &Cells,
    singles: &'b [Single<'a>],
) -> Option<&'b Single<'a>> {
    let whole = |s: &&Single| {
        let light = chosen.iter().map(|&i| f64::from(cells.list[i].radiance[1]));
        let top = light.fold(0.0, f64::max) * s.relative_exposure;
        top < 0.9 * s.curve.exposure_at(s.curve.clip_level)
    };
    singles
        .iter()
        .filter(whole)
        .max_by(|a, b| a.relative_exposure.total_cmp(&b.relative_exposure))
}

/// Mean of the pixels of a cell, and their standard deviation about the best-fitting plane.
fn deviation(
    (top, left): (usize, usize),
    value: impl Fn(usize, usize) -> Option<f64>,
) -> Option<(f64, f64)> {
    let middle = (SIDE as f64 - 1.0) / 2.0;
    let (mut sum, mut squares, mut x, mut y) = (0.0, 0.0, 0.0, 0.0);
    for r in 0..SIDE {
        for c in 0..SIDE {
            let v = value(top + r, left + c)?;
            sum += v;
            squares += v * v;
            x += v * (c as f64 - middle);
            y += v * (r as f64 - middle);
        }
    }
    let n = (SIDE * SIDE) as f64;
    // Sum of squared coordinates along either axis: n (SIDE^2 - 1) / 12.
    let spread = n * (n - 1.0) / 12.0;
    let left_over = squares - sum * sum / n - (x * x + y * y) / spread;
    Some((sum / n, (left_over.max(0.0) / (n - 3.0)).sqrt()))
}
