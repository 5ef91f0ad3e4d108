//! Interpolation between pixels: kernel weights, the noise gain they have, and a plane's value at a point.
use super::Point;
use ndarray::ArrayView2;
use serde::{Deserialize, Serialize};

/// Interpolation kernel. Apply to linear radiance, never to encoded levels.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Interpolation {
    /// Linear, two pixels along each axis.
    Linear,
    /// Cubic convolution with a = -1/2 (Keys 1981), four pixels along each axis.
    #[default]
    Cubic,
    /// Windowed sinc with three lobes (Lanczos window; Duchon 1979), six pixels along each axis.
    Lanczos,
}

/// Bound on positions, pixels; larger than any picture.
const FAR: f64 = 1e9;

/// Weights along one axis for consecutive pixels, starting at `first`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Taps {
    /// Index of the first pixel; may be outside the plane.
    pub first: isize,
    /// Number of pixels.
    pub len: usize,
    /// Weights, which sum to 1; only the first `len` are used.
    pub weights: [f32; 6],
}

impl Taps {
    /// The weights in use.
    #[inline]
    pub fn weights(&self) -> &[f32] {
        &self.weights[..self.len]
    }

    /// Sum of squared weights: the factor on the variance of uncorrelated noise along this axis. For a plane multiply
    /// the sums of both axes.
    #[inline]
    pub fn noise_gain(&self) -> f32 {
        self.weights().iter().map(|w| w * w).sum()
    }
}

impl Interpolation {
    /// Weights along one axis at `position`, pixels (the centre of pixel i is at i + 0.5). At the centre of a pixel
    /// that pixel alone has weight.
    ///
    /// Positions are clamped to -/+ 10^9 pixels; NaN gives NaN weights.
    #[inline]
    pub fn taps(self, position: f64) -> Taps {
        let at = position.clamp(-FAR, FAR) - 0.5;
        let whole = at as isize;
        // Rounds down without `floor`, which is a function call on machines without an instruction for it.
        let base = whole - isize::from(whole as f64 > at);
        let t = at - base as f64;
        let (before, len) = match self {
            Interpolation::Linear => (0, 2),
            Interpolation::Cubic => (1, 4),
            Interpolation::Lanczos => (2, 6),
        };
        let weights = match self {
            Interpolation::Cubic => cubic(t),
            _ => self.weights(t, before, len),
        };
        Taps {
            first: base - before as isize,
            len,
            weights,
        }
    }

    fn weights(self, t: f64, before: u8, len: usize) -> [f32; 6] {
        let mut weights = [0f32; 6];
        let mut sum = 0.0;
        for (i, weight) in weights.iter_mut().take(len).enumerate() {
            let value = self.kernel(t + f64::from(before) - i as f64);
            *weight = value as f32;
            sum += value;
        }
        for weight in &mut weights {
            *weight /= sum as f32;
        }
        weights
    }

    #[inline]
    fn kernel(self, x: f64) -> f64 {
        let x = x.abs();
        match self {
            Interpolation::Linear => (1.0 - x).max(0.0),
            Interpolation::Cubic if x < 1.0 => (1.5 * x - 2.5) * x * x + 1.0,
            Interpolation::Cubic if x < 2.0 => ((-0.5 * x + 2.5) * x - 4.0) * x + 2.0,
            Interpolation::Lanczos if x < 3.0 => sinc(x) * sinc(x / 3.0),
            _ => 0.0,
        }
    }

    /// Largest distance of a pixel that takes part, pixels; flags (clipped, uncovered) spread this far.
    pub fn support(self) -> usize {
        match self {
            Interpolation::Linear => 2,
            Interpolation::Cubic => 4,
            Interpolation::Lanczos => 6,
        }
    }
}

/// The kernel of cubic convolution at 1 + t, t, 1 - t and 2 - t, as polynomials in t.
#[inline]
fn cubic(t: f64) -> [f32; 6] {
    let weights = [
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    ];
    let [a, b, c, d] = weights.map(|w| w as f32);
    [a, b, c, d, 0.0, 0.0]
}

fn sinc(x: f64) -> f64 {
    if x < 1e-9 {
        1.0
    } else {
        let angle = std::f64::consts::PI * x;
        angle.sin() / angle
    }
}

