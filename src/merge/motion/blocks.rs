//! Reads a row of blocks of the reference geometry from a frame through its transform: sums over each block's footprint,
//! pixels weighted by the area covered, and the largest samples.
use ndarray::Array3;
use std::ops::{Add, Range, Sub};
use stopspan_core::raster::{Transform, Work, dispatch_simd, to_i32_fast};

/// Number of blocks processed together.
pub(super) const BLOCKS: usize = 64;
/// Samples along one pixel row of [`BLOCKS`] blocks, for the largest blocks and four channels.
const SAMPLES: usize = (4 * BLOCKS + 1) * 4;

/// A sample type, with a type in which the samples down one block add up exactly.
pub(super) trait Sample: Copy + Default + PartialOrd + Into<f32> + Into<Self::Sum> {
    /// A signed type, for differences of sums as well.
    type Sum: Copy + Default + Add<Output = Self::Sum> + Sub<Output = Self::Sum> + Into<f32>;
}

impl Sample for u8 {
    type Sum = i16;
}

impl Sample for u16 {
    type Sum = f32;
}

impl Sample for f32 {
    type Sum = f32;
}

/// Sums and maxima of a row of blocks in one frame.
pub(super) struct Covered {
    /// By channel and block: sum of samples, codes.
    pub sums: Vec<Vec<f32>>,
    /// By channel and block: largest sample of any pixel touched, codes.
    pub peaks: Vec<Vec<f32>>,
    /// By block: factor by which interpolation changes the variance of the mean of independent noise; 1 for whole pixels.
    pub noise_gain: Vec<f32>,
    /// Blocks that are not entirely inside the frame.
    pub outside: Vec<Range<usize>>,
}

/// Reads `blocks` blocks of `SIDE` pixels along block row `row` of the reference, which `transform` maps to the frame.
pub(super) fn read<T: Sample, const SIDE: usize>(
    samples: &Array3<T>,
    row: usize,
    blocks: usize,
    transform: &Transform,
) -> Covered {
    let (rows, columns, channels) = samples.dim();
    let all = samples.as_slice().unwrap_or_default();
    let planes = || vec![vec![0.0; blocks]; channels];
    let mut covered = Covered {
        sums: planes(),
        peaks: planes(),
        noise_gain: vec![1.0; blocks],
        outside: Vec::new(),
    };
    let still = *transform == Transform::IDENTITY;
    let mut some = Blocks::<T>::new();
    for first in (0..blocks).step_by(BLOCKS) {
        let count = BLOCKS.min(blocks - first);
        if still {
            some.place_unmoved::<SIDE>(row, first);
        } else {
            dispatch_simd(Locate::<T, SIDE> {
                transform,
                row,
                first,
                frame: (rows, columns),
                blocks: &mut some,
            });
            covered.noise_gain[first..first + count].copy_from_slice(&some.noise_gain[..count]);
        }
        let mut from = 0;
        while from < count {
            let run = some.run::<SIDE>(from, count);
            let (x, y) = (some.x[from], some.y[from]);
            from = run.end;
            if x == OUTSIDE {
                covered.outside.push(first + run.start..first + run.end);
                continue;
            }
            let start = (y as usize * columns + x as usize) * channels;
            dispatch_simd(AddDown::<T, SIDE> {
                samples: &all[start..],
                width: columns * channels,
                channels,
                run: run.clone(),
                blocks: &mut some,
            });
            match channels {
                1 => fold::<T, SIDE, 1>(run, &mut some, first, &mut covered),
                3 => fold::<T, SIDE, 3>(run, &mut some, first, &mut covered),
                _ => fold::<T, SIDE, 4>(run, &mut some, first, &mut covered),
            }
        }
    }
    covered
}

/// Runs [`Fold`] for frames of `C` channels.
fn fold<T: Sample, const SIDE: usize, const C: usize>(
    run: Range<usize>,
    blocks: &mut Blocks<T>,
    first: usize,
    covered: &mut Covered,
) {
    dispatch_simd(Fold::<T, SIDE, C> {
        run,
        blocks,
        first,
        covered,
    });
}

/// Position of a block that is not entirely inside the frame.
const OUTSIDE: i32 = -1;

