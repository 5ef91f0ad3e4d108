//! Comparison of finished frames with raw files of the same shots: the camera's true curve, and what it clipped or left
//! black.
//!
//! The raw file of a shot gives the exposure in every area of the finished frame. Evenly lit areas give pairs of level and
//! exposure without known exposure times. The response recovered from the finished frames alone is compared with these
//! pairs.
use rayon::prelude::*;
use std::ops::Range;
use std::path::PathBuf;
use stopspan_core::model::Clip;
use stopspan_core::model::{Bracket, LinearScale, main_channel};
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{CurveFromRaw, CurvePoint, RawComparison, RawPair};
use stopspan_core::statistics::robust::{median, median_deviation};

/// Side of the areas compared, pixels of the finished frame: two JPEG blocks.
const SIDE: usize = 16;
/// Largest ratio between the quarters of an evenly lit area.
const EVEN: f64 = 1.25;
/// Bins of a curve, each 256 / BINS 8-bit codes wide.
const BINS: usize = 64;
/// Smallest number of areas in a bin.
const ENOUGH: usize = 12;
/// Codes (of 255) at either end excluded from a curve, because of compression and clipping.
const MARGIN: f64 = 4.0;
/// Largest relative difference of the sides of raw and finished frames of the same framing.
const SAME_SIZE: f64 = 0.02;

/// A bracket of raw files, loaded and split into planes.
#[derive(Debug, Clone, Copy)]
pub struct RawBracket<'a> {
    /// The frames.
    pub bracket: &'a Bracket,
    /// Clip level of each plane.
    pub clips: &'a [Clip],
    /// Black level and scale of each plane.
    pub scales: &'a [LinearScale],
}

/// Compares finished frames with raw files of the same shots. `same_shot` pairs the paths of finished and raw files. `None`
/// where the two differ in framing or number of colours.
pub fn compare_with_raw(
    finished: &Bracket,
    response: &Response,
    raw: &RawBracket,
    same_shot: &[(PathBuf, PathBuf)],
) -> Option<RawComparison> {
    let RawBracket {
        bracket: raw,
        clips,
        scales,
    } = *raw;
    let clips: Vec<f64> = clips.iter().map(|c| c.clip_level).collect();
    let channels = response.curves.len();
    if (channels == 1) != (scales.len() == 1) {
        return None;
    }
    let to_finished = raw.primaries().to(&finished.primaries());
    let view = RawView {
        scales,
        clips: &clips,
        to_finished,
    };
    let mut frames = Vec::new();
    let mut samples = vec![Vec::new(); channels];
    for frame in &finished.frames {
        let file = same_shot.iter().find(|s| s.0 == frame.picture.file);
        let twin = file.and_then(|s| raw.frames.iter().find(|f| f.picture.file == s.1));
        let Some(twin) = twin else {
            continue;
        };
        let areas = areas(&frame.picture.pixels, &twin.picture.pixels, &view)?;
        frames.push(pair(frame.name(), twin.name(), &areas, &response.curves));
        for area in areas.iter().filter(|p| p.even && !p.raw_clipped) {
            for (channel, samples) in samples.iter_mut().enumerate() {
                samples.push((area.level[channel], area.exposure[channel]));
            }
        }
    }
    let curves = samples.iter().zip(&response.curves);
    let curves: Option<Vec<_>> = curves.map(|(s, curve)| through_raw(s, curve)).collect();
    (frames.len() >= 2).then(|| RawComparison {
        bracket: raw.name.clone(),
        frames,
        curves: curves.unwrap_or_default(),
    })
}

/// Conversion of raw samples to exposure in the primaries of the finished frames.
struct RawView<'a> {
    scales: &'a [LinearScale],
    clips: &'a [f64],
    to_finished: [[f64; 3]; 3],
}

/// One area of one shot in both files.
struct Area {
    /// Mean level in the finished frame by channel, fraction of full scale.
    level: [f64; 3],
    /// Mean exposure in the raw frame by channel, in the finished frame's primaries; 1 just clips raw green.
    exposure: [f64; 3],
    /// Standard deviation of single raw green samples, exposure.
    noise: f64,
    even: bool,
    raw_clipped: bool,
}

