//! How far the noise model is off on these very pixels: medians of squared departures by level, most pixels being still.
//!
//! Compression correlates neighbouring pixels, responses are a little off, sensors alias. The median of what two frames
//! depart by, in units of the model, says by how much; half of the pixels may move before it is misled, and it is held
//! within bounds so that motion cannot explain itself away.
use super::compare::{Pair, beside, clipped};
use super::squares::gradient;
use super::view::{Line, View};
use rayon::prelude::*;

/// Median of chi-square with one degree of freedom.
const MEDIAN: f32 = 0.454_94;
/// Bins of radiance, a quarter of an octave each.
const LEVELS: usize = 96;
/// Bound on what response and exposure ratio may be off at a level, as a share of radiance.
const OFF: f32 = 0.05;
/// 90 % point of chi-square with one degree of freedom.
const NINE_TENTHS: f32 = 2.705_5;
/// Bounds on variance over that of the model. Never below it: compression quiets most of a flat area and leaves lumps in it.
const SCALE: (f32, f32) = (1.0, 12.0);
/// Bounds on what registration, sampling and compression leave of a place, pixels.
const PLACE: (f32, f32) = (0.05, 0.5);
/// Blocks looked at, about, in whole rows.
const BLOCKS: usize = 50_000;
/// Blocks a bin needs.
const ENOUGH: usize = 100;

/// The units in which a pair's departures are squared.
#[derive(Debug, Clone)]
pub(super) struct Yardstick {
    /// By channel and level.
    marks: Vec<[Mark; LEVELS]>,
    /// By channel: square of what is left of a place, pixels^2.
    place: Vec<f32>,
}

#[derive(Debug, Clone, Copy)]
struct Mark {
    /// Radiance of the frame over that of the base.
    ratio: f32,
    /// Factor on the model's variance.
    scale: f32,
}

impl Yardstick {
    /// What is expected of a frame where the base shows a radiance, and the factor on the model's variance there.
    #[inline(always)]
    pub(super) fn expect(
        &self,
        c: usize,
        base: &[f32],
        (expected, scale): (&mut [f32], &mut [f32]),
    ) {
        let marks = &self.marks[c];
        for ((&x, expected), scale) in base.iter().zip(expected).zip(scale) {
            let mark = marks[level(x)];
            (*expected, *scale) = (mark.ratio * x, mark.scale);
        }
    }

    /// Square of what is left of a place, pixels^2.
    pub(super) fn place(&self, c: usize) -> f32 {
        self.place[c]
    }
}

/// Quarter octave of a radiance, from 2^-18 of the reference's clip level.
#[inline]
fn level(radiance: f32) -> usize {
    let quarter = (radiance.max(0.0).to_bits() >> 21) as i32 - ((127 - 18) << 2);
    quarter.clamp(0, LEVELS as i32 - 1) as usize
}

/// One block where both frames can testify either way.
#[derive(Clone, Copy)]
struct Sample {
    frame: f32,
    base: f32,
    variance: f32,
    texture: f32,
}

impl Sample {
    fn square(&self, ratio: f32) -> f32 {
        (self.frame - ratio * self.base).powi(2)
    }
}

/// A yardstick a pair.
pub(super) fn measure(views: &[View], reference: usize, pairs: &[Pair]) -> Vec<Yardstick> {
    let (down, across) = views[reference].dim();
    let step = (down * across / BLOCKS).max(1);
    let rows: Vec<usize> = (1..down - 1).step_by(step).collect();
    let read: Vec<Vec<Vec<Sample>>> = rows
        .into_par_iter()
        .map(|row| sample_row(views, pairs, row))
        .collect();
    let channels = views[reference].channels();
    let astray = |pair: &Pair| views[pair.frame].astray().max(views[pair.base].astray());
    let units = |k: usize| {
        let samples: Vec<Sample> = read.iter().flat_map(|row| &row[k]).copied().collect();
        let (marks, astray) = (marks(&samples), astray(&pairs[k / channels]));
        (marks, place(&samples, &marks).max(astray * astray))
    };
    let units: Vec<_> = (0..pairs.len() * channels)
        .into_par_iter()
        .map(units)
        .collect();
    let of_pair = |units: &[([Mark; LEVELS], f32)]| {
        let (marks, place) = units.iter().copied().unzip();
        Yardstick { marks, place }
    };
    units.chunks_exact(channels).map(of_pair).collect()
}

