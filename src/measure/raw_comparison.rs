//! The camera's processing seen through the raw files of the same shots: its true curve, and what it cut or left black.
//!
//! A raw file says what light fell on each place of the very frame that the camera then processed. Places of even light give
//! pairs of level and exposure without any need of exposure times; held against them is the response that was recovered from
//! the finished frames alone.
use rayon::prelude::*;
use std::ops::Range;
use std::path::PathBuf;
use stopspan_core::model::Clip;
use stopspan_core::model::{Bracket, LinearScale, main_channel};
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{CurveFromRaw, CurvePoint, RawComparison, RawPair};
use stopspan_core::statistics::robust::{median, median_deviation};

/// Side of the places compared, pixels of the finished frame: two blocks of JPEG.
const SIDE: usize = 16;
/// Light within a place is even if its quarters agree to this factor.
const EVEN: f64 = 1.25;
/// Levels of a curve, each of 256 / BINS 8-bit codes.
const BINS: usize = 64;
/// Places that a level of the curve needs.
const ENOUGH: usize = 12;
/// Codes (of 255) from either end at which a curve says nothing: compression and clipping.
const MARGIN: f64 = 4.0;
/// Raw and finished frames are the same framing if their sides differ by no more than this share.
const SAME_SIZE: f64 = 0.02;

/// Holds finished frames against the raw ones of the same shots, which are loaded and split into planes; `same_shot` names the
/// files of each. `None` where the two do not show the same framing or have another number of colours.
pub fn compare_with_raw(
    finished: &Bracket,
    response: &Response,
    (raw, clips, scales): (&Bracket, &[Clip], &[LinearScale]),
    same_shot: &[(PathBuf, PathBuf)],
) -> Option<RawComparison> {
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
        let places = places(&frame.picture.pixels, &twin.picture.pixels, &view)?;
        frames.push(pair((frame.name(), twin.name()), &places, &response.curves));
        for place in places.iter().filter(|p| p.even && !p.raw_clipped) {
            for (channel, samples) in samples.iter_mut().enumerate() {
                samples.push((place.level[channel], place.exposure[channel]));
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

/// How raw samples become light in the colours of the finished frames.
struct RawView<'a> {
    scales: &'a [LinearScale],
    clips: &'a [f64],
    to_finished: [[f64; 3]; 3],
}

/// One place of one shot in both files.
struct Place {
    /// Mean level of the finished frame by channel, fraction of full scale.
    level: [f64; 3],
    /// Mean exposure of the raw one in the same colours; 1 just clips raw green.
    exposure: [f64; 3],
    /// Standard deviation of single raw green samples, exposure.
    noise: f64,
    even: bool,
    raw_clipped: bool,
}

/// Every place of a shot; `None` where the framings differ.
fn places(finished: &Pixels, raw: &Pixels, view: &RawView) -> Option<Vec<Place>> {
    let planes = view.scales.len();
    let cell = if planes == 4 { 2 } else { 1 };
    let (rows, columns, _) = finished.dim();
    let (down, across, _) = raw.dim();
    // Raw pixels for each pixel of the finished frame, and the raw pixel under its first one: middles agree.
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
        let area = (cells(tall, top, down), cells(wide, left, across));
        let mut place = view.place(raw, area)?;
        for (channel, level) in place.level.iter_mut().enumerate() {
            let channel = channel.min(finished.channels() - 1);
            let all = (top..top + SIDE).flat_map(|r| (left..left + SIDE).map(move |c| (r, c)));
            let sum: f64 = all
                .map(|(r, c)| f64::from(finished.level(r, c, channel)))
                .sum();
            *level = sum / (SIDE * SIDE) as f64;
        }
        Some(place)
    });
    Some(found.collect())
}

impl RawView<'_> {
    /// The light of some cells of a raw frame; `None` for fewer than four rows and columns.
    fn place(&self, raw: &Pixels, (rows, columns): (Range<usize>, Range<usize>)) -> Option<Place> {
        if rows.len() < 4 || columns.len() < 4 {
            return None;
        }
        let middle = (
            rows.start + rows.len() / 2,
            columns.start + columns.len() / 2,
        );
        let mut seen = PlaceSums::default();
        for row in rows {
            let mut before = None;
            for column in columns.clone() {
                let quarter = usize::from(row >= middle.0) * 2 + usize::from(column >= middle.1);
                let green = self.cell(raw, (row, column), &mut seen);
                seen.quarters[quarter].add(green);
                if let Some(before) = before.replace(green) {
                    seen.squares.add((green - before).powi(2));
                }
            }
        }
        Some(self.place_of(&seen))
    }

    /// Adds the samples of a cell; gives the exposure of (the first) green, or of the only colour.
    fn cell(&self, raw: &Pixels, (row, column): (usize, usize), seen: &mut PlaceSums) -> f64 {
        let colours: &[usize] = match self.scales.len() {
            4 => &[0, 1, 1, 2],
            3 => &[0, 1, 2],
            _ => &[0],
        };
        let mut main = 0.0;
        for (plane, (scale, &colour)) in self.scales.iter().zip(colours).enumerate() {
            let level = f64::from(raw.level(row, column, plane));
            let exposure = (level - scale.black) * scale.per_level;
            seen.clipped |= level >= self.clips[plane];
            seen.colours[colour].add(exposure);
            if plane <= 1 {
                main = exposure;
            }
        }
        main
    }

    fn place_of(&self, seen: &PlaceSums) -> Place {
        let quarters = seen.quarters.map(|q| q.value());
        let high = quarters.iter().copied().fold(f64::MIN, f64::max);
        let low = quarters.iter().copied().fold(f64::MAX, f64::min);
        let own = seen.colours.map(|c| c.value());
        let exposure = if self.scales.len() == 1 {
            [own[0]; 3]
        } else {
            self.to_finished
                .map(|row| row.iter().zip(own).map(|(m, v)| m * v).sum())
        };
        Place {
            level: [0.0; 3],
            exposure,
            // Neighbours of even light differ by twice the variance of one.
            noise: (0.5 * seen.squares.value()).sqrt(),
            even: low > 0.0 && high < EVEN * low,
            raw_clipped: seen.clipped,
        }
    }
}

/// What the samples of a place add up to.
#[derive(Default)]
struct PlaceSums {
    colours: [Mean; 3],
    quarters: [Mean; 4],
    /// Squared differences of neighbours.
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

/// What one finished frame lost against the raw one.
fn pair((file, raw): (String, String), places: &[Place], curves: &[ResponseCurve]) -> RawPair {
    let main = main_channel(curves.len());
    let code = 1.5 / 255.0;
    let share = |lost: &dyn Fn(&&Place) -> bool| {
        places.iter().filter(lost).count() as f64 / places.len().max(1) as f64
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

/// The curve of one channel from (level, exposure) of places; `None` where too little was seen.
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

/// One point: places of a bin are brought to its middle level by the recovered curve's own slope, which is nearly right.
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
        // A median of normal samples scatters pi / 2 times as much as their mean.
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