/// Up to [`BLOCKS`] neighbouring blocks: positions in the frame, and buffers for their sums.
struct Blocks<T: Sample> {
    /// First pixel of each block, column and row; both are [`OUTSIDE`], or neither.
    x: [i32; BLOCKS],
    y: [i32; BLOCKS],
    /// Subpixel offset of each block along the columns and rows, 0..1: the part of its first pixel that it does not cover,
    /// and of the pixel after its last that it does.
    across: [f32; BLOCKS],
    down: [f32; BLOCKS],
    noise_gain: [f32; BLOCKS],
    /// Of every column of samples: sum over the height of a block; the sample below minus the first one; largest sample.
    columns: [T::Sum; SAMPLES],
    rise: [T::Sum; SAMPLES],
    largest: [T; SAMPLES],
    /// The same three combined over the width of a block, beginning at each sample.
    square: [T::Sum; SAMPLES],
    square_rise: [T::Sum; SAMPLES],
    square_largest: [T; SAMPLES],
}

impl<T: Sample> Blocks<T> {
    fn new() -> Self {
        Blocks {
            x: [OUTSIDE; BLOCKS],
            y: [OUTSIDE; BLOCKS],
            across: [0.0; BLOCKS],
            down: [0.0; BLOCKS],
            noise_gain: [1.0; BLOCKS],
            columns: [T::Sum::default(); SAMPLES],
            rise: [T::Sum::default(); SAMPLES],
            largest: [T::default(); SAMPLES],
            square: [T::Sum::default(); SAMPLES],
            square_rise: [T::Sum::default(); SAMPLES],
            square_largest: [T::default(); SAMPLES],
        }
    }

    /// Positions of the blocks of row `row` from block `first` on in a frame without a transform.
    fn place_unmoved<const SIDE: usize>(&mut self, row: usize, first: usize) {
        for (k, x) in self.x.iter_mut().enumerate() {
            *x = ((first + k) * SIDE) as i32;
        }
        self.y.fill((row * SIDE) as i32);
    }

    /// The run of blocks from `from` on that are adjacent in the frame and interpolated alike, or all outside it.
    fn run<const SIDE: usize>(&self, from: usize, count: usize) -> Range<usize> {
        let like = |k: usize| (self.y[k], self.across[k] > 0.0, self.down[k] > 0.0);
        let outside = self.x[from] == OUTSIDE;
        let step = if outside { 0 } else { SIDE as i32 };
        let on = |&(k, x): &(usize, i32)| self.x[k] == x && (outside || like(k) == like(from));
        let xs = (0..).map(|i| self.x[from] + i * step);
        let length = (from..count).zip(xs).take_while(on).count();
        from..from + length
    }
}

/// Combines the column sums of a run to sums and maxima of blocks, for frames of `C` channels.
struct Fold<'a, T: Sample, const SIDE: usize, const C: usize> {
    run: Range<usize>,
    blocks: &'a mut Blocks<T>,
    /// Index in the row of the first of `blocks`.
    first: usize,
    covered: &'a mut Covered,
}

impl<T: Sample, const SIDE: usize, const C: usize> Work for Fold<'_, T, SIDE, C> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Blocks {
            across,
            down,
            columns,
            rise,
            largest,
            square,
            square_rise,
            square_largest,
            ..
        } = self.blocks;
        let one_more = across[self.run.start] > 0.0;
        let lower = down[self.run.start] > 0.0;
        let count = self.run.len() * SIDE * C;
        along::<_, SIDE, C>(&columns[..count], square, |a, b| a + b);
        along::<_, SIDE, C>(&largest[..count], square_largest, larger);
        if lower {
            along::<_, SIDE, C>(&rise[..count], square_rise, |a, b| a + b);
        }
        let (from, to) = (self.first + self.run.start, self.first + self.run.end);
        let planes = self.covered.sums.iter_mut().zip(&mut self.covered.peaks);
        for (c, (sums, peaks)) in planes.enumerate() {
            let out = sums[from..to].iter_mut().zip(&mut peaks[from..to]);
            for ((i, k), (sum, largest_of_all)) in self.run.clone().enumerate().zip(out) {
                let (at, next) = (i * SIDE * C + c, (i + 1) * SIDE * C + c);
                let whole = |square: &[T::Sum], columns: &[T::Sum]| {
                    let sum: f32 = square[at].into();
                    if one_more {
                        sum + across[k] * (columns[next] - columns[at]).into()
                    } else {
                        sum
                    }
                };
                *sum = whole(square, columns);
                let mut peak = square_largest[at];
                if lower {
                    *sum += down[k] * whole(square_rise, rise);
                }
                if one_more {
                    peak = larger(peak, largest[next]);
                }
                *largest_of_all = peak.into();
            }
        }
    }
}

