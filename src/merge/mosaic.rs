//! Full-colour maps of merged mosaic planes: demosaiced once, after merging, together with their variances.
use super::merger::Merger;
use ndarray::{Array3, Axis};
use rayon::prelude::*;
use std::ops::Range;
use stopspan_core::model::{Bracket, Noise, Planes, RadianceMap, Recovered, Samples, flag};
use stopspan_core::raster::Mosaic;
use stopspan_core::raster::demosaic::{REACH, Sites, demosaic, demosaic_variance};

/// Rows of a full-colour map computed together.
const STRIP: usize = 64;

/// Computes any rows of a map, from a merger of full-colour frames or from one of mosaic planes.
pub struct MapSource<'a> {
    merger: Merger<'a>,
    /// Pattern of the mosaic, and standard deviation of the darkest merged samples, radiance.
    mosaic: Option<(Mosaic, f32)>,
}

impl<'a> MapSource<'a> {
    /// The map of a bracket whose response and noise are known: of full-colour frames, or of the planes of mosaics.
    pub fn of(recovered: &'a Recovered) -> Self {
        let merger = Merger::of(recovered);
        match recovered.samples {
            Samples::Pictures => MapSource::plain(merger),
            Samples::Planes(mosaic) => {
                let noise = dark_deviation(&recovered.bracket, &recovered.noise);
                MapSource::of_planes(merger, mosaic, noise)
            }
        }
    }

    /// The map of a merger of full-colour frames.
    pub fn plain(merger: Merger<'a>) -> Self {
        MapSource {
            merger,
            mosaic: None,
        }
    }

    /// The full-colour map of merged planes. `noise` is the standard deviation of the darkest merged samples, radiance.
    pub fn of_planes(merger: Merger<'a>, mosaic: Mosaic, noise: f32) -> Self {
        MapSource {
            merger,
            mosaic: Some((mosaic, noise)),
        }
    }

    /// Rows, columns, channels of the map.
    pub fn dim(&self) -> (usize, usize, usize) {
        let (rows, columns, channels) = self.merger.dim();
        match self.mosaic {
            Some(_) => (2 * rows, 2 * columns, 3),
            None => (rows, columns, channels),
        }
    }

    /// The whole map.
    pub fn whole(&self) -> RadianceMap {
        let height = self.dim().0;
        if self.mosaic.is_none() || height <= STRIP {
            return self.rows(0..height);
        }
        let starts: Vec<usize> = (0..height).step_by(STRIP).collect();
        let strips = starts
            .par_iter()
            .map(|&at| self.rows(at..(at + STRIP).min(height)));
        let strips: Vec<RadianceMap> = strips.collect();
        let joined = |pick: fn(&RadianceMap) -> &Array3<f32>| {
            let views: Vec<_> = strips.iter().map(|s| pick(s).view()).collect();
            ndarray::concatenate(Axis(0), &views).unwrap_or_default()
        };
        let flags: Vec<_> = strips.iter().map(|s| s.flags.view()).collect();
        RadianceMap {
            radiance: joined(|s| &s.radiance),
            statistical: joined(|s| &s.statistical),
            systematic: joined(|s| &s.systematic),
            flags: ndarray::concatenate(Axis(0), &flags).unwrap_or_default(),
            primaries: strips.first().map(|s| s.primaries).unwrap_or_default(),
        }
    }

    /// Some rows of the map, at full width.
    ///
    /// # Panics
    /// If the range exceeds the rows of the map.
    pub fn rows(&self, range: Range<usize>) -> RadianceMap {
        match self.mosaic {
            Some(_) => self.planes(range).map(),
            None => self.merger.rows(range),
        }
    }

    /// The same rows channel by channel.
    pub fn planes(&self, range: Range<usize>) -> Planes {
        match self.mosaic {
            Some((mosaic, noise)) => full_colour(&self.merger, mosaic, range, noise),
            None => self.merger.planes(range),
        }
    }
}

/// Standard deviation of the darkest merged samples of green, that of the longest exposure, relative radiance.
fn dark_deviation(bracket: &Bracket, noise: &Noise) -> f32 {
    let longest = (0..bracket.frames.len())
        .map(|j| bracket.relative_exposure(j))
        .fold(0.0, f64::max);
    let read = noise.channels.get(1).map_or(0.0, |n| n.read_variance);
    (read.sqrt() / longest.max(f64::MIN_POSITIVE)) as f32
}