/// All areas of a shot; `None` where the framings differ.
fn areas(finished: &Pixels, raw: &Pixels, view: &RawView) -> Option<Vec<Area>> {
    let planes = view.scales.len();
    let cell = if planes == 4 { 2 } else { 1 };
    let (rows, columns, _) = finished.dim();
    let (down, across, _) = raw.dim();
    // Raw pixels per pixel of the finished frame, and the raw position of its first pixel; the centres coincide.
    let line = |own: usize, raw: usize| {
        let ratio = (raw * cell) as f64 / own as f64;
        let step = if (ratio - 1.0).abs() <= SAME_SIZE {
            1.0
        } else {
            ratio
        };
        (step, 0.5 * ((raw * cell) as f64 - step * own as f64))
    };
    let (wide, tall) = (line(columns, across), line(rows, down));
    if (wide.0 / tall.0 - 1.0).abs() > SAME_SIZE {
        return None;
    }
    let grid: Vec<(usize, usize)> = (0..rows / SIDE)
        .flat_map(|r| (0..columns / SIDE).map(move |c| (r * SIDE, c * SIDE)))
        .collect();
    let found = grid.par_iter().filter_map(|&(top, left)| {
        let cells = |(step, start): (f64, f64), at: usize, most: usize| {
            let low = ((start + step * at as f64) / cell as f64).ceil().max(0.0) as usize;
            let high = ((start + step * (at + SIDE) as f64) / cell as f64).floor() as usize;
            low..high.min(most)
        };
        let (rows, columns) = (cells(tall, top, down), cells(wide, left, across));
        let mut area = view.measure(raw, rows, columns)?;
        for (channel, level) in area.level.iter_mut().enumerate() {
            let channel = channel.min(finished.channels() - 1);
            let all = (top..top + SIDE).flat_map(|r| (left..left + SIDE).map(move |c| (r, c)));
            let sum: f64 = all
                .map(|(r, c)| f64::from(finished.level(r, c, channel)))
                .sum();
            *level = sum / (SIDE * SIDE) as f64;
        }
        Some(area)
    });
    Some(found.collect())
}

impl RawView<'_> {
    /// The light in an area of a raw frame, without the finished frame's levels; `None` for fewer than four rows or columns.
    fn measure(&self, raw: &Pixels, rows: Range<usize>, columns: Range<usize>) -> Option<Area> {
        if rows.len() < 4 || columns.len() < 4 {
            return None;
        }
        let middle = (
            rows.start + rows.len() / 2,
            columns.start + columns.len() / 2,
        );
        let mut sums = AreaSums::default();
        for row in rows {
            let mut before = None;
            for column in columns.clone() {
                let quarter = usize::from(row >= middle.0) * 2 + usize::from(column >= middle.1);
                let green = self.add_cell(raw, row, column, &mut sums);
                sums.quarters[quarter].add(green);
                if let Some(before) = before.replace(green) {
                    sums.squares.add((green - before).powi(2));
                }
            }
        }
        Some(self.area_of(&sums))
    }

    /// Adds the samples of a cell, and returns the exposure of (the first) green, or of the only colour.
    fn add_cell(&self, raw: &Pixels, row: usize, column: usize, sums: &mut AreaSums) -> f64 {
        let colours: &[usize] = match self.scales.len() {
            4 => &[0, 1, 1, 2],
            3 => &[0, 1, 2],
            _ => &[0],
        };
        let mut main = 0.0;
        for (plane, (scale, &colour)) in self.scales.iter().zip(colours).enumerate() {
            let level = f64::from(raw.level(row, column, plane));
            let exposure = (level - scale.black) * scale.per_level;
            sums.clipped |= level >= self.clips[plane];
            sums.colours[colour].add(exposure);
            if plane <= 1 {
                main = exposure;
            }
        }
        main
    }

    fn area_of(&self, sums: &AreaSums) -> Area {
        let quarters = sums.quarters.map(|q| q.value());
        let high = quarters.iter().copied().fold(f64::MIN, f64::max);
        let low = quarters.iter().copied().fold(f64::MAX, f64::min);
        let own = sums.colours.map(|c| c.value());
        let exposure = if self.scales.len() == 1 {
            [own[0]; 3]
        } else {
            self.to_finished
                .map(|row| row.iter().zip(own).map(|(m, v)| m * v).sum())
        };
        Area {
            level: [0.0; 3],
            exposure,
            // The difference of two neighbours has twice the variance of one.
            noise: (0.5 * sums.squares.value()).sqrt(),
            even: low > 0.0 && high < EVEN * low,
            raw_clipped: sums.clipped,
        }
    }
}