/// The samples of a row, channel after channel of pair after pair.
fn sample_row(views: &[View], pairs: &[Pair], row: usize) -> Vec<Vec<Sample>> {
    let lines: Vec<[Line; 3]> = views
        .iter()
        .map(|view| {
            [row - 1, row, row + 1].map(|r| {
                let mut line = view.line();
                view.read(r, &mut line);
                line
            })
        })
        .collect();
    let near: Vec<Vec<f32>> = lines.iter().map(beside_clipping).collect();
    let of_pair = |pair: &Pair| {
        let (frame, base) = (&lines[pair.frame][1], &lines[pair.base]);
        let sides = near[pair.frame].iter().zip(&near[pair.base]);
        let of_channel = |c: usize| {
            let mut out = Vec::new();
            for (i, (&beside, &beside_base)) in sides.clone().enumerate() {
                let a = frame[c].at(i).unsure(beside);
                let b = base[1][c].at(i).unsure(beside_base);
                if a.least * a.most * b.least * b.most == 1.0 {
                    out.push(Sample {
                        frame: a.x,
                        base: b.x,
                        variance: a.v + b.v,
                        texture: gradient(
                            [0, 1, 2].map(|r| base[r][c].x.as_slice()),
                            i,
                            views[0].side(),
                        ),
                    });
                }
            }
            out
        };
        (0..frame.len()).map(of_channel).collect::<Vec<_>>()
    };
    pairs.iter().flat_map(of_pair).collect()
}

fn beside_clipping(lines: &[Line; 3]) -> Vec<f32> {
    let across = lines[1][0].x.len();
    let marks = [0, 1, 2].map(|r| {
        let mut out = vec![0.0; across];
        clipped(&lines[r], &mut out);
        out
    });
    let mut out = vec![0.0; across];
    beside([&marks[0], &marks[1], &marks[2]], &mut out);
    out
}

/// Ratio and scale by level, from blocks whose texture is below the noise even where half a pixel is left.
fn marks(samples: &[Sample]) -> [Mark; LEVELS] {
    let flat = |s: &&Sample| s.texture * PLACE.1 * PLACE.1 < 9.0 * s.variance;
    let mut bins: Vec<Vec<Sample>> = vec![Vec::new(); LEVELS];
    for s in samples.iter().filter(flat) {
        bins[level(s.base)].push(*s);
    }
    let all: Vec<Sample> = bins.iter().flatten().copied().collect();
    let fallback = Mark {
        ratio: 1.0,
        scale: scale(&all, 1.0).unwrap_or(1.0),
    };
    let mut out = [fallback; LEVELS];
    for (mark, bin) in out.iter_mut().zip(&bins) {
        let mut ratios: Vec<f32> = bin.iter().map(|s| s.frame / s.base).collect();
        if let Some(ratio) = median(&mut ratios) {
            let ratio = ratio.clamp(1.0 - OFF, 1.0 + OFF);
            let scale = scale(bin, ratio).unwrap_or(1.0);
            *mark = Mark { ratio, scale };
        }
    }
    out
}

fn scale(samples: &[Sample], ratio: f32) -> Option<f32> {
    let squares = samples.iter().map(|s| s.square(ratio) / s.variance);
    let mut squares: Vec<f32> = squares.collect();
    let median = median(&mut squares)? / MEDIAN;
    let place = squares.len() * 9 / 10;
    let tail = *squares.select_nth_unstable_by(place, f32::total_cmp).1 / NINE_TENTHS;
    Some(median.max(tail).clamp(SCALE.0, SCALE.1))
}

/// What is left of a place, squared, from blocks whose texture is well above the noise.
fn place(samples: &[Sample], marks: &[Mark; LEVELS]) -> f32 {
    let of = |s: &Sample| {
        let mark = marks[level(s.base)];
        let noise = s.variance * mark.scale;
        (s.texture * 0.01 > noise).then(|| (s.square(mark.ratio) / MEDIAN - noise) / s.texture)
    };
    let mut found: Vec<f32> = samples.iter().filter_map(of).collect();
    median(&mut found).map_or(PLACE.0 * PLACE.0, |m| {
        m.clamp(PLACE.0 * PLACE.0, PLACE.1 * PLACE.1)
    })
}

fn median(values: &mut [f32]) -> Option<f32> {
    if values.len() < ENOUGH {
        return None;
    }
    let middle = values.len() / 2;
    Some(*values.select_nth_unstable_by(middle, f32::total_cmp).1)
}
