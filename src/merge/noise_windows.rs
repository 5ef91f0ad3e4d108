//! Samples for fitting noise models: variances over small windows of one frame, or of the difference of two, by level.
use rayon::prelude::*;
use smallvec::SmallVec;
use stopspan_core::model::{Bracket, Clip, Frame};
use stopspan_core::model::{ResponseCurve, ResponseMethod};
use stopspan_core::raster::Pixels;

/// Side of the windows that variances are taken over, pixels.
const SIDE: usize = 8;
/// Approximate number of windows used in each pair.
const WINDOWS: usize = 8_000;
/// Windows in a parallel task.
const TOGETHER: usize = 512;
/// Least number of windows in a group.
const GROUP: usize = 24;

/// Windows of about one radiance of one pair of frames: an observation of the noise model.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Group {
    /// Coefficients of the model's shot, read and code variance at the mean radiance.
    pub shot: f64,
    pub read: f64,
    pub code: f64,
    /// Variance of radiance (or of the difference of two radiances) measured.
    pub variance: f64,
    /// Number of windows, at most 2000.
    pub weight: f64,
}

/// Range of levels in which variances are used, fractions of full scale.
pub(super) struct Gate {
    low: f64,
    high: f64,
}

impl Gate {
    /// The range of one channel. It ends two 8-bit codes above the floor, where the response is steep and rounding dominates;
    /// linear samples of more than 8 bits are usable down to the floor, and only there is the dark noise measurable.
    pub(super) fn new(
        bracket: &Bracket,
        method: ResponseMethod,
        curve: &ResponseCurve,
        clip: &Clip,
    ) -> Self {
        let pixels = &bracket.reference_frame().picture.pixels;
        let deep = method == ResponseMethod::Linear && pixels.bits() > 8;
        let margin = if deep { 0.5 / 65535.0 } else { 2.0 / 255.0 };
        Gate {
            low: clip.floor_level.max(curve.supported.0) + margin,
            high: clip.clip_level - 4.0 / 255.0,
        }
    }
}

/// All pairs of frames. If any frame has a transform, the scene does not cancel pixel by pixel: each frame is then paired
/// with itself, and analysed alone.
pub(super) fn pairs_of(bracket: &Bracket) -> Vec<(usize, usize)> {
    let count = bracket.frames.len();
    if bracket.frames.iter().any(|f| f.transform.is_some()) {
        return (0..count).map(|frame| (frame, frame)).collect();
    }
    (0..count)
        .flat_map(|first| (first + 1..count).map(move |second| (first, second)))
        .collect()
}

/// One channel of one frame as radiance, NaN outside the [`Gate`].
pub(super) struct View<'a> {
    pixels: &'a Pixels,
    frame: &'a Frame,
    channel: usize,
    /// Exposure relative to the reference frame.
    factor: f64,
    /// Sensitivity relative to the reference frame.
    gain: f64,
    /// Radiance by code; empty for float samples, which are computed.
    by_code: Vec<f64>,
    curve: &'a ResponseCurve,
    gate: &'a Gate,
}

impl<'a> View<'a> {
    pub(super) fn new(
        bracket: &'a Bracket,
        curve: &'a ResponseCurve,
        gate: &'a Gate,
        frame: usize,
        channel: usize,
    ) -> Self {
        let pixels = &bracket.frames[frame].picture.pixels;
        let mut view = View {
            pixels,
            frame: &bracket.frames[frame],
            channel,
            factor: bracket.channel_exposure(frame, channel),
            gain: bracket.gain(frame),
            by_code: Vec::new(),
            curve,
            gate,
        };
        let codes = match pixels {
            Pixels::U8(_) => 256,
            Pixels::U16(_) => 65536,
            Pixels::F32(_) => 0,
        };
        let level = |code: usize| code as f32 / (codes - 1) as f32;
        view.by_code = (0..codes).map(|code| view.radiance(level(code))).collect();
        view
    }

    fn radiance(&self, level: f32) -> f64 {
        let level = f64::from(level);
        if level < self.gate.low || level > self.gate.high {
            return f64::NAN;
        }
        self.curve.exposure_at(level) / self.factor
    }

