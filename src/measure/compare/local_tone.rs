//! Residuals of the tone curve over the frame: where one curve describes the picture and where it does not.
use super::cells::{Cell, Cells};
use super::tone_curve::Curve;
use stopspan_core::results::{Interval, ToneCurve, ToneKind, ToneTile};
use stopspan_core::statistics::bootstrap::{Resampling, replicates};
use stopspan_core::statistics::robust::median;

/// Residual (level, 0..=1: five codes of 255) above which a cell departs from the curve, if also above three times its
/// noise. Ours, without a source.
const LEAVES: f64 = 0.02;
/// Share of departing cells from which the tone mapping is called local. Ours, without a source.
const LOCAL: f64 = 0.05;
/// Number of cells kept for drawing.
const CLOUD: usize = 500;
const HOW: Resampling = Resampling {
    resamples: 200,
    seed: 21,
};

/// Sums over the flat cells of one tile.
#[derive(Debug, Clone, Default)]
struct Sums {
    cells: f64,
    squares: f64,
    noise: f64,
    off: f64,
    residuals: Vec<f64>,
}

/// The curve with its residuals over the frame.
pub fn assess(cells: &Cells, curve: &Curve) -> ToneCurve {
    let (down, across) = cells.tiles();
    let mut sums = vec![Sums::default(); down * across];
    let (low, high) = curve.ends();
    let mut flat = Vec::new();
    for (index, cell) in cells.list.iter().enumerate() {
        if !cell.flat() || !(low..=high).contains(&cell.stops()) {
            continue;
        }
        flat.push(index);
        let residual = f64::from(cell.level[1]) - curve.at(cell.stops());
        let noise = noise(cell, curve);
        let tile = &mut sums[cells.tile_of(index)];
        tile.cells += 1.0;
        tile.squares += residual * residual;
        tile.noise += noise * noise;
        tile.off += f64::from(u8::from(residual.abs() > LEAVES.max(3.0 * noise)));
        tile.residuals.push(residual);
    }
    let seen: Vec<&Sums> = sums.iter().filter(|s| s.cells > 0.0).collect();
    let of = |statistic: fn(&[&Sums]) -> Option<f64>| {
        let value = statistic(&seen).unwrap_or(0.0);
        let drawn = replicates(&seen, HOW, |d| {
            statistic(&d.iter().map(|s| **s).collect::<Vec<_>>())
        });
        Interval::of_replicates(value, &drawn)
    };
    let off_curve = of(off);
    ToneCurve {
        knots: curve.knots.clone(),
        cloud: cloud(cells, &flat),
        cells: flat.len(),
        kind: if off_curve.value < LOCAL {
            ToneKind::Global
        } else {
            ToneKind::Local
        },
        residual: of(beyond_noise),
        off_curve,
        tiles: tiles(cells, &sums),
    }
}

/// Standard uncertainty of a cell's residual, level: from the spread of its pixels, and from the merge's noise through the
/// slope of the curve. One in four samples counts as independent, because compression and noise reduction correlate
/// neighbours (ours, without a source).
pub fn noise(cell: &Cell, curve: &Curve) -> f64 {
    let independent = f64::from(cell.samples) / 4.0;
    let merge = f64::from(cell.noise) * std::f64::consts::LOG2_E * curve.slope(cell.stops());
    (f64::from(cell.level_deviation).powi(2) / independent
        + merge * merge / f64::from(cell.samples))
    .sqrt()
}

fn off(tiles: &[&Sums]) -> Option<f64> {
    let (off, cells) = tiles
        .iter()
        .fold((0.0, 0.0), |(o, c), t| (o + t.off, c + t.cells));
    (cells > 0.0).then(|| off / cells)
}

fn beyond_noise(tiles: &[&Sums]) -> Option<f64> {
    let (squares, cells) = tiles.iter().fold((0.0, 0.0), |(s, c), t| {
        (s + t.squares - t.noise, c + t.cells)
    });
    (cells > 0.0).then(|| (squares / cells).max(0.0).sqrt())
}

fn tiles(cells: &Cells, sums: &[Sums]) -> Vec<ToneTile> {
    let tile = |(index, sums): (usize, &Sums)| {
        Some(ToneTile {
            region: cells.tile_region(index),
            cells: sums.cells as usize,
            offset: median(&sums.residuals)?,
            residual: beyond_noise(&[sums])?,
            off_curve: off(&[sums])?,
        })
    };
    sums.iter().enumerate().filter_map(tile).collect()
}

/// Flat cells for drawing, evenly distributed over radiance: equally many from every stop, as far as available.
fn cloud(cells: &Cells, flat: &[usize]) -> Vec<[f64; 2]> {
    let mut places: Vec<(f64, f64)> = flat
        .iter()
        .map(|&i| (cells.list[i].stops(), f64::from(cells.list[i].level[1])))
        .collect();
    places.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
    let bins: Vec<&[(f64, f64)]> = places
        .chunk_by(|a, b| (a.0 * 2.0).floor() == (b.0 * 2.0).floor())
        .collect();
    let each = (CLOUD / bins.len().max(1)).max(1);
    bins.iter()
        .flat_map(|bin| bin.iter().step_by(bin.len().div_ceil(each).max(1)))
        .map(|p| [round(p.0), round(p.1)])
        .collect()
}

/// Rounded to four decimals, finer than any figure shows.
fn round(value: f64) -> f64 {
    (value * 1e4).round() / 1e4
}
