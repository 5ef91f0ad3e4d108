//! Two frames held against each other, block by block and summed over 3 x 3 blocks.
use super::calibrate::Yardstick;
use super::squares::{Scratch, Squares};
use super::view::{Line, View};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::dispatch_simd;

/// Steps of a score for one unit of a sum of squares; rounded down.
pub(super) const STEPS: f32 = 2.0;
/// A score that stands for itself and anything beyond.
pub(super) const FULL: f32 = 255.0;
/// Rows of blocks that one thread does at a time, at least and at most: the rows at either end are read twice.
const STRIP: (usize, usize) = (32, 128);

/// Two frames to compare.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// The frame that may be left out.
    pub frame: usize,
    /// The frame it is held against.
    pub base: usize,
    /// True if the pair counts only where the reference frame gives no more than a bound.
    pub beyond: bool,
}

impl Pair {
    /// Every frame against the reference; and, where the reference is clipped or black, against its neighbour towards
    /// the reference.
    pub(super) fn of_bracket(count: usize, reference: usize) -> Vec<Pair> {
        let others = (0..count).filter(|&j| j != reference);
        let mut pairs: Vec<Pair> = others
            .clone()
            .map(|frame| Pair {
                frame,
                base: reference,
                beyond: false,
            })
            .collect();
        pairs.extend(others.filter_map(|frame| {
            let base = if frame < reference {
                frame + 1
            } else {
                frame - 1
            };
            (base != reference).then_some(Pair {
                frame,
                base,
                beyond: true,
            })
        }));
        pairs
    }
}

/// What comparing a pair gave.
pub(super) struct Scores {
    pub pair: Pair,
    /// Largest sum of squares over the channels in [`STEPS`], by block, 0..=255.
    pub plane: Array2<u8>,
}

/// Where a frame is clipped in any channel: 1 there, else 0.
pub(super) fn clipped(line: &Line, out: &mut [f32]) {
    out.fill(0.0);
    for words in line {
        for (out, most) in out.iter_mut().zip(&words.most) {
            *out = out.max(1.0 - most);
        }
    }
}

/// What is clipped or has a clipped neighbour, of the middle one of three rows.
pub(super) fn beside(rows: [&[f32]; 3], out: &mut [f32]) {
    let last = out.len() - 1;
    let column = |i: usize| rows[0][i].max(rows[1][i]).max(rows[2][i]);
    let (mut before, mut here) = (column(0), column(0));
    for (i, out) in out.iter_mut().enumerate() {
        let after = column((i + 1).min(last));
        *out = before.max(here).max(after);
        (before, here) = (here, after);
    }
}

/// Scores of all pairs over the whole frame.
pub(super) fn scores(
    views: &[View],
    reference: usize,
    pairs: &[Pair],
    yardsticks: &[Yardstick],
) -> Vec<Scores> {
    let (down, across) = views[reference].dim();
    let height = (down / (4 * rayon::current_num_threads())).clamp(STRIP.0, STRIP.1);
    let strips: Vec<Vec<Vec<u8>>> = (0..down.div_ceil(height))
        .into_par_iter()
        .map(|strip| {
            let rows = strip * height..((strip + 1) * height).min(down);
            Strip::new(views, reference, pairs, yardsticks).run(rows)
        })
        .collect();
    let planes = pairs.iter().enumerate().map(|(p, &pair)| {
        let strips: Vec<&[u8]> = strips.iter().map(|s| s[p].as_slice()).collect();
        let bytes = strips.concat();
        Scores {
            pair,
            plane: Array2::from_shape_vec((down, across), bytes)
                .unwrap_or_else(|_| Array2::zeros((down, across))),
        }
    });
    planes.collect()
}

/// A strip of rows under work: the last three lines of every base and of every pair's squares.
struct Strip<'a> {
    views: &'a [View<'a>],
    reference: usize,
    pairs: &'a [Pair],
    yardsticks: &'a [Yardstick],
    /// By frame: lines of rows r, modulo 3.
    lines: Vec<[Line; 3]>,
    /// By frame: where a channel is clipped in rows r, modulo 3.
    clipped: Vec<[Vec<f32>; 3]>,
    /// By frame: what is beside a clipped block in the row in hand.
    beside: Vec<Vec<f32>>,
    /// By pair, channel: calibrated squares of rows r, modulo 3.
    squares: Vec<Vec<[Vec<f32>; 3]>>,
    scratch: Scratch,
    sums: Vec<f32>,
    best: Vec<f32>,
}

