//! Flat patches: connected pixels whose local spread is no larger than noise at that luminance, with the shape of a
//! parallelogram.
use super::regions::{Region, connected};
use super::shrink::ReducedPicture;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::{Point, Work, dispatch_simd};

/// Smallest limit of the spread, stops.
const LEAST: f32 = 0.035;
/// Limit of the spread as a multiple of the quiet spread at that luminance.
const QUIET: f32 = 2.2;
/// Smallest size of a patch, pixels, and largest, as a share of the picture.
const FEWEST: usize = 12;
const LARGEST: f64 = 0.05;
/// Largest number of patches returned, the most regular first.
const MOST: usize = 3000;

/// A flat region: centre (pixels of the reduced picture, origin at the corner), second moments, log2 luminance.
#[derive(Debug, Clone, Copy)]
pub(super) struct Patch {
    pub centre: Point,
    /// Covariance xx, xy, yy of the pixels, enlarged by the rim that the 3 x 3 window removes.
    pub moments: [f64; 3],
    pub area: f64,
    pub log: f64,
}

/// Upper limit of the spread, stops, in three passes. The first separates steps that a noisy or textured luminance would
/// join; the last finds patches in the dark.
const MOST_SPREAD: [f32; 3] = [0.05, 0.11, 0.25];

/// Largest number of samples behind the quiet spread.
const SAMPLES: usize = 1_000_000;

/// All regions close to parallelograms, the most regular first.
pub(super) fn patches(small: &ReducedPicture) -> Vec<Patch> {
    let quiet = Quiet::of(small);
    let passes = quiet.first_passes(small);
    let mut found: Vec<(f64, Patch)> = Vec::new();
    for pass_number in 0..MOST_SPREAD.len() as u8 {
        let known: Vec<Patch> = found.iter().map(|f| f.1).collect();
        let index = super::seeds::Index::of(&known);
        let again = |p: &Patch| {
            index
                .near(p.centre, 1.5)
                .any(|i| (0.8..=1.25).contains(&(known[i].area / p.area)))
        };
        found.extend(
            pass(small, &passes, pass_number)
                .into_iter()
                .filter(|(_, p)| !again(p)),
        );
    }
    found.sort_by(|a, b| a.0.total_cmp(&b.0));
    found.truncate(MOST);
    found.into_iter().map(|(_, p)| p).collect()
}

/// Parallelograms among the connected regions that are flat in a pass, each with its deviation from a parallelogram.
fn pass(small: &ReducedPicture, first: &Array2<u8>, pass: u8) -> Vec<(f64, Patch)> {
    let largest = (small.log.len() as f64 * LARGEST) as usize;
    connected(&small.log, first, pass, FEWEST..=largest)
        .iter()
        .filter_map(Region::patch)
        .collect()
}

/// Spread of the quietest seventh of the pixels, by half-stop bin of luminance: the spread caused by noise alone.
struct Quiet {
    lowest: i32,
    limits: Vec<f32>,
}

impl Quiet {
    fn bin(log: f32) -> i32 {
        (log * 2.0).floor() as i32
    }

    fn of(small: &ReducedPicture) -> Self {
        let (low, high) = small.extremes();
        let (lowest, highest) = (Self::bin(low), Self::bin(high));
        let mut spreads = vec![Vec::new(); (highest - lowest).max(0) as usize + 1];
        // Every n-th pixel, n odd, so that the samples do not fall into the same columns.
        let stride = (small.log.len() / SAMPLES) | 1;
        for (v, s) in sampled(small, stride).into_iter().flatten() {
            spreads[(Self::bin(v) - lowest) as usize].push(s);
        }
        let limit = |spreads: &mut Vec<f32>| {
            if spreads.is_empty() {
                return LEAST;
            }
            let at = spreads.len() / 7;
            let (_, quiet, _) = spreads.select_nth_unstable_by(at, f32::total_cmp);
            (QUIET * *quiet).max(LEAST)
        };
        Quiet {
            lowest,
            limits: spreads.iter_mut().map(limit).collect(),
        }
    }