    /// The window with this top left corner; `None` unless all of it is inside the gate and shows the scene.
    fn window(&self, top: usize, left: usize) -> Option<WindowRadiance> {
        if !self.frame.covers(top, left, SIDE) {
            return None;
        }
        let mut seen = [[0.0; SIDE]; SIDE];
        for (k, line) in seen.iter_mut().enumerate() {
            *line = self.line(top + k, left);
            if line.iter().any(|x| x.is_nan()) {
                return None;
            }
        }
        Some(seen)
    }

    /// Radiance of one row of a window.
    fn line(&self, row: usize, left: usize) -> [f64; SIDE] {
        let (_, columns, channels) = self.pixels.dim();
        let first = (row * columns + left) * channels + self.channel;
        let mut line = [0.0; SIDE];
        match self.pixels {
            Pixels::U8(a) => {
                let codes = a.as_slice().unwrap_or_default()[first..].iter();
                for (x, &code) in line.iter_mut().zip(codes.step_by(channels)) {
                    *x = self.by_code[usize::from(code)];
                }
            }
            Pixels::U16(a) => {
                let codes = a.as_slice().unwrap_or_default()[first..].iter();
                for (x, &code) in line.iter_mut().zip(codes.step_by(channels)) {
                    *x = self.by_code[usize::from(code)];
                }
            }
            Pixels::F32(a) => {
                let levels = a.as_slice().unwrap_or_default()[first..].iter();
                for (x, &level) in line.iter_mut().zip(levels.step_by(channels)) {
                    *x = self.radiance(level);
                }
            }
        }
        line
    }
}

/// Groups noise windows per channel for every pair of frames; a pair (j, j) uses frame j alone. `channels` has the views of
/// all frames, by channel.
pub(super) fn groups_of(channels: &[Vec<View>], pairs: &[(usize, usize)]) -> Vec<Vec<Group>> {
    let Some(first) = channels.first().and_then(|views| views.first()) else {
        return Vec::new();
    };
    let (rows, columns, _) = first.pixels.dim();
    let (down, across) = (rows / SIDE, columns / SIDE);
    let skip = (down * across / WINDOWS).max(1);
    let places: Vec<usize> = (0..down * across).step_by(skip).collect();
    // Windows by channel and pair.
    type Found = Vec<Vec<Vec<Window>>>;
    let found: Vec<Found> = places
        .par_chunks(TOGETHER)
        .map(|places| {
            let mut out: Found = vec![vec![Vec::new(); pairs.len()]; channels.len()];
            for place in places {
                let (top, left) = (place / across * SIDE, place % across * SIDE);
                for (views, out) in channels.iter().zip(&mut out) {
                    let seen: SmallVec<[Option<WindowRadiance>; 4]> =
                        views.iter().map(|view| view.window(top, left)).collect();
                    for (out, &(a, b)) in out.iter_mut().zip(pairs) {
                        let (Some(first), Some(second)) = (&seen[a], &seen[b]) else {
                            continue;
                        };
                        out.extend(if a == b {
                            ripple(first)
                        } else {
                            difference(first, second)
                        });
                    }
                }
            }
            out
        })
        .collect();
    let of_pair = |channel: usize, (k, &(a, b)): (usize, &(usize, usize))| {
        let mut bins: Vec<Vec<Window>> = vec![Vec::new(); BINS];
        for window in found.iter().flat_map(|part| &part[channel][k]) {
            let bin = (window.radiance.log2() + 20.0) * 2.0;
            bins[bin.clamp(0.0, BINS as f64 - 1.0) as usize].push(*window);
        }
        let views = &channels[channel];
        let bins = bins.into_iter().filter(|bin| bin.len() >= GROUP);
        let other = (a != b).then(|| &views[b]);
        let groups = bins.map(|bin| summarise(bin, &views[a], other));
        groups.collect::<Vec<_>>()
    };
    let of_channel = |channel: usize| {
        let pairs = pairs.iter().enumerate();
        pairs.flat_map(|pair| of_pair(channel, pair)).collect()
    };
    (0..channels.len())
        .into_par_iter()
        .map(of_channel)
        .collect()
}

