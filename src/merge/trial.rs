//! A bracket whose light, noise and register are known, for tests: linear frames of 16 bits.
use ndarray::Array3;
use stopspan_core::model::{Bracket, Frame, Noise, NoiseModel, NoiseSource};
use stopspan_core::model::{Response, ResponseCurve, ResponseMethod};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::units::Estimate;

pub(crate) const ROWS: usize = 120;
pub(crate) const COLUMNS: usize = 180;
/// Variance per unit exposure, and at none; exposure 1 clips.
pub(crate) const SHOT: f64 = 1.0 / 9000.0;
pub(crate) const READ: f64 = 1e-6;

/// Numbers of a normal distribution with deviation 1, near enough: sums of twelve even ones.
pub(crate) struct Noisy(pub u32);

impl Noisy {
    fn next(&mut self) -> f64 {
        let mut even = || {
            self.0 = self.0.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            f64::from(self.0 >> 8) / f64::from(1 << 24)
        };
        (0..12).map(|_| even()).sum::<f64>() - 6.0
    }
}

/// A linear frame of `stops` that sees at `position + shift` what the reference sees at `position`. `late` is the noise that the
/// camera adds where its sensor is full already.
pub(crate) fn frame(
    (stops, shift): (f64, [f64; 2]),
    late: f64,
    noise: &mut Noisy,
    light: impl Fn(f64, f64) -> f64,
) -> Frame {
    const PARTS: usize = 4;
    let levels = Array3::from_shape_fn((ROWS, COLUMNS, 1), |(r, c, _)| {
        let mut sum = 0.0;
        for k in 0..PARTS * PARTS {
            let part = |k: usize| (k as f64 + 0.5) / PARTS as f64;
            let (y, x) = (r as f64 + part(k / PARTS), c as f64 + part(k % PARTS));
            sum += light(y - shift[1], x - shift[0]);
        }
        let x = stops.exp2() * sum / (PARTS * PARTS) as f64;
        let full = (x + (SHOT * x + READ).sqrt() * noise.next()).min(1.0);
        (65535.0 * (full + late * noise.next()).clamp(0.0, 1.0)).round() as u16
    });
    let exposure = Estimate::new(stops, 0.01);
    let mut frame = Frame::of_pixels(format!("{stops}.png"), Pixels::U16(levels), exposure);
    frame.transform = (shift != [0.0; 2]).then(|| Transform::shift(shift[0], shift[1]));
    frame
}

/// The bracket of some frames, reference in the middle.
pub(crate) fn bracket(frames: impl Into<Vec<Frame>>) -> Bracket {
    let frames = frames.into();
    let reference = frames.len() / 2;
    Bracket::new("known", frames, reference)
}

/// What these frames have for a response and for noise.
pub(crate) fn known() -> (Response, Noise) {
    let response = Response {
        method: ResponseMethod::Linear,
        curves: vec![ResponseCurve::linear(4096, 1.0)],
        residual_stops: 0.0,
        samples: 0,
    };
    let model = NoiseModel {
        shot: SHOT,
        read_variance: READ,
        code_variance: 0.0,
    };
    let noise = Noise {
        channels: vec![model],
        groups: 9,
        source: NoiseSource::Measured,
    };
    (response, noise)
}