/// Sums over the samples of an area.
#[derive(Default)]
struct AreaSums {
    colours: [Mean; 3],
    quarters: [Mean; 4],
    /// Squared differences between neighbours.
    squares: Mean,
    clipped: bool,
}

#[derive(Default, Clone, Copy)]
struct Mean {
    sum: f64,
    count: f64,
}

impl Mean {
    fn add(&mut self, value: f64) {
        self.sum += value;
        self.count += 1.0;
    }

    fn value(&self) -> f64 {
        self.sum / self.count.max(1.0)
    }
}

/// Shares of the areas that are clipped or black in the finished frame alone.
fn pair(file: String, raw: String, areas: &[Area], curves: &[ResponseCurve]) -> RawPair {
    let main = main_channel(curves.len());
    let code = 1.5 / 255.0;
    let share = |lost: &dyn Fn(&&Area) -> bool| {
        areas.iter().filter(lost).count() as f64 / areas.len().max(1) as f64
    };
    let curve = &curves[main];
    RawPair {
        file,
        raw,
        clipped_alone: share(&|p| {
            !p.raw_clipped && p.level[main] >= curve.clip_level.min(1.0) - code
        }),
        black_alone: share(&|p| {
            p.level[main] <= curve.floor_level + code && p.exposure[main] > p.noise
        }),
    }
}

/// The curve of one channel from (level, exposure) of the areas; `None` where too few bins are filled.
fn through_raw(samples: &[(f64, f64)], curve: &ResponseCurve) -> Option<CurveFromRaw> {
    let low = (curve.floor_level + MARGIN / 255.0).max(curve.supported.0);
    let high = (curve.clip_level - MARGIN / 255.0).min(curve.supported.1);
    let mut bins: Vec<Vec<(f64, f64)>> = vec![Vec::new(); BINS];
    for &(level, exposure) in samples {
        if (low..=high).contains(&level) && exposure > 0.0 {
            bins[((level * BINS as f64) as usize).min(BINS - 1)].push((level, exposure.log2()));
        }
    }
    let points: Vec<CurvePoint> = bins
        .iter()
        .filter(|b| b.len() >= ENOUGH)
        .filter_map(|bin| point(bin, curve))
        .collect();
    if points.len() < BINS / 8 {
        return None;
    }
    Some(held_against(points))
}

/// One point: the areas of a bin are moved to its median level along the recovered curve, whose slope is nearly right.
fn point(bin: &[(f64, f64)], curve: &ResponseCurve) -> Option<CurvePoint> {
    let levels: Vec<f64> = bin.iter().map(|s| s.0).collect();
    let level = median(&levels)?;
    let recovered = curve.exposure_at(level).log2();
    let moved: Vec<f64> = bin
        .iter()
        .map(|(l, stops)| stops - curve.exposure_at(*l).log2() + recovered)
        .filter(|v| v.is_finite())
        .collect();
    if moved.len() < ENOUGH {
        return None;
    }
    Some(CurvePoint {
        level: 255.0 * level,
        stops: median(&moved)?,
        // The variance of a median of normal samples is pi / 2 times that of their mean.
        standard_uncertainty: median_deviation(&moved)?
            * (std::f64::consts::FRAC_PI_2 / moved.len() as f64).sqrt(),
        recovered,
        places: moved.len(),
    })
}

fn held_against(mut points: Vec<CurvePoint>) -> CurveFromRaw {
    let count = points.len() as f64;
    let mean = |of: &dyn Fn(&CurvePoint) -> f64| points.iter().map(of).sum::<f64>() / count;
    let (true_mean, offset) = (mean(&|p| p.stops), mean(&|p| p.recovered - p.stops));
    points.iter_mut().for_each(|p| p.recovered -= offset);
    let sum = |of: &dyn Fn(&CurvePoint) -> f64| points.iter().map(of).sum::<f64>();
    let square = sum(&|p| (p.stops - true_mean).powi(2));
    let product = sum(&|p| (p.stops - true_mean) * (p.recovered - true_mean));
    CurveFromRaw {
        rms_stops: (sum(&|p| (p.recovered - p.stops).powi(2)) / count).sqrt(),
        steepness: product / square.max(f64::MIN_POSITIVE),
        above_stops: -points.last().map_or(0.0, |p| p.stops),
        points,
    }
}
