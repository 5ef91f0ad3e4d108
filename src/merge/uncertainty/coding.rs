//! Detail that compression takes from all frames alike.
//!
//! JPEG rounds every coefficient of a block's cosine transform to a multiple of its step (ITU-T T.81, A.3.4). A coefficient below half a
//! step becomes 0: what it held is lost, in every frame where it is that small, and differences between frames cannot show
//! it. Coefficients of one frequency follow a Laplace distribution (Reininger and Gibson 1983); its scale follows from the share
//! that became 0, and from the scale the mean square of what was lost.
use ndarray::Array2;
use stopspan_core::model::{ACTIVITIES, BLOCK, BlockClass, ByLevel, Compression, Frame, LEVELS};
use stopspan_core::raster::{Pixels, Work, dispatch_simd};

/// Share of the lost energy that two frames lose alike. Found with simulated brackets of JPEG quality 85 to 97: the
/// covariance of the errors of two frames over the energy that each loses is 0.4 to 0.6; the rest is noise that each lost of its own.
const ALIKE: f64 = 1.0 / 3.0;
/// About so many blocks of a frame are transformed.
const SAMPLED: usize = 6_000;
/// Least number of blocks for a share of zeros.
const FEWEST: f64 = 40.0;

/// Numbers of blocks and of their coefficients that became 0, by level and activity.
struct Zeros {
    blocks: [[f64; ACTIVITIES]; LEVELS],
    zeros: Box<[[[f64; 64]; ACTIVITIES]; LEVELS]>,
}

/// Mean square of the detail of one frame that other frames lose alike, by activity and level, 8-bit codes squared. 0 for
/// frames that are not compressed with loss. `classes` are those of the blocks of the reference frame; displacement of
/// the frame is not minded.
pub(super) fn lost(frame: &Frame, classes: &Array2<BlockClass>) -> [ByLevel; ACTIVITIES] {
    let nothing = [ByLevel::default(); ACTIVITIES];
    let Compression::Jpeg {
        luminance_steps, ..
    } = frame.picture.compression
    else {
        return nothing;
    };
    let turned = matches!(frame.picture.header.orientation, Some(5..=8));
    let step = |v: usize, u: usize| {
        let (v, u) = if turned { (u, v) } else { (v, u) };
        f64::from(luminance_steps[v][u].max(1))
    };
    let steps: [f64; 64] = std::array::from_fn(|k| step(k / 8, k % 8));
    let counted = count(frame, classes, &steps);
    std::array::from_fn(|activity| {
        let energy = |level: usize| counted.energy(level, activity, &steps);
        let known: Vec<(usize, f64)> = (0..LEVELS)
            .filter_map(|level| Some((level, ALIKE * energy(level)?)))
            .collect();
        ByLevel(std::array::from_fn(|level| nearest(&known, level)))
    })
}

/// The value known at the level nearest to this one; 0 if none is known.
fn nearest(known: &[(usize, f64)], level: usize) -> f64 {
    let best = known.iter().min_by_key(|(at, _)| at.abs_diff(level));
    best.map_or(0.0, |(_, value)| *value)
}

/// Counts the zeros of the blocks of a frame's own grid.
fn count(frame: &Frame, classes: &Array2<BlockClass>, steps: &[f64; 64]) -> Zeros {
    let mut out = Zeros {
        blocks: [[0.0; ACTIVITIES]; LEVELS],
        zeros: Box::new([[[0.0; 64]; ACTIVITIES]; LEVELS]),
    };
    let Pixels::U8(codes) = &frame.picture.pixels else {
        return out;
    };
    let (rows, columns, channels) = codes.dim();
    let all = codes.as_slice().unwrap_or_default();
    let [top, left] = corner(frame.picture.header.orientation, rows, columns);
    let (down, across) = ((rows - top) / BLOCK, (columns - left) / BLOCK);
    let every = (down * across / SAMPLED).max(1);
    let cosines = cosines();
    for place in (0..down * across).step_by(every) {
        let (row, column) = (top + place / across * BLOCK, left + place % across * BLOCK);
        let Some(class) = classes.get((row / BLOCK, column / BLOCK)) else {
            continue;
        };
        let coefficients = dispatch_simd(Coefficients {
            codes: &all[(row * columns + column) * channels..],
            columns,
            channels,
            cosines: &cosines,
        });
        let level = ByLevel::place(coefficients[0][0] / 8.0 / 255.0).round() as usize;
        let (level, activity) = (level.min(LEVELS - 1), usize::from(class.activity));
        out.blocks[level][activity] += 1.0;
        let zeros = out.zeros[level][activity].iter_mut();
        for ((zeros, coefficient), step) in zeros.zip(coefficients.as_flattened()).zip(steps) {
            *zeros += f64::from(u8::from(coefficient.abs() < 0.5 * step));
        }
    }
    out
}

