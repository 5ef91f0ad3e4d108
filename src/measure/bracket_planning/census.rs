//! Histogram of the pixels of a radiance map by distance from clipping and by radiance.
use stopspan_core::model::{RadianceMap, flag, main_channel};

/// Bins per stop; a multiple of 3, because cameras set exposures in thirds of a stop.
pub(super) const PER_STOP: i32 = 12;
/// Lowest and highest bin: 2^-28 and 2^14 of the radiance that clips the reference frame.
const LOWEST: i32 = -28 * PER_STOP;
const HIGHEST: i32 = 14 * PER_STOP;
const BINS: usize = (HIGHEST - LOWEST + 1) as usize;

/// Side of the blocks over which dark pixels are averaged, pixels.
const SIDE: usize = 4;
/// Largest number of pixels counted; a larger map is sampled by blocks.
const MOST: usize = 1_000_000;
/// SNR below which a pixel counts as dim: the mean of its block's dim pixels is used instead of its own radiance.
const DIM: f32 = 4.0;

/// Pixels of equal bins: `bright` is the bin of the channel nearest to clipping, `dark` that of the measuring channel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Cell {
    pub bright: i32,
    pub dark: i32,
    pub count: u32,
}

/// Counts of the pixels of a scene.
#[derive(Debug, Clone)]
pub(super) struct Census {
    /// Pixels of known radiance, by bin.
    pub cells: Vec<Cell>,
    /// Number of all pixels counted.
    pub pixels: usize,
    /// Number of pixels clipped in every frame.
    pub clipped: usize,
    /// Number of dim pixels whose block mean is below twice its uncertainty.
    pub lost: usize,
}

/// The bin of a radiance relative to clipping.
fn bin(radiance: f32) -> i32 {
    let place = radiance.max(1e-12).log2() * PER_STOP as f32;
    let towards_zero = place as i32;
    (towards_zero - i32::from(towards_zero as f32 > place)).clamp(LOWEST, HIGHEST)
}

/// log2 of radiance at the centre of a bin.
pub(super) fn centre(bin: i32) -> f64 {
    (f64::from(bin) + 0.5) / f64::from(PER_STOP)
}

/// Samples of a map in row order.
struct Samples<'a> {
    radiances: &'a [f32],
    deviations: &'a [f32],
    flags: &'a [u16],
    columns: usize,
    channels: usize,
}

impl Census {
    /// Counts the pixels of a map. `tops` is the radiance that clips the reference frame, by channel. Rows and columns at
    /// the end that do not fill a block are left out.
    pub fn take(map: &RadianceMap, tops: &[f64]) -> Census {
        let (rows, columns) = map.flags.dim();
        let (down, across) = (rows / SIDE, columns / SIDE);
        let skip = (down * across * SIDE * SIDE).div_ceil(MOST).max(1);
        let mut table = vec![0u32; BINS * BINS];
        let mut census = Census {
            cells: Vec::new(),
            pixels: 0,
            clipped: 0,
            lost: 0,
        };
        let (radiance, statistical) = (
            map.radiance.as_standard_layout(),
            map.statistical.as_standard_layout(),
        );
        let flags = map.flags.as_standard_layout();
        let samples = Samples {
            radiances: radiance.as_slice().unwrap_or_default(),
            deviations: statistical.as_slice().unwrap_or_default(),
            flags: flags.as_slice().unwrap_or_default(),
            columns,
            channels: map.radiance.dim().2,
        };
        for index in (0..down * across).step_by(skip) {
            let corner = index / across * SIDE * columns + index % across * SIDE;
            census.block(&samples, tops, corner, &mut table);
        }
        let filled = table.iter().enumerate().filter(|(_, count)| **count > 0);
        census.cells = filled
            .map(|(place, &count)| Cell {
                bright: (place / BINS) as i32 + LOWEST,
                dark: (place % BINS) as i32 + LOWEST,
                count,
            })
            .collect();
        census
    }

