//! A row of blocks in a frame that may lie elsewhere: means over the squares they cover, pixels counting by the area covered,
//! and the largest samples.
use ndarray::Array3;
use std::ops::{Add, Range, Sub};
use stopspan_core::raster::{Transform, Work, dispatch_simd, to_i32_fast};

/// Blocks read at a time.
pub(super) const BLOCKS: usize = 64;
/// Samples along them, for the largest blocks and four channels.
const SAMPLES: usize = (4 * BLOCKS + 1) * 4;

/// Samples, and numbers in which those down a block's side are added up exactly.
pub(super) trait Sample: Copy + Default + PartialOrd + Into<f32> + Into<Self::Sum> {
    /// Of both signs.
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

/// What a row of blocks covers of a frame.
pub(super) struct Covered {
    /// By channel: sums of samples over the block's pixels, codes.
    pub sums: Vec<Vec<f32>>,
    /// By channel: largest sample of any pixel covered, codes.
    pub peaks: Vec<Vec<f32>>,
    /// Variance of the mean of independent noise against that of as many whole pixels.
    pub energy: Vec<f32>,
    /// Blocks that the frame does not cover whole.
    pub outside: Vec<Range<usize>>,
}

/// Reads a row of blocks of `SIDE` pixels through the map to the frame.
pub(super) fn read<T: Sample, const SIDE: usize>(
    samples: &Array3<T>,
    (row, blocks): (usize, usize),
    transform: &Transform,
) -> Covered {
    let (rows, columns, channels) = samples.dim();
    let all = samples.as_slice().unwrap_or_default();
    let planes = || vec![vec![0.0; blocks]; channels];
    let mut covered = Covered {
        sums: planes(),
        peaks: planes(),
        energy: vec![1.0; blocks],
        outside: Vec::new(),
    };
    let still = *transform == Transform::IDENTITY;
    let mut some = Blocks::<T>::new();
    for first in (0..blocks).step_by(BLOCKS) {
        let count = BLOCKS.min(blocks - first);
        if still {
            some.lie_still::<SIDE>((row, first));
        } else {
            dispatch_simd(Find::<T, SIDE> {
                transform,
                at: (row, first),
                frame: (rows, columns),
                blocks: &mut some,
            });
            covered.energy[first..first + count].copy_from_slice(&some.energy[..count]);
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
            let to = (first, &mut covered);
            match channels {
                1 => fold::<T, SIDE, 1>(run, &mut some, to),
                3 => fold::<T, SIDE, 3>(run, &mut some, to),
                _ => fold::<T, SIDE, 4>(run, &mut some, to),
            }
        }
    }
    covered
}

fn fold<T: Sample, const SIDE: usize, const C: usize>(
    run: Range<usize>,
    blocks: &mut Blocks<T>,
    (first, covered): (usize, &mut Covered),
) {
    dispatch_simd(Fold::<T, SIDE, C> {
        run,
        blocks,
        first,
        covered,
    });
}

/// Marks blocks that the frame does not cover.
const OUTSIDE: i32 = -1;

struct Blocks<T: Sample> {
    /// First pixel along each axis; [`OUTSIDE`] for both, or for neither.
    x: [i32; BLOCKS],
    y: [i32; BLOCKS],
    /// Part of the first pixel that the block leaves out and covers of the one after the last.
    across: [f32; BLOCKS],
    down: [f32; BLOCKS],
    energy: [f32; BLOCKS],
    /// Down every column of samples: the sum of as many as a block is high, by how much the one after them is above the first,
    /// and the largest of those covered.
    columns: [T::Sum; SAMPLES],
    rise: [T::Sum; SAMPLES],
    largest: [T; SAMPLES],
    /// The same three over as many pixels to the right as a block is wide.
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
            energy: [1.0; BLOCKS],
            columns: [T::Sum::default(); SAMPLES],
            rise: [T::Sum::default(); SAMPLES],
            largest: [T::default(); SAMPLES],
            square: [T::Sum::default(); SAMPLES],
            square_rise: [T::Sum::default(); SAMPLES],
            square_largest: [T::default(); SAMPLES],
        }
    }

    /// The blocks of a row from one on in a frame that lies where the reference does.
    fn lie_still<const SIDE: usize>(&mut self, (row, first): (usize, usize)) {
        for (k, x) in self.x.iter_mut().enumerate() {
            *x = ((first + k) * SIDE) as i32;
        }
        self.y.fill((row * SIDE) as i32);
    }

    /// The blocks from one on whose samples lie side by side, or that are not covered.
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

/// The blocks of a run of `C` channels from what was found down their columns.
struct Fold<'a, T: Sample, const SIDE: usize, const C: usize> {
    run: Range<usize>,
    blocks: &'a mut Blocks<T>,
    /// The first of the blocks under work.
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

/// What `SIDE` samples of one channel come to, from each one on.
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

/// Finds the blocks of a row from one on.
struct Find<'a, T: Sample, const SIDE: usize> {
    transform: &'a Transform,
    at: (usize, usize),
    /// Rows and columns of the frame.
    frame: (usize, usize),
    blocks: &'a mut Blocks<T>,
}

impl<T: Sample, const SIDE: usize> Work for Find<'_, T, SIDE> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Transform([a, b, c]) = self.transform;
        let (side, half) = (SIDE as f64, (SIDE / 2) as f64);
        let (first, y) = (
            self.at.1 as f64 * side + half,
            self.at.0 as f64 * side + half,
        );
        let (right, bottom) = (self.frame.1 as f64 - side, self.frame.0 as f64 - side);
        let blocks = self.blocks;
        let places = blocks.x.iter_mut().zip(&mut blocks.y);
        let parts = blocks.across.iter_mut().zip(&mut blocks.down);
        let all = places.zip(parts).zip(&mut blocks.energy);
        for (k, (((to_x, to_y), (to_s, to_t)), energy)) in (0i32..).zip(all) {
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
            *energy = left(s) * left(t);
        }
    }
}

/// The pixel at or before a place, and how far it lies beyond.
#[inline(always)]
fn split(place: f64) -> (f64, f32) {
    let first = place.floor();
    (first, (place - first) as f32)
}

/// Adds up the samples of a run of blocks down every column.
struct AddDown<'a, T: Sample, const SIDE: usize> {
    /// From the run's first on.
    samples: &'a [T],
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

/// The larger of two numbers: one instruction, where `max` looks for what is no number as well.
#[inline(always)]
fn larger<T: PartialOrd>(a: T, b: T) -> T {
    if b > a { b } else { a }
}
