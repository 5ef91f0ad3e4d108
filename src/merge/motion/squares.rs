//! Squared differences of a row of blocks of two frames, over their variance.
use super::calibrate::{Calibration, ExpectedRow};
use super::colour::ColourRow;
use super::view::BlockRow;
use stopspan_core::raster::Work;

/// Standard deviation of a bound, relative to it: what one frame has clipped or black is held against the ends of its curve, where no
/// calibration on both frames reaches and curves are steep (judgement). Nine blocks a quarter off do not pass for motion then.
const BOUND: f32 = 0.1;

/// Mean square position error between two frames, pixels^2: half a pixel. Registration is no better everywhere (lenses breathe, near
/// things shift, half of a camera's colours have half the resolution), and what so small a shift explains is no second image.
pub(super) const SQUARED_RESIDUAL: f32 = 0.25;

/// Squared gradient up to which a block has no texture, over the variance of a block and times its side squared: eight times the mean, 4, of
/// independent blocks without any, because where chance makes a block stand out its gradient stands out too. False alarms then come at
/// the rate that was set.
const OF_NOISE: f32 = 32.0;

/// Squared gradient at block `i` of the middle row, radiance^2 per pixel^2: mean square of the differences from the four
/// neighbours, so that alternation from block to block counts as well as a slope. `side` is that of a block, pixels.
fn gradient([above, line, below]: [&[f32]; 3], i: usize, side: usize) -> f32 {
    let here = line[i];
    let left = line[i.saturating_sub(1)] - here;
    let right = line[(i + 1).min(line.len() - 1)] - here;
    let (up, down) = (above[i] - here, below[i] - here);
    (left * left + right * right + up * up + down * down) / (2 * side * side) as f32
}

/// [`gradient`] of a whole row.
#[inline(always)]
pub(super) fn gradients(rows: [&[f32]; 3], side: usize, out: &mut [f32]) {
    let [above, line, below] = rows;
    let last = line.len() - 1;
    let across = line.windows(3).zip(above[1..].iter().zip(&below[1..]));
    for (out, (row, (up, down))) in out[1..].iter_mut().zip(across) {
        let here = row[1];
        let (left, right, up, down) = (row[0] - here, row[2] - here, up - here, down - here);
        *out = (left * left + right * right + up * up + down * down) / (2 * side * side) as f32;
    }
    for i in [0, last] {
        out[i] = gradient(rows, i, side);
    }
}

/// Buffers for a row of blocks.
pub(super) struct RowBuffers {
    texture: Vec<f32>,
    expected: Vec<f32>,
    variance: Vec<f32>,
    systematic: Vec<f32>,
}

impl RowBuffers {
    pub fn new(blocks: usize) -> Self {
        let new = || vec![0.0; blocks];
        RowBuffers {
            texture: new(),
            expected: new(),
            variance: new(),
            systematic: new(),
        }
    }
}

/// Computes the squares of a row of one channel of two frames.
pub(super) struct Squares<'a> {
    pub frame: &'a BlockRow,
    pub base: &'a BlockRow,
    /// Of frame and base: 1 next to a clipped block, else 0.
    pub near: [&'a [f32]; 2],
    /// Radiance of the base in the row above, this one and the row below.
    pub rows: [&'a [f32]; 3],
    /// Colours of the base.
    pub colours: &'a ColourRow,
    pub calibration: &'a Calibration,
    pub channel: usize,
    /// Side of a block, pixels.
    pub side: usize,
    pub buffers: &'a mut RowBuffers,
    pub out: &'a mut [f32],
}

impl Work for Squares<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let RowBuffers {
            texture,
            expected,
            variance,
            systematic,
        } = self.buffers;
        let (calibration, channel) = (self.calibration, self.channel);
        gradients(self.rows, self.side, texture);
        let out = ExpectedRow {
            radiance: expected,
            scale: variance,
            systematic,
        };
        calibration.expect(channel, &self.base.radiance, self.colours, out);
        let beside = BesideNoise {
            texture,
            of_noise: OF_NOISE / (self.side * self.side) as f32,
            systematic,
        };
        add_variance(self.frame, self.base, beside, variance);
        let expected = Expected {
            radiance: expected,
            variance,
        };
        squares(self.frame, self.base, self.near, expected, self.out);
    }
}

/// What adds to the noise of a row: squared gradients, radiance^2 per pixel^2, and the variance of response errors.
struct BesideNoise<'a> {
    texture: &'a [f32],
    /// Up to so many variances of a block `texture` is noise.
    of_noise: f32,
    systematic: &'a [f32],
}

/// Radiance expected in the frame, and variance of the difference from it.
struct Expected<'a> {
    radiance: &'a [f32],
    variance: &'a [f32],
}

/// Replaces the factors on the model's variance in `out` by the variance of the difference of the two frames.
#[inline(always)]
fn add_variance(frame: &BlockRow, base: &BlockRow, beside: BesideNoise, out: &mut [f32]) {
    let both = frame.variance.iter().zip(&base.variance);
    let more = beside.texture.iter().zip(beside.systematic);
    for (out, ((a, b), (texture, systematic))) in out.iter_mut().zip(both.zip(more)) {
        let chance = *texture <= beside.of_noise * b * *out;
        let texture = if chance { 0.0 } else { *texture };
        *out = (a + b) * *out + SQUARED_RESIDUAL * texture + systematic;
    }
    let values = [frame, base].map(|row| row.at_least.iter().zip(&row.at_most));
    let radiances = frame.radiance.iter().zip(&base.radiance);
    let [of_frame, of_base] = values;
    for ((out, (x, y)), ((a, b), (c, d))) in
        out.iter_mut().zip(radiances).zip(of_frame.zip(of_base))
    {
        let bound = BOUND * (1.0 - a * b * c * d) * x.max(*y);
        *out += bound * bound;
    }
}

/// Squared differences over their variance; 0 where the bounds of the two blocks are compatible.
#[inline(always)]
fn squares(
    frame: &BlockRow,
    base: &BlockRow,
    near: [&[f32]; 2],
    expected: Expected,
    out: &mut [f32],
) {
    let differences = frame.radiance.iter().zip(expected.radiance);
    let differences = differences.zip(expected.variance);
    let frame = frame.at_least.iter().zip(&frame.at_most).zip(near[0]);
    let base = base.at_least.iter().zip(&base.at_most).zip(near[1]);
    for ((out, ((x, expected), variance)), (frame, base)) in
        out.iter_mut().zip(differences).zip(frame.zip(base))
    {
        let d = x - expected;
        let ((at_least, at_most), near) = frame;
        let frame = near_clipping(*at_least, *at_most, *near);
        let ((at_least, at_most), near) = base;
        let base = near_clipping(*at_least, *at_most, *near);
        let above = frame.0 * base.1;
        let below = frame.1 * base.0;
        *out = if d > 0.0 { above } else { below } * d * d / variance;
    }
}

/// The marks [`at_least`](super::view::BlockBound::at_least) and [`at_most`](super::view::BlockBound::at_most) that are left where `near`
/// is 1, next to a clipped block of the same frame; unchanged where it is 0. Compression spreads the colour errors of clipping to the
/// neighbours, so an unclipped block there bounds nothing.
#[inline(always)]
fn near_clipping(at_least: f32, at_most: f32, near: f32) -> (f32, f32) {
    (at_least * (1.0 - near * at_most), at_most * (1.0 - near))
}