/// An interpolated value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sampled {
    /// The value, in the plane's unit.
    pub value: f32,
    /// Noise gain of the kernel at this point: factor on the variance of uncorrelated noise. 0.25 for linear
    /// interpolation half-way between four pixels, 1 at the centre of a pixel.
    pub noise_gain: f32,
}

/// Interpolates a plane at a point. `None` if the point, or a pixel with weight, is outside the plane.
pub fn sample(plane: ArrayView2<f32>, at: Point, interpolation: Interpolation) -> Option<Sampled> {
    if !(at.x.abs() < FAR && at.y.abs() < FAR) {
        return None;
    }
    let (rows, columns) = plane.dim();
    let (across, down) = (interpolation.taps(at.x), interpolation.taps(at.y));
    let mut value = 0.0;
    for (i, &wy) in down.weights().iter().enumerate() {
        if wy == 0.0 {
            continue;
        }
        let r = usize::try_from(down.first + i as isize)
            .ok()
            .filter(|&r| r < rows)?;
        for (j, &wx) in across.weights().iter().enumerate() {
            if wx == 0.0 {
                continue;
            }
            let c = usize::try_from(across.first + j as isize)
                .ok()
                .filter(|&c| c < columns)?;
            value += wx * wy * plane[[r, c]];
        }
    }
    Some(Sampled {
        value,
        noise_gain: across.noise_gain() * down.noise_gain(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    const ALL: [Interpolation; 3] = [
        Interpolation::Linear,
        Interpolation::Cubic,
        Interpolation::Lanczos,
    ];

    #[test]
    fn pixels_are_kept_and_constants_too() {
        let plane = Array2::from_shape_fn((9, 11), |(r, c)| (r * 3 + c * c) as f32);
        for kind in ALL {
            let p = Point { x: 4.5, y: 3.5 };
            let s = sample(plane.view(), p, kind).unwrap();
            assert!((s.value - plane[[3, 4]]).abs() < 1e-5 && (s.noise_gain - 1.0).abs() < 1e-6);
            for i in 0..20 {
                let taps = kind.taps(5.0 + f64::from(i) * 0.05);
                assert!((taps.weights().iter().sum::<f32>() - 1.0).abs() < 1e-6);
            }
        }
    }

    /// Keys (1981): cubic convolution with a = -1/2 reproduces quadratics.
    #[test]
    fn cubic_reproduces_quadratics() {
        let plane = Array2::from_shape_fn((12, 12), |(r, c)| {
            let (x, y) = (c as f32 + 0.5, r as f32 + 0.5);
            0.3 * x * x - y * y + 2.0 * x * y - x + 4.0
        });
        for (x, y) in [(4.3f32, 6.9f32), (5.0, 5.75), (6.1, 4.0)] {
            let p = Point {
                x: x.into(),
                y: y.into(),
            };
            let s = sample(plane.view(), p, Interpolation::Cubic).unwrap();
            assert!((s.value - (0.3 * x * x - y * y + 2.0 * x * y - x + 4.0)).abs() < 1e-3);
        }
    }

    /// The polynomials equal the kernel.
    #[test]
    fn cubic_weights_are_those_of_the_kernel() {
        for i in -300..300 {
            let position = f64::from(i) * 0.037;
            let taps = Interpolation::Cubic.taps(position);
            for (k, weight) in taps.weights().iter().enumerate() {
                let x = position - 0.5 - (taps.first + k as isize) as f64;
                assert!((f64::from(*weight) - Interpolation::Cubic.kernel(x)).abs() < 1e-7);
            }
        }
    }

    #[test]
    fn energy_is_the_variance_left() {
        let half = Interpolation::Linear.taps(3.0);
        assert!((half.noise_gain() * half.noise_gain() - 0.25).abs() < 1e-6);
        // Keys' kernel half-way between pixels: (-1, 9, 9, -1)/16.
        let cubic = Interpolation::Cubic.taps(3.0);
        assert!((cubic.noise_gain() - 164.0 / 256.0).abs() < 1e-6);
    }

    #[test]
    fn outside_is_none() {
        let plane = Array2::zeros((6, 6));
        for (x, y) in [
            (-0.1, 3.0),
            (3.0, 6.2),
            (0.4, 0.4),
            (f64::NAN, 2.0),
            (1e30, 1.0),
        ] {
            assert!(
                sample(plane.view(), Point { x, y }, Interpolation::Cubic).is_none(),
                "{x} {y}"
            );
        }
    }
}