/// Combines `SIDE` successive samples of one channel by `both`, beginning at each sample.
#[inline(always)]
fn along<V: Copy, const SIDE: usize, const C: usize>(
    from: &[V],
    out: &mut [V],
    both: impl Fn(V, V) -> V,
) {
    let count = from.len() - (SIDE - 1) * C;
    let shifted: [&[V]; SIDE] = std::array::from_fn(|n| &from[n * C..][..count]);
    for (k, out) in out[..count].iter_mut().enumerate() {
        let mut value = shifted[0][k];
        for next in &shifted[1..] {
            value = both(value, next[k]);
        }
        *out = value;
    }
}

/// Finds the positions of the blocks of row `row` from block `first` on.
struct Locate<'a, T: Sample, const SIDE: usize> {
    transform: &'a Transform,
    row: usize,
    first: usize,
    /// Rows and columns of the frame.
    frame: (usize, usize),
    blocks: &'a mut Blocks<T>,
}

impl<T: Sample, const SIDE: usize> Work for Locate<'_, T, SIDE> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Transform([a, b, c]) = self.transform;
        let (side, half) = (SIDE as f64, (SIDE / 2) as f64);
        let (first, y) = (
            self.first as f64 * side + half,
            self.row as f64 * side + half,
        );
        let (right, bottom) = (self.frame.1 as f64 - side, self.frame.0 as f64 - side);
        let blocks = self.blocks;
        let places = blocks.x.iter_mut().zip(&mut blocks.y);
        let parts = blocks.across.iter_mut().zip(&mut blocks.down);
        let all = places.zip(parts).zip(&mut blocks.noise_gain);
        for (k, (((to_x, to_y), (to_s, to_t)), noise_gain)) in (0i32..).zip(all) {
            let x = first + f64::from(k) * side;
            let w = c[0] * x + c[1] * y + c[2];
            let (at_x, s) = split((a[0] * x + a[1] * y + a[2]) / w - half);
            let (at_y, t) = split((b[0] * x + b[1] * y + b[2]) / w - half);
            let covered = (w > 1e-9)
                & (at_x >= 0.0)
                & (at_y >= 0.0)
                & (at_x + f64::from(s) <= right)
                & (at_y + f64::from(t) <= bottom);
            *to_x = if covered { to_i32_fast(at_x) } else { OUTSIDE };
            *to_y = if covered { to_i32_fast(at_y) } else { OUTSIDE };
            (*to_s, *to_t) = (s, t);
            let left = |part: f32| {
                let whole = SIDE as f32 - 1.0;
                ((1.0 - part) * (1.0 - part) + whole + part * part) / SIDE as f32
            };
            *noise_gain = left(s) * left(t);
        }
    }
}

/// Integer and fractional part of a position.
#[inline(always)]
fn split(position: f64) -> (f64, f32) {
    let first = position.floor();
    (first, (position - first) as f32)
}

/// Sums the samples of a run of blocks down every column.
struct AddDown<'a, T: Sample, const SIDE: usize> {
    /// Samples of the frame from the first of the run on.
    samples: &'a [T],
    /// Samples of one row of the frame.
    width: usize,
    channels: usize,
    run: Range<usize>,
    blocks: &'a mut Blocks<T>,
}

impl<T: Sample, const SIDE: usize> Work for AddDown<'_, T, SIDE> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (blocks, first) = (self.blocks, self.run.start);
        let one_more = usize::from(blocks.across[first] > 0.0);
        let count = (self.run.len() * SIDE + one_more) * self.channels;
        let rows: [&[T]; SIDE] = std::array::from_fn(|r| &self.samples[r * self.width..][..count]);
        let columns = blocks.columns[..count].iter_mut();
        let columns = columns.zip(&mut blocks.largest[..count]);
        for (k, (sum, largest)) in columns.enumerate() {
            let mut total: T::Sum = rows[0][k].into();
            let mut peak = rows[0][k];
            for row in &rows[1..] {
                total = total + row[k].into();
                peak = larger(peak, row[k]);
            }
            (*sum, *largest) = (total, peak);
        }
        if blocks.down[first] > 0.0 {
            let below = &self.samples[SIDE * self.width..][..count];
            let rises = blocks.rise[..count].iter_mut();
            let pairs = rises.zip(&mut blocks.largest[..count]);
            for ((rise, largest), (&first, &below)) in pairs.zip(rows[0].iter().zip(below)) {
                *rise = Into::<T::Sum>::into(below) - first.into();
                *largest = larger(*largest, below);
            }
        }
    }
}

/// The larger of two numbers, in one instruction: unlike `max` it does not check for NaN.
#[inline(always)]
fn larger<T: PartialOrd>(a: T, b: T) -> T {
    if b > a { b } else { a }
}
