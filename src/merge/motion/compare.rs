//! Compares pairs of frames: squared differences of blocks, summed over windows of 3 x 3 blocks.
use super::calibrate::Calibration;
use super::colour::ColourRow;
use super::squares::{RowBuffers, Squares};
use super::view::{ChannelRows, View};
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::raster::dispatch_simd;

/// Scores per unit of a sum of squares; scores are rounded down.
pub(super) const STEPS: f32 = 2.0;
/// Largest score; larger sums are saturated to it.
pub(super) const FULL: f32 = 255.0;
/// Least and largest number of rows of blocks in a parallel task; the rows at its ends are read twice.
const STRIP: (usize, usize) = (32, 128);

/// Two frames to compare, by index.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Pair {
    /// The frame that may be excluded.
    pub frame: usize,
    /// The frame it is compared with.
    pub base: usize,
    /// True if the pair counts only where the reference frame is black or clipped.
    pub beyond: bool,
}

impl Pair {
    /// The pairs of a bracket of `count` frames: every frame with the reference, then every frame with its neighbour
    /// towards the reference, for where the reference is black or clipped.
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

/// Result of comparing a pair.
pub(super) struct Scores {
    pub pair: Pair,
    /// Score of the window around each block: the largest sum of squares of any channel times [`STEPS`], 0..=255.
    pub plane: Array2<u8>,
}

/// Writes 1 for blocks that are clipped in any channel, else 0.
pub(super) fn clipped(line: &ChannelRows, out: &mut [f32]) {
    out.fill(0.0);
    for row in line {
        for (out, at_most) in out.iter_mut().zip(&row.at_most) {
            *out = out.max(1.0 - at_most);
        }
    }
}

/// Writes the largest of the 3 x 3 marks around each block of the middle row: 1 for blocks at or next to a clipped one.
pub(super) fn near_clipped(rows: [&[f32]; 3], out: &mut [f32]) {
    let last = out.len() - 1;
    let column = |i: usize| rows[0][i].max(rows[1][i]).max(rows[2][i]);
    let (mut before, mut here) = (column(0), column(0));
    for (i, out) in out.iter_mut().enumerate() {
        let after = column((i + 1).min(last));
        *out = before.max(here).max(after);
        (before, here) = (here, after);
    }
}

/// Scores of all pairs over the whole frame, by parallel strips.
pub(super) fn scores(
    views: &[View],
    reference: usize,
    pairs: &[Pair],
    calibrations: &[Calibration],
) -> Vec<Scores> {
    let (down, across) = views[reference].dim();
    let height = (down / (4 * rayon::current_num_threads())).clamp(STRIP.0, STRIP.1);
    let strips: Vec<Vec<Vec<u8>>> = (0..down.div_ceil(height))
        .into_par_iter()
        .map(|strip| {
            let rows = strip * height..((strip + 1) * height).min(down);
            Strip::new(views, reference, pairs, calibrations).run(rows)
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

/// State of a strip that is read row by row: the last three rows of every frame and of every pair's squares.
struct Strip<'a> {
    views: &'a [View<'a>],
    reference: usize,
    pairs: &'a [Pair],
    calibrations: &'a [Calibration],
    /// By frame: the rows read last, row r at index r modulo 3.
    lines: Vec<[ChannelRows; 3]>,
    /// By frame: marks of blocks that are clipped in any channel, row r at index r modulo 3.
    clipped: Vec<[Vec<f32>; 3]>,
    /// By frame: marks of blocks of the current row that are at or next to a clipped one.
    near_clipped: Vec<Vec<f32>>,
    /// By pair and channel: squared differences over their variance, row r at index r modulo 3.
    squares: Vec<Vec<[Vec<f32>; 3]>>,
    /// Colours of the current row of the base.
    colours: ColourRow,
    buffers: RowBuffers,
    sums: Vec<f32>,
    best: Vec<f32>,
}

impl<'a> Strip<'a> {
    fn new(
        views: &'a [View<'a>],
        reference: usize,
        pairs: &'a [Pair],
        calibrations: &'a [Calibration],
    ) -> Self {
        let across = views[reference].dim().1;
        let three = || [(); 3].map(|()| vec![0.0; across]);
        Strip {
            lines: views
                .iter()
                .map(|v| [(); 3].map(|()| v.empty_rows()))
                .collect(),
            clipped: views.iter().map(|_| three()).collect(),
            near_clipped: vec![vec![0.0; across]; views.len()],
            squares: pairs
                .iter()
                .map(|_| (0..views[reference].channels()).map(|_| three()).collect())
                .collect(),
            colours: ColourRow::new(across),
            buffers: RowBuffers::new(across),
            sums: vec![0.0; across],
            best: vec![0.0; across],
            views,
            reference,
            pairs,
            calibrations,
        }
    }

    /// Scores of some rows of blocks, by pair, row after row.
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
            // The squares below the previous row are known now.
            if row > rows.start {
                self.sum(row - 1, down, &mut out);
            }
        }
        if end == rows.end {
            self.sum(rows.end - 1, down, &mut out);
        }
        out
    }

    /// Reads one row of every frame.
    fn read(&mut self, row: usize) {
        let frames = self.views.iter().zip(&mut self.lines);
        for ((view, lines), marks) in frames.zip(&mut self.clipped) {
            view.read(row, &mut lines[row % 3]);
            clipped(&lines[row % 3], &mut marks[row % 3]);
        }
    }

    /// Squares of all pairs in one row; `down` is the number of rows of blocks.
    fn square(&mut self, row: usize, down: usize) {
        let (above, below) = (row.saturating_sub(1) % 3, (row + 1).min(down - 1) % 3);
        for (marks, near) in self.clipped.iter().zip(&mut self.near_clipped) {
            near_clipped([above, row % 3, below].map(|r| marks[r].as_slice()), near);
        }
        for (p, pair) in self.pairs.iter().enumerate() {
            let near = [pair.frame, pair.base].map(|j| self.near_clipped[j].as_slice());
            self.colours.fill(&self.lines[pair.base][row % 3]);
            for (c, squares) in self.squares[p].iter_mut().enumerate() {
                let base = &self.lines[pair.base];
                dispatch_simd(Squares {
                    frame: &self.lines[pair.frame][row % 3][c],
                    base: &base[row % 3][c],
                    near,
                    rows: [above, row % 3, below].map(|r| base[r][c].radiance.as_slice()),
                    colours: &self.colours,
                    calibration: &self.calibrations[p],
                    channel: c,
                    side: self.views[0].side(),
                    buffers: &mut self.buffers,
                    out: &mut squares[row % 3],
                });
                if pair.beyond {
                    let judge = &self.lines[self.reference][row % 3][c];
                    let seen = judge.at_least.iter().zip(&judge.at_most);
                    for (out, (at_least, at_most)) in squares[row % 3].iter_mut().zip(seen) {
                        *out = if at_least * at_most == 0.0 { *out } else { 0.0 };
                    }
                }
            }
        }
    }

    /// Appends the scores of one row; outside the frame the border is repeated.
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

/// Raises `best` to the sums over three neighbours, where these are larger; the ends are repeated.
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