    /// Number of the first pass in which each pixel is flat, or the number of passes if in none. A pixel is flat if its
    /// spread is below the limit at its luminance and below that of the pass.
    fn first_passes(&self, small: &ReducedPicture) -> Array2<u8> {
        let columns = small.log.ncols();
        let mut passes = Array2::zeros(small.log.dim());
        let out = passes.as_slice_mut().unwrap_or_default();
        let logs = small.log.as_slice().unwrap_or_default();
        let rows = out.par_chunks_mut(columns).zip(logs.par_chunks(columns));
        let room = || vec![0.0; columns];
        rows.enumerate()
            .for_each_init(room, |spreads, (row, (passes, logs))| {
                small.spread_of_row(row, spreads);
                dispatch_simd(FirstPasses(self, logs, spreads, passes));
            });
        passes
    }
}

/// Quiet spread, log2 luminance and spread of some pixels, and the output for their first passes.
struct FirstPasses<'a>(&'a Quiet, &'a [f32], &'a [f32], &'a mut [u8]);

impl Work for FirstPasses<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        const LANES: usize = 64;
        let FirstPasses(quiet, logs, spreads, passes) = self;
        let (lowest, last) = (quiet.lowest as f32, quiet.limits.len() as i32 - 1);
        let pixels = logs.chunks(LANES).zip(spreads.chunks(LANES));
        for ((logs, spreads), passes) in pixels.zip(passes.chunks_mut(LANES)) {
            let (mut bins, mut limits) = ([0; LANES], [0.0; LANES]);
            for (bin, log) in bins.iter_mut().zip(logs) {
                // The lowest bin contains the smallest value, so truncation rounds no number upwards.
                *bin = ((log * 2.0 - lowest) as i32).clamp(0, last);
            }
            for (limit, bin) in limits.iter_mut().zip(bins) {
                *limit = quiet.limits[bin as usize];
            }
            for ((pass, spread), limit) in passes.iter_mut().zip(spreads).zip(limits) {
                let first = MOST_SPREAD.map(|most| u8::from(*spread >= most));
                let first = first[0] + first[1] + first[2];
                *pass = if *spread < limit {
                    first
                } else {
                    MOST_SPREAD.len() as u8
                };
            }
        }
    }
}

/// (log2 luminance, spread) of every `stride`-th pixel with a spread, row by row.
fn sampled(small: &ReducedPicture, stride: usize) -> Vec<Vec<(f32, f32)>> {
    let (rows, columns) = small.log.dim();
    let room = || vec![0.0; columns];
    let of_row = |spreads: &mut Vec<f32>, row: usize| {
        small.spread_of_row(row, spreads);
        let first = (row * columns).next_multiple_of(stride) - row * columns;
        let pixels = small.log.row(row);
        let seen = (first..columns).step_by(stride);
        let seen = seen.map(|c| (pixels[c], spreads[c]));
        seen.filter(|(_, spread)| *spread < f32::MAX).collect()
    };
    (0..rows).into_par_iter().map_init(room, of_row).collect()
}

impl Region {
    /// The patch and its deviation from a parallelogram. A parallelogram of area A has 12 sqrt(det) = A, whatever its shape
    /// (an ellipse has 12/(4 pi) of it).
    fn patch(&self) -> Option<(f64, Patch)> {
        let n = self.pixels as f64;
        let (x, y) = (self.x / n, self.y / n);
        // A pixel adds 1/12 to each second moment of the pixel centres.
        let xx = self.xx / n - x * x + 1.0 / 12.0;
        let yy = self.yy / n - y * y + 1.0 / 12.0;
        let xy = self.xy / n - x * y;
        let determinant = xx * yy - xy * xy;
        if determinant <= 0.0 {
            return None;
        }
        let filled = n / (12.0 * determinant.sqrt());
        if !(0.75..=1.06).contains(&filled) {
            return None;
        }
        let grown = grown([xx, xy, yy]);
        let area = 12.0 * (grown[0] * grown[2] - grown[1] * grown[1]).sqrt();
        let patch = Patch {
            centre: Point { x, y },
            moments: grown,
            area,
            log: self.log / n,
        };
        Some(((1.0 - filled).abs(), patch))
    }
}