/// Some rows of the full-colour map. `merger` merges the planes, in the order of [`Mosaic::split`], each half as wide and
/// high. `noise` is the standard deviation of the darkest merged samples, radiance.
///
/// The statistical uncertainty passes through the same filters as the radiance. Neighbouring pixels then share noise, so the
/// uncertainty of a mean over a patch follows from its number of photosites, not of pixels.
fn full_colour(merger: &Merger, mosaic: Mosaic, rows: Range<usize>, noise: f32) -> Planes {
    let (down, across, _) = merger.dim();
    // Whole cells within reach of the filters, for the flags one more above and below.
    let first = rows.start.saturating_sub(REACH) / 2;
    let last = (rows.end + REACH).div_ceil(2).min(down);
    let mut merged = merger.planes(first..last);
    let within = rows.start - 2 * first..rows.end - 2 * first;
    merged
        .statistical
        .iter_mut()
        .flatten()
        .for_each(|s| *s *= *s);
    let sites = |planes| sites(planes, across, mosaic);
    let radiance = demosaic(sites(&merged.radiance), within.clone(), noise);
    let mut statistical = demosaic_variance(sites(&merged.statistical), within.clone());
    statistical.iter_mut().flatten().for_each(|v| *v = v.sqrt());
    Planes {
        columns: 2 * across,
        radiance: radiance.into(),
        statistical: statistical.into(),
        systematic: systematic(&merged.systematic, within.clone(), across),
        flags: flags(&merged.flags, within, across),
        primaries: merged.primaries,
    }
}

/// Planes of a mosaic, `across` samples wide.
fn sites(planes: &[Vec<f32>], across: usize, mosaic: Mosaic) -> Sites<'_> {
    Sites {
        planes: std::array::from_fn(|k| planes.get(k).map_or(&[][..], Vec::as_slice)),
        across,
        mosaic,
    }
}

/// Systematic uncertainties of red, green and blue: those of the cell that a pixel belongs to.
fn systematic(planes: &[Vec<f32>], within: Range<usize>, across: usize) -> Vec<Vec<f32>> {
    let [red, one, other, blue] = planes else {
        return Vec::new();
    };
    let green: Vec<f32> = one.iter().zip(other).map(|(a, b)| 0.5 * (a + b)).collect();
    let colours = [red, &green, blue];
    let wide = colours.map(|plane| doubled(plane, within.clone(), across));
    wide.into()
}

/// Repeats every cell in two columns and two rows; `within` is a range of output rows.
fn doubled<T: Copy + Default>(cells: &[T], within: Range<usize>, across: usize) -> Vec<T> {
    let mut out = vec![T::default(); within.len() * 2 * across];
    let lines = out.chunks_exact_mut(2 * across.max(1));
    for (line, row) in lines.zip(within) {
        let from = &cells[row / 2 * across..][..across];
        for (pair, &value) in line.as_chunks_mut::<2>().0.iter_mut().zip(from) {
            *pair = [value; 2];
        }
    }
    out
}

/// Flags of the cell that a pixel belongs to. [`flag::CLIPPED_IN_ALL`] extends by one cell: a radiance that the filters
/// compute from a bound is itself only a bound.
fn flags(cells: &[u16], within: Range<usize>, across: usize) -> Vec<u16> {
    let mut reached = cells.to_vec();
    if cells.iter().any(|f| f & flag::CLIPPED_IN_ALL != 0) {
        let rows = cells.len() / across.max(1);
        for (i, _) in cells
            .iter()
            .enumerate()
            .filter(|(_, f)| **f & flag::CLIPPED_IN_ALL != 0)
        {
            let (row, column) = (i / across, i % across);
            for r in row.saturating_sub(1)..(row + 2).min(rows) {
                for c in column.saturating_sub(1)..(column + 2).min(across) {
                    reached[r * across + c] |= flag::CLIPPED_IN_ALL;
                }
            }
        }
    }
    doubled(&reached, within, across)
}
