//! A merge of the planes of a mosaic made into a full-colour map: demosaiced once, after merging, with its variances.
use super::map::{RadianceMap, flag};
use super::merger::Merger;
use super::planes::Planes;
use crate::raster::Mosaic;
use crate::raster::demosaic::{REACH, Sites, demosaic, demosaic_variance};
use ndarray::{Array2, Array3, Axis};
use rayon::prelude::*;
use std::ops::Range;

/// Rows of a full-colour map that are made at once.
const STRIP: usize = 64;

/// Gives any rows of a map: of a merger as it is, or of a merger of planes through demosaicing.
pub struct MapSource<'a> {
    merger: Merger<'a>,
    mosaic: Option<(Mosaic, f32)>,
}

impl<'a> MapSource<'a> {
    /// The map that a merger gives.
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

    /// Some rows of the map (a strip of the same width). Panics if the range leaves the picture.
    pub fn rows(&self, range: Range<usize>) -> RadianceMap {
        match self.mosaic {
            Some((mosaic, noise)) => rows(&self.merger, mosaic, range, noise),
            None => self.merger.rows(range),
        }
    }

    /// The same rows channel by channel.
    pub fn planes(&self, range: Range<usize>) -> Planes {
        match self.mosaic {
            Some(_) => Planes::of(&self.rows(range)),
            None => self.merger.planes(range),
        }
    }
}

/// Some rows of the full-colour map; `merger` merges the planes (as [`Mosaic::split`] orders them), which are half as wide and
/// high. `noise` is the standard deviation of the darkest merged samples, radiance.
///
/// The statistical uncertainty goes through the same filters as the radiance. Neighbouring pixels then share some of their
/// noise, so that means over a patch are as uncertain as the number of its photosites says, not that of its pixels.
fn rows(merger: &Merger, mosaic: Mosaic, rows: Range<usize>, noise: f32) -> RadianceMap {
    let (down, across, _) = merger.dim();
    // Whole cells around the rows, one more above and below for the flags.
    let first = rows.start.saturating_sub(REACH) / 2;
    let last = (rows.end + REACH).div_ceil(2).min(down);
    let planes = merger.rows(first..last);
    let columns = 2 * across;
    let (radiance, variance) = sites(&planes, mosaic);
    let sites = |samples| Sites {
        samples,
        columns,
        mosaic,
    };
    let within = rows.start - 2 * first..rows.end - 2 * first;
    let mut statistical = demosaic_variance(sites(&variance), within.clone());
    statistical.par_mapv_inplace(f32::sqrt);
    RadianceMap {
        radiance: demosaic(sites(&radiance), within.clone(), noise),
        statistical,
        systematic: Array3::from_shape_fn((within.len(), columns, 3), |(r, c, k)| {
            let cell = planes
                .systematic
                .slice(ndarray::s![(within.start + r) / 2, c / 2, ..]);
            match k {
                0 => cell[0],
                1 => 0.5 * (cell[1] + cell[2]),
                _ => cell[3],
            }
        }),
        flags: flags(&planes, within, columns),
        primaries: planes.primaries,
    }
}

/// Radiance and variance of every photosite, row by row.
fn sites(planes: &RadianceMap, mosaic: Mosaic) -> (Vec<f32>, Vec<f32>) {
    let (down, across, _) = planes.radiance.dim();
    let mut radiance = vec![0.0; 4 * down * across];
    let mut variance = vec![0.0; 4 * down * across];
    let order = mosaic.planes();
    let width = 2 * across;
    for row in 0..2 * down {
        let pair = &order[row % 2 * 2..][..2];
        for column in 0..across {
            for (k, &plane) in pair.iter().enumerate() {
                let at = row * width + 2 * column + k;
                radiance[at] = planes.radiance[[row / 2, column, plane]];
                variance[at] = planes.statistical[[row / 2, column, plane]].powi(2);
            }
        }
    }
    (radiance, variance)
}

/// Flags of the cell a pixel lies in. What is clipped in every frame is no more than a bound for all that the filters make of
/// it, so that flag reaches one cell further.
fn flags(planes: &RadianceMap, within: Range<usize>, columns: usize) -> Array2<u16> {
    let (down, across) = planes.flags.dim();
    Array2::from_shape_fn((within.len(), columns), |(r, c)| {
        let (row, column) = ((within.start + r) / 2, c / 2);
        let own = planes.flags[[row, column]];
        let around = (row.saturating_sub(1)..(row + 2).min(down)).any(|r| {
            (column.saturating_sub(1)..(column + 2).min(across))
                .any(|c| planes.flags[[r, c]] & flag::CLIPPED_IN_ALL != 0)
        });
        own | if around { flag::CLIPPED_IN_ALL } else { 0 }
    })
}
