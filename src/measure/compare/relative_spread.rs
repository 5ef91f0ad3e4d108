//! The kernel that maps one picture to another, from averaged spectra (Welch 1967), each frequency weighted by its
//! coherence (Carter, Knapp and Nuttall 1973).
use ndarray::Array2;
use rustfft::{Fft, FftDirection, algorithm::Radix4, num_complex::Complex64};
use std::f64::consts::PI;

/// Side of the blocks of the spectra, pixels.
pub const BLOCK: usize = 64;
const AREA: usize = BLOCK * BLOCK;
/// Standard deviation of the Gaussian that suppresses ringing of the kernel, pixels.
const TAPER: f64 = 0.45;
/// Smallest number of blocks for a coherence, whose bias is one over their number.
const FEWEST: usize = 9;

/// Transforms and window, computed once.
pub struct Spectra {
    forward: Radix4<f64>,
    inverse: Radix4<f64>,
    window: Vec<f64>,
}

/// Sums over the blocks of an area.
#[derive(Clone)]
pub struct Sums {
    cross: Vec<Complex64>,
    first: Vec<f64>,
    second: Vec<f64>,
    blocks: usize,
}

impl Default for Sums {
    fn default() -> Self {
        Sums {
            cross: vec![Complex64::ZERO; AREA],
            first: vec![0.0; AREA],
            second: vec![0.0; AREA],
            blocks: 0,
        }
    }
}

/// A kernel, and the kernel of a perfect copy at the same coherence. Displacement (0, 0) is in the middle.
pub struct Spread {
    /// Kernel from the first picture to the second.
    pub kernel: Array2<f64>,
    /// Kernel from the first picture to itself, limited to the frequencies that both pictures share.
    pub beam: Array2<f64>,
}

impl Spectra {
    /// The transforms, and a Hann window.
    pub fn new() -> Self {
        let fade = |i: usize| (PI * i as f64 / BLOCK as f64).sin().powi(2);
        Spectra {
            forward: Radix4::new(BLOCK, FftDirection::Forward),
            inverse: Radix4::new(BLOCK, FftDirection::Inverse),
            window: (0..AREA)
                .map(|i| fade(i / BLOCK) * fade(i % BLOCK))
                .collect(),
        }
    }

    /// Adds a block: levels of both pictures, row by row. One transform serves both, as real and imaginary part.
    pub fn add(&self, sums: &mut Sums, levels: &[[f32; 2]]) {
        let mean = |k: usize| levels.iter().map(|l| f64::from(l[k])).sum::<f64>() / AREA as f64;
        let means = [mean(0), mean(1)];
        let mut both: Vec<Complex64> = levels
            .iter()
            .zip(&self.window)
            .map(|(l, w)| {
                Complex64::new(
                    (f64::from(l[0]) - means[0]) * w,
                    (f64::from(l[1]) - means[1]) * w,
                )
            })
            .collect();
        plane(&mut both, &self.forward);
        for i in 0..AREA {
            let opposite = (BLOCK - i / BLOCK) % BLOCK * BLOCK + (BLOCK - i % BLOCK) % BLOCK;
            let (here, there) = (both[i], both[opposite].conj());
            let first = (here + there) / 2.0;
            let second = (here - there) / Complex64::new(0.0, 2.0);
            sums.cross[i] += second * first.conj();
            sums.first[i] += first.norm_sqr();
            sums.second[i] += second.norm_sqr();
        }
        sums.blocks += 1;
    }

    /// The kernel; `None` with too few blocks.
    pub fn spread(&self, sums: &Sums) -> Option<Spread> {
        if sums.blocks < FEWEST {
            return None;
        }
        let one = 1.0 / sums.blocks as f64;
        let mut weights: Vec<f64> = (0..AREA)
            .map(|i| {
                let product = (sums.first[i] * sums.second[i]).max(f64::MIN_POSITIVE);
                let coherence = sums.cross[i].norm_sqr() / product;
                let frequency = |k: usize| {
                    let k = k as f64;
                    k.min(BLOCK as f64 - k) / BLOCK as f64
                };
                let square = frequency(i / BLOCK).powi(2) + frequency(i % BLOCK).powi(2);
                let taper = (-2.0 * (PI * TAPER).powi(2) * square).exp();
                ((coherence - one) / (1.0 - one)).max(0.0) * taper
            })
            .collect();
        let mut transfer: Vec<Complex64> = (0..AREA)
            .map(|i| sums.cross[i] / sums.first[i].max(f64::MIN_POSITIVE))
            .collect();
        // Block means were subtracted, so zero frequency is taken from its neighbours.
        let next = [1, BLOCK - 1, BLOCK, AREA - BLOCK];
        transfer[0] = next.iter().map(|&i| transfer[i]).sum::<Complex64>() / 4.0;
        weights[0] = next.iter().map(|&i| weights[i]).fold(0.0, f64::max);
        let back = |values: Vec<Complex64>| {
            let mut values = values;
            plane(&mut values, &self.inverse);
            let half = BLOCK / 2;
            Array2::from_shape_fn((BLOCK, BLOCK), |(r, c)| {
                values[(r + half) % BLOCK * BLOCK + (c + half) % BLOCK].re / AREA as f64
            })
        };
        let weighted = transfer.iter().zip(&weights).map(|(t, w)| t * w);
        Some(Spread {
            kernel: back(weighted.collect()),
            beam: back(weights.iter().map(|w| Complex64::from(*w)).collect()),
        })
    }
}

/// Two-dimensional transform: rows, then columns.
fn plane(values: &mut [Complex64], transform: &Radix4<f64>) {
    for _ in 0..2 {
        transform.process(values);
        for r in 0..BLOCK {
            for c in r + 1..BLOCK {
                values.swap(r * BLOCK + c, c * BLOCK + r);
            }
        }
    }
}