    fn block(&mut self, samples: &Samples, tops: &[f64], corner: usize, table: &mut [u32]) {
        let Samples {
            radiances,
            deviations,
            flags,
            columns,
            channels,
        } = *samples;
        let main = main_channel(channels);
        let row = |r: usize| (0..SIDE).map(move |c| corner + r * columns + c);
        let places = || (0..SIDE).flat_map(row);
        let seen = |at: &usize| flags[*at] & flag::CLIPPED_IN_ALL == 0;
        let own = |at: usize| {
            let main = at * channels + main;
            (radiances[main], deviations[main])
        };
        let is_dim = |(radiance, deviation): (f32, f32)| radiance < DIM * deviation;
        let dims = places().filter(seen).map(own).filter(|p| is_dim(*p));
        let (mut sum, mut squares, mut count) = (0.0f32, 0.0f32, 0.0f32);
        for (radiance, deviation) in dims {
            sum += radiance;
            squares += deviation * deviation;
            count += 1.0;
        }
        let (mean, uncertainty) = (sum / count.max(1.0), squares.sqrt() / count.max(1.0));
        for place in places() {
            self.pixels += 1;
            if !seen(&place) {
                self.clipped += 1;
                continue;
            }
            let pixel = own(place);
            let radiance = if is_dim(pixel) { mean } else { pixel.0 };
            if is_dim(pixel) && mean < 2.0 * uncertainty {
                self.lost += 1;
                continue;
            }
            let nearest = radiances[place * channels..][..channels]
                .iter()
                .enumerate()
                .map(|(k, radiance)| radiance / tops[k.min(tops.len() - 1)] as f32)
                .fold(0.0, f32::max);
            let bright = bin(nearest.max(radiance / tops[main.min(tops.len() - 1)] as f32));
            let cell = (bright - LOWEST) as usize * BINS + (bin(radiance) - LOWEST) as usize;
            table[cell] += 1;
        }
    }

    /// Number of pixels of known radiance.
    pub fn known(&self) -> f64 {
        self.cells.iter().map(|c| f64::from(c.count)).sum()
    }

    /// Counts by bin of the measuring channel: the lowest filled bin, and the counts from it upwards.
    pub fn by_radiance(&self) -> Option<(i32, Vec<f64>)> {
        let low = self.cells.iter().map(|c| c.dark).min()?;
        let high = self.cells.iter().map(|c| c.dark).max()?;
        let mut counts = vec![0.0; (high - low + 1) as usize];
        for cell in &self.cells {
            counts[(cell.dark - low) as usize] += f64::from(cell.count);
        }
        Some((low, counts))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array2, Array3};

    fn map(radiance: impl Fn(usize, usize) -> f32, deviation: f32) -> RadianceMap {
        let radiance = Array3::from_shape_fn((40, 40, 1), |(r, c, _)| radiance(r, c));
        RadianceMap {
            primaries: Default::default(),
            statistical: Array3::from_elem(radiance.dim(), deviation),
            systematic: Array3::zeros(radiance.dim()),
            flags: Array2::from_shape_fn(
                (40, 40),
                |(r, _)| {
                    if r < 4 { flag::CLIPPED_IN_ALL } else { 0 }
                },
            ),
            radiance,
        }
    }

    #[test]
    fn every_pixel_is_counted_once() {
        let census = Census::take(&map(|_, c| if c < 20 { 0.5 } else { 0.001 }, 0.01), &[1.0]);
        assert_eq!(census.pixels, 1600);
        assert_eq!(census.clipped, 160);
        // 0.001 +- 0.01, averaged over 16 pixels, lies below twice 0.0025.
        assert_eq!(census.lost, 36 * 20);
        assert_eq!(census.known(), 36.0 * 20.0);
        let cell = census.cells[0];
        assert_eq!((cell.bright, cell.dark, cell.count), (-12, -12, 720));
    }

    #[test]
    fn dim_pixels_are_counted_by_their_mean() {
        // A checkerboard of 0.02 and 0.06 with a deviation of 0.02 is dim throughout: all count as 0.04.
        let census = Census::take(
            &map(|r, c| if (r + c) % 2 == 0 { 0.02 } else { 0.06 }, 0.02),
            &[1.0],
        );
        assert_eq!(census.cells.iter().map(|c| c.dark).min(), Some(bin(0.04)));
        assert_eq!(census.cells.iter().map(|c| c.dark).max(), Some(bin(0.04)));
    }
}
