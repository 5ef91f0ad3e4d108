//! Squared departures of a row of blocks of one frame from another's, in units of their variance.
use super::calibrate::Yardstick;
use super::view::Words;
use stopspan_core::raster::Work;

/// Squared gradient, radiance^2 per pixel^2: mean square of the differences to the four neighbours, so that ripple from block to
/// block counts as well as a slope.
pub(super) fn gradient([above, line, below]: [&[f32]; 3], i: usize, side: usize) -> f32 {
    let here = line[i];
    let left = line[i.saturating_sub(1)] - here;
    let right = line[(i + 1).min(line.len() - 1)] - here;
    let (up, down) = (above[i] - here, below[i] - here);
    (left * left + right * right + up * up + down * down) / (2 * side * side) as f32
}

/// The same of a whole row.
#[inline(always)]
fn gradients(rows: [&[f32]; 3], side: usize, out: &mut [f32]) {
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

/// Scratch for a row.
pub(super) struct Scratch {
    texture: Vec<f32>,
    expected: Vec<f32>,
    variance: Vec<f32>,
}

impl Scratch {
    pub fn new(blocks: usize) -> Self {
        let new = || vec![0.0; blocks];
        Scratch {
            texture: new(),
            expected: new(),
            variance: new(),
        }
    }
}

/// A row of one channel of two frames to be compared; `near` is 1 beside a clipped block, else 0.
pub(super) struct Squares<'a> {
    pub frame: &'a Words,
    pub base: &'a Words,
    pub near: [&'a [f32]; 2],
    /// Radiance of the base above, here and below.
    pub rows: [&'a [f32]; 3],
    pub yardstick: (&'a Yardstick, usize),
    pub side: usize,
    pub scratch: &'a mut Scratch,
    pub out: &'a mut [f32],
}

impl Work for Squares<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Scratch {
            texture,
            expected,
            variance,
        } = self.scratch;
        let (yardstick, channel) = self.yardstick;
        gradients(self.rows, self.side, texture);
        yardstick.expect(channel, &self.base.x, (expected, variance));
        add_variance(
            self.frame,
            self.base,
            (texture, yardstick.place(channel)),
            variance,
        );
        squares(
            self.frame,
            self.base,
            self.near,
            (expected, variance),
            self.out,
        );
    }
}

/// From the factor on the model's variance to the variance of a departure.
#[inline(always)]
fn add_variance(frame: &Words, base: &Words, (texture, place): (&[f32], f32), out: &mut [f32]) {
    let both = frame.v.iter().zip(&base.v).zip(texture);
    for (out, ((a, b), texture)) in out.iter_mut().zip(both) {
        *out = (a + b) * *out + place * texture;
    }
}

/// The squares; 0 where the two cannot testify to a departure.
#[inline(always)]
fn squares(
    frame: &Words,
    base: &Words,
    near: [&[f32]; 2],
    (expected, variance): (&[f32], &[f32]),
    out: &mut [f32],
) {
    let departures = frame.x.iter().zip(expected).zip(variance);
    let frame = frame.least.iter().zip(&frame.most).zip(near[0]);
    let base = base.least.iter().zip(&base.most).zip(near[1]);
    for ((out, ((x, expected), variance)), (frame, base)) in
        out.iter_mut().zip(departures).zip(frame.zip(base))
    {
        let d = x - expected;
        let (frame, base) = (unsure(frame), unsure(base));
        let above = frame.0 * base.1;
        let below = frame.1 * base.0;
        *out = if d > 0.0 { above } else { below } * d * d / variance;
    }
}

/// At least and at most, beside a clipped block of the frame (1) or not (0): there compression spreads what clipping did to
/// the colours, so that an unclipped block says nothing.
#[inline(always)]
fn unsure(((least, most), near): ((&f32, &f32), &f32)) -> (f32, f32) {
    (least * (1.0 - near * most), most * (1.0 - near))
}