/// Bins of radiance, half an octave each.
const BINS: usize = 60;

/// Mean radiance and variance of one window.
#[derive(Clone, Copy)]
struct Window {
    radiance: f64,
    variance: f64,
}

/// Radiance of a window by row and column.
type WindowRadiance = [[f64; SIDE]; SIDE];

/// Mean radiance of one window in two frames, and variance of their difference; `None` if the mean is not positive.
fn difference(a: &WindowRadiance, b: &WindowRadiance) -> Option<Window> {
    // One accumulator for each column, so that no addition waits for the previous one.
    let (mut sums, mut squares, mut totals) = ([0.0; SIDE], [0.0; SIDE], [0.0; SIDE]);
    for (a, b) in a.iter().zip(b) {
        for k in 0..SIDE {
            let (x, y) = (a[k], b[k]);
            sums[k] += x - y;
            squares[k] += (x - y) * (x - y);
            totals[k] += x + y;
        }
    }
    let [sum, square, total] = [sums, squares, totals].map(|s| s.iter().sum::<f64>());
    let n = (SIDE * SIDE) as f64;
    let mean = sum / n;
    let radiance = total / (2.0 * n);
    (radiance > 0.0).then(|| Window {
        radiance,
        // Rounding of the sums must not make a variance negative.
        variance: (square / n - mean * mean).max(0.0) * n / (n - 1.0),
    })
}

/// Mean radiance and variance of one window in one frame, from second differences `x - (left + right) / 2` along the rows,
/// whose variance is 3/2 of a pixel's. A gradient cancels, texture does not.
fn ripple(a: &WindowRadiance) -> Option<Window> {
    let (mut square, mut total) = (0.0, 0.0);
    for line in a {
        total += line.iter().sum::<f64>();
        square += line
            .windows(3)
            .map(|w| (w[1] - 0.5 * (w[0] + w[2])).powi(2))
            .sum::<f64>();
    }
    let radiance = total / (SIDE * SIDE) as f64;
    let count = (SIDE * (SIDE - 2)) as f64;
    (radiance > 0.0).then(|| Window {
        radiance,
        variance: square / count / 1.5,
    })
}

/// Median variance of a group, so that motion and misregistered texture have little influence, with the coefficients of the
/// model at its mean radiance. `b` is `None` for windows of frame `a` alone.
fn summarise(mut bin: Vec<Window>, a: &View, b: Option<&View>) -> Group {
    let curve = a.curve;
    let count = bin.len() as f64;
    let radiance = bin.iter().map(|w| w.radiance).sum::<f64>() / count;
    // In a frame alone texture adds to the variance: the lowest tenth of the windows has least of it.
    let middle = if b.is_some() {
        bin.len() / 2
    } else {
        bin.len() / 10
    };
    let normal = if b.is_some() { 0.0 } else { -1.2816 };
    let median = bin
        .select_nth_unstable_by(middle, |x, y| x.variance.total_cmp(&y.variance))
        .1
        .variance;
    let freedom = (SIDE * SIDE - 1) as f64;
    // Wilson and Hilferty (1931): quantile of chi-square over its mean.
    let spread: f64 = 2.0 / (9.0 * freedom);
    let variance = median / (1.0 - spread + normal * spread.sqrt()).powi(3);
    let term = |s: &View| {
        let slope = curve.slope_at(curve.level_of(radiance * s.factor)) / 255.0;
        let k2 = s.factor * s.factor;
        (
            s.gain * radiance * s.factor / k2,
            s.gain.max(1.0).powi(2) / k2,
            slope * slope / k2,
        )
    };
    let (p, q) = (term(a), b.map_or((0.0, 0.0, 0.0), term));
    Group {
        shot: p.0 + q.0,
        read: p.1 + q.1,
        code: p.2 + q.2,
        variance,
        weight: count.min(2000.0),
    }
}