/// Moments of the shape enlarged by a rim of one pixel: each principal side grows by two pixels.
fn grown([xx, xy, yy]: [f64; 3]) -> [f64; 3] {
    let half_trace = (xx + yy) / 2.0;
    let split = (((xx - yy) / 2.0).powi(2) + xy * xy).sqrt();
    let grow = |v: f64| {
        let side = (12.0 * v.max(0.0)).sqrt() + 2.0;
        side * side / 12.0
    };
    let (large, tiny) = (half_trace + split, half_trace - split);
    let (a, b) = (grow(large), grow(tiny));
    if split < 1e-9 {
        return [a, 0.0, b];
    }
    let (cos2, sin2) = ((xx - yy) / 2.0 / split, xy / split);
    let (mean, half) = ((a + b) / 2.0, (a - b) / 2.0);
    [mean + half * cos2, half * sin2, mean - half * cos2]
}

impl Patch {
    /// Length of the side along a unit direction, and the vector of the other side, of a parallelogram with one side in
    /// that direction: `12 covariance = p p' + q q'`.
    pub fn sides(&self, direction: (f64, f64)) -> Option<(f64, (f64, f64))> {
        let [a, b, c] = self.moments.map(|m| 12.0 * m);
        let determinant = a * c - b * b;
        let (x, y) = direction;
        let inverse = (c * x * x - 2.0 * b * x * y + a * y * y) / determinant;
        if !inverse.is_finite() || inverse <= 0.0 {
            return None;
        }
        let along = 1.0 / inverse.sqrt();
        let (pxx, pyy) = (along * along * x * x, along * along * y * y);
        let q = ((a - pxx).max(0.0).sqrt(), (c - pyy).max(0.0).sqrt());
        let cross = b - along * along * x * y;
        let q = if cross < 0.0 { (q.0, -q.1) } else { q };
        // Oriented to the right of the direction (down the page for a direction to the right).
        let right = x * q.1 - y * q.0 > 0.0;
        Some((along, if right { q } else { (-q.0, -q.1) }))
    }

    /// True if another patch has about the same size and shape.
    pub fn like(&self, other: &Patch) -> bool {
        let ratio = self.area / other.area;
        let [a, b, c] = self.moments;
        let [d, e, f] = other.moments;
        let shape =
            (a * f + c * d - 2.0 * b * e) / (2.0 * ((a * c - b * b) * (d * f - e * e)).sqrt());
        (0.55..=1.8).contains(&ratio) && shape < 1.25
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    /// The rule itself, pixel by pixel.
    fn first_pass(quiet: &Quiet, log: f32, spread: f32) -> u8 {
        let bin = (Quiet::bin(log) - quiet.lowest) as usize;
        let flat = spread < quiet.limits[bin];
        let first = MOST_SPREAD.iter().position(|&most| flat && spread < most);
        first.unwrap_or(MOST_SPREAD.len()) as u8
    }

    #[test]
    fn first_passes_are_those_of_pixel_by_pixel() {
        for (rows, columns) in [(90, 131), (3, 3), (2, 80), (70, 1)] {
            let light = Array2::from_shape_fn((rows, columns), |(r, c)| {
                let noise = ((r * 7919 + c * 104_729) % 101) as f32 / 101.0 - 0.5;
                // Tones a stop apart, the lighter the noisier, and all noisier downwards.
                let (tone, down) = ((c / 20) as f32, 1.0 + r as f32 / 90.0);
                (tone - 4.0).exp2() * (1.0 + 0.05 * (tone + 1.0) * down * noise)
            });
            let small = ReducedPicture::of(&light, 1);
            let quiet = Quiet::of(&small);
            let mut spreads = vec![0.0; columns];
            let mut seen = [0; 4];
            for (row, found) in quiet.first_passes(&small).outer_iter().enumerate() {
                small.spread_of_row(row, &mut spreads);
                for (column, &found) in found.iter().enumerate() {
                    let log = small.log[[row, column]];
                    assert_eq!(found, first_pass(&quiet, log, spreads[column]));
                    seen[usize::from(found)] += 1;
                }
            }
            assert!(rows < 90 || seen.iter().all(|n| *n > 0), "{seen:?}");
        }
    }
}