impl<'a> Strip<'a> {
    fn new(
        views: &'a [View<'a>],
        reference: usize,
        pairs: &'a [Pair],
        yardsticks: &'a [Yardstick],
    ) -> Self {
        let across = views[reference].dim().1;
        let three = || [(); 3].map(|()| vec![0.0; across]);
        Strip {
            lines: views.iter().map(|v| [(); 3].map(|()| v.line())).collect(),
            clipped: views.iter().map(|_| three()).collect(),
            beside: vec![vec![0.0; across]; views.len()],
            squares: pairs
                .iter()
                .map(|_| (0..views[reference].channels()).map(|_| three()).collect())
                .collect(),
            scratch: Scratch::new(across),
            sums: vec![0.0; across],
            best: vec![0.0; across],
            views,
            reference,
            pairs,
            yardsticks,
        }
    }

    /// Scores by pair, row after row.
    fn run(mut self, rows: std::ops::Range<usize>) -> Vec<Vec<u8>> {
        let (down, across) = self.views[self.reference].dim();
        let mut out = vec![Vec::with_capacity(rows.len() * across); self.pairs.len()];
        let first = rows.start.saturating_sub(1);
        let end = (rows.end + 1).min(down);
        for row in first.saturating_sub(1)..=first {
            self.read(row);
        }
        for row in first..end {
            if row + 1 < down {
                self.read(row + 1);
            }
            self.square(row, down);
            // The row above is complete now.
            if row > rows.start {
                self.sum(row - 1, down, &mut out);
            }
        }
        if end == rows.end {
            self.sum(rows.end - 1, down, &mut out);
        }
        out
    }

    fn read(&mut self, row: usize) {
        let frames = self.views.iter().zip(&mut self.lines);
        for ((view, lines), marks) in frames.zip(&mut self.clipped) {
            view.read(row, &mut lines[row % 3]);
            clipped(&lines[row % 3], &mut marks[row % 3]);
        }
    }

    fn square(&mut self, row: usize, down: usize) {
        let (above, below) = (row.saturating_sub(1) % 3, (row + 1).min(down - 1) % 3);
        for (marks, beside_it) in self.clipped.iter().zip(&mut self.beside) {
            beside(
                [above, row % 3, below].map(|r| marks[r].as_slice()),
                beside_it,
            );
        }
        for (p, pair) in self.pairs.iter().enumerate() {
            let near = [pair.frame, pair.base].map(|j| self.beside[j].as_slice());
            for (c, squares) in self.squares[p].iter_mut().enumerate() {
                let base = &self.lines[pair.base];
                dispatch_simd(Squares {
                    frame: &self.lines[pair.frame][row % 3][c],
                    base: &base[row % 3][c],
                    near,
                    rows: [above, row % 3, below].map(|r| base[r][c].x.as_slice()),
                    yardstick: (&self.yardsticks[p], c),
                    side: self.views[0].side(),
                    scratch: &mut self.scratch,
                    out: &mut squares[row % 3],
                });
                if pair.beyond {
                    let judge = &self.lines[self.reference][row % 3][c];
                    let seen = judge.least.iter().zip(&judge.most);
                    for (out, (least, most)) in squares[row % 3].iter_mut().zip(seen) {
                        *out = if least * most == 0.0 { *out } else { 0.0 };
                    }
                }
            }
        }
    }

    /// Sums over 3 x 3 blocks; outside the frame the border is repeated.
    fn sum(&mut self, row: usize, down: usize, out: &mut [Vec<u8>]) {
        let rows = [row.saturating_sub(1), row, (row + 1).min(down - 1)].map(|r| r % 3);
        for (pair, out) in self.squares.iter().zip(out) {
            self.best.fill(0.0);
            for channel in pair {
                let [above, line, below] = rows.map(|r| channel[r].as_slice());
                let sums = self.sums.iter_mut().zip(above.iter().zip(line).zip(below));
                sums.for_each(|(sum, ((a, b), c))| *sum = a + b + c);
                largest(&self.sums, &mut self.best);
            }
            out.extend(self.best.iter().map(|v| (v * STEPS).min(FULL) as u8));
        }
    }
}

/// The larger of what there is and sums over three neighbours; beyond the ends the last is repeated.
fn largest(values: &[f32], best: &mut [f32]) {
    let last = values.len() - 1;
    for (best, three) in best[1..].iter_mut().zip(values.windows(3)) {
        *best = best.max(three[0] + three[1] + three[2]);
    }
    for i in [0, last] {
        let (left, right) = (i.saturating_sub(1), (i + 1).min(last));
        best[i] = best[i].max(values[left] + values[i] + values[right]);
    }
}
