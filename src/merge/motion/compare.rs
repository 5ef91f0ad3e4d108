//! Two frames held against each other, block by block and summed over 3 x 3 blocks.
use super::calibrate::Yardstick;
use super::view::{Line, View, Word};
use ndarray::Array2;
use rayon::prelude::*;

/// Steps of a score for one unit of a sum of squares; rounded down.
pub(super) const STEPS: f32 = 2.0;
/// A score that stands for itself and anything beyond.
pub(super) const FULL: f32 = 255.0;
/// Rows of blocks that one thread does at a time.
const STRIP: usize = 32;

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
        for (out, word) in out.iter_mut().zip(words) {
            *out = out.max(1.0 - word.most);
        }
    }
}

/// What is clipped or has a clipped neighbour, of the middle one of three rows.
pub(super) fn beside(rows: [&[f32]; 3], out: &mut [f32]) {
    let column = |i: usize| rows[0][i].max(rows[1][i]).max(rows[2][i]);
    let last = out.len() - 1;
    for (i, out) in out.iter_mut().enumerate() {
        *out = column(i)
            .max(column(i.saturating_sub(1)))
            .max(column((i + 1).min(last)));
    }
}

/// Squared gradient at block `i`, radiance^2 per pixel^2: mean square of the differences to its four neighbours, so that
/// ripple from block to block counts as well as a slope.
#[inline]
pub(super) fn gradient([above, line, below]: [&[Word]; 3], i: usize, side: usize) -> f32 {
    let here = line[i].x;
    let left = line[i.saturating_sub(1)].x - here;
    let right = line[(i + 1).min(line.len() - 1)].x - here;
    let (up, down) = (above[i].x - here, below[i].x - here);
    (left * left + right * right + up * up + down * down) / (2 * side * side) as f32
}

/// Scores of all pairs over the whole frame.
pub(super) fn scores(
    views: &[View],
    reference: usize,
    pairs: &[Pair],
    yardsticks: &[Yardstick],
) -> Vec<Scores> {
    let (down, across) = views[reference].dim();
    let strips: Vec<Vec<Vec<u8>>> = (0..down.div_ceil(STRIP))
        .into_par_iter()
        .map(|strip| {
            let rows = strip * STRIP..((strip + 1) * STRIP).min(down);
            Strip::new(views, reference, pairs, yardsticks).run(rows)
        })
        .collect();
    let planes = pairs.iter().enumerate().map(|(p, &pair)| {
        let bytes: Vec<u8> = strips.iter().flat_map(|s| s[p].iter().copied()).collect();
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
    sums: Vec<f32>,
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
            sums: vec![0.0; across],
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
            let near = (&self.beside[pair.frame], &self.beside[pair.base]);
            for (c, squares) in self.squares[p].iter_mut().enumerate() {
                let base = &self.lines[pair.base];
                let frame = &self.lines[pair.frame][row % 3][c];
                let judge = &self.lines[self.reference][row % 3][c];
                let scale = &self.yardsticks[p];
                let three = [above, row % 3, below].map(|r| base[r][c].as_slice());
                let middle = three[1];
                for (i, out) in squares[row % 3].iter_mut().enumerate() {
                    let words = [frame[i].unsure(near.0[i]), middle[i].unsure(near.1[i])];
                    let texture = gradient(three, i, self.views[0].side());
                    let z2 = scale.square(c, words, texture);
                    let counts = !pair.beyond || judge[i].least * judge[i].most == 0.0;
                    *out = if counts { z2 } else { 0.0 };
                }
            }
        }
    }

    /// Sums over 3 x 3 blocks; outside the frame the border is repeated.
    fn sum(&mut self, row: usize, down: usize, out: &mut [Vec<u8>]) {
        let rows = [row.saturating_sub(1), row, (row + 1).min(down - 1)].map(|r| r % 3);
        let across = self.sums.len();
        for (pair, out) in self.squares.iter().zip(out) {
            let mut best = vec![0.0f32; across];
            for channel in pair {
                let lines = rows.map(|r| channel[r].as_slice());
                for (i, sum) in self.sums.iter_mut().enumerate() {
                    *sum = lines[0][i] + lines[1][i] + lines[2][i];
                }
                for (i, best) in best.iter_mut().enumerate() {
                    let (left, right) = (i.saturating_sub(1), (i + 1).min(across - 1));
                    *best = best.max(self.sums[left] + self.sums[i] + self.sums[right]);
                }
            }
            out.extend(best.iter().map(|v| (v * STEPS).min(FULL) as u8));
        }
    }
}