/// Where the first whole block of an upright frame begins: blocks are counted from the corner that the file stores first.
fn corner(orientation: Option<u32>, rows: usize, columns: usize) -> [usize; 2] {
    let from_below = matches!(orientation, Some(3 | 4 | 7 | 8));
    let from_right = matches!(orientation, Some(2 | 3 | 6 | 7));
    [
        if from_below { rows % BLOCK } else { 0 },
        if from_right { columns % BLOCK } else { 0 },
    ]
}

impl Zeros {
    /// Mean square, per pixel, of the coefficients of a level and activity that became 0; `None` with too few blocks.
    fn energy(&self, level: usize, activity: usize, steps: &[f64; 64]) -> Option<f64> {
        let blocks = self.blocks[level][activity];
        let lost =
            |k: usize| laplace_below(0.5 * steps[k], self.zeros[level][activity][k] / blocks);
        // The mean of a block is not detail.
        (blocks >= FEWEST).then(|| (1..64).map(lost).sum::<f64>() / 64.0)
    }
}

/// Mean of x^2 where |x| < `limit`, else 0, for a Laplace distribution of which a share `below` lies there.
fn laplace_below(limit: f64, below: f64) -> f64 {
    let above = (1.0 - below).clamp(1e-6, 0.999);
    let scale = limit / -above.ln();
    2.0 * scale * scale - above * (limit * limit + 2.0 * scale * limit + 2.0 * scale * scale)
}

/// A block of 8 x 8 numbers, line by line.
type Square = [[f64; 8]; 8];

/// The cosine transform of the block of a frame whose `codes` begin with it.
struct Coefficients<'a> {
    codes: &'a [u8],
    /// Pixels of a line of the frame.
    columns: usize,
    channels: usize,
    cosines: &'a Square,
}

impl Work for Coefficients<'_> {
    type Output = Square;

    #[inline(always)]
    fn call(self) -> Square {
        transform(self.cosines, &self.luminance())
    }
}

impl Coefficients<'_> {
    /// Luminance of the block in codes (Rec. ITU-T T.871).
    #[inline(always)]
    fn luminance(&self) -> Square {
        let line = |y: usize| &self.codes[y * self.columns * self.channels..];
        let at = |y: usize, x: usize| match line(y)[x * self.channels..] {
            [red, green, blue, ..] if self.channels == 3 => {
                0.299 * f64::from(red) + 0.587 * f64::from(green) + 0.114 * f64::from(blue)
            }
            [code, ..] => f64::from(code),
            [] => 0.0,
        };
        std::array::from_fn(|y| std::array::from_fn(|x| at(y, x)))
    }
}

/// The orthonormal cosine transform of 8 samples, by place and frequency.
fn cosines() -> Square {
    std::array::from_fn(|x| {
        std::array::from_fn(|u| {
            let scale = if u == 0 { 0.125f64.sqrt() } else { 0.5 };
            scale * ((2 * x + 1) as f64 * u as f64 * std::f64::consts::PI / 16.0).cos()
        })
    })
}

/// Coefficients of a block by vertical, then horizontal frequency.
#[inline(always)]
fn transform(cosines: &Square, block: &Square) -> Square {
    let rows: Square = std::array::from_fn(|y| combined(&block[y], cosines));
    std::array::from_fn(|v| combined(&cosines.map(|place| place[v]), &rows))
}

/// The sum of eight lines, each times its factor.
#[inline(always)]
fn combined(factors: &[f64; 8], lines: &Square) -> [f64; 8] {
    let mut sum = [0.0; 8];
    for (factor, line) in factors.iter().zip(lines) {
        for (sum, value) in sum.iter_mut().zip(line) {
            *sum += factor * value;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_transform_keeps_energy_and_puts_a_mean_into_its_first_coefficient() {
        let at = |k: usize| ((k * 37) % 101) as f64;
        let block: Square = std::array::from_fn(|y| std::array::from_fn(|x| at(8 * y + x)));
        let found = transform(&cosines(), &block);
        let (block, found) = (block.as_flattened(), found.as_flattened());
        let (a, b): (f64, f64) = (
            block.iter().map(|v| v * v).sum(),
            found.iter().map(|v| v * v).sum(),
        );
        assert!((a / b - 1.0).abs() < 1e-12);
        assert!((found[0] - block.iter().sum::<f64>() / 8.0).abs() < 1e-9);
    }

    #[test]
    fn the_energy_below_a_limit_is_the_integral_of_the_density() {
        for (limit, scale) in [(1.0f64, 0.3f64), (1.0, 2.0), (3.0, 1.0)] {
            let below = 1.0 - (-limit / scale).exp();
            let steps = 100_000;
            let width = limit / f64::from(steps);
            let density = |x: f64| x * x * (-x / scale).exp() / scale;
            let sum: f64 = (0..steps)
                .map(|i| density((f64::from(i) + 0.5) * width) * width)
                .sum();
            assert!((laplace_below(limit, below) / sum - 1.0).abs() < 1e-6);
        }
    }
}
