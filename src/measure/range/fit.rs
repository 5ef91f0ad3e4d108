//! Fit of the noise model to the variances of the patches: iterated weighted least squares with non-negative parameters.
use super::noise_model::{Capture, Part, dot, gradient_of, variance_of};
use crate::wedge::PatchSample;
use stopspan_core::model::NoiseModel;
use stopspan_core::statistics::robust::median;

/// Largest share of clipped or crushed pixels of a patch used in the fit.
const CLEAN: f64 = 0.001;
/// Smallest number of blocks of a patch whose scatter is used.
const FEWEST_BLOCKS: usize = 12;

/// The variance measured on one patch.
#[derive(Debug, Clone)]
pub struct Observation {
    /// Mean radiance.
    pub radiance: f64,
    /// Variance of one pixel's radiance.
    pub variance: f64,
    /// Equivalent number of independent samples behind the variance.
    pub samples: f64,
    pub(crate) parts: Vec<Part>,
}

impl Observation {
    /// A variance measured at a radiance, with its equivalent number of independent samples.
    pub fn new(capture: &Capture, radiance: f64, variance: f64, samples: f64) -> Self {
        Observation {
            radiance,
            variance,
            samples,
            parts: capture.parts(radiance),
        }
    }
}

/// The patches used in the fit, with their index: not clipped, crushed or textured.
pub fn observations(patches: &[PatchSample], capture: &Capture) -> Vec<(usize, Observation)> {
    let mut seen = clean(patches, capture);
    let scatter = block_scatter(patches, &seen);
    seen.iter_mut().for_each(|(_, o)| o.samples /= scatter);
    seen
}

/// Factor >= 1 on the variance of the patches' variances over what normal noise of their correlation has, from the scatter of the squares of
/// blocks; median of the patches. Compression leaves more noise in one block than in the next, of which the correlation of pixels knows
/// nothing.
fn block_scatter(patches: &[PatchSample], seen: &[(usize, Observation)]) -> f64 {
    let factor = |(index, o): &(usize, Observation)| {
        let blocks = &patches[*index].blocks;
        let n = blocks.len() as f64;
        let mean = blocks.iter().map(|b| b.squares).sum::<f64>() / n;
        let squares = blocks.iter().map(|b| (b.squares / mean - 1.0).powi(2));
        let relative = squares.sum::<f64>() / (n * (n - 1.0));
        (blocks.len() >= FEWEST_BLOCKS && mean > 0.0).then_some(relative * o.samples / 2.0)
    };
    let factors: Vec<f64> = seen.iter().filter_map(factor).collect();
    median(&factors).unwrap_or(1.0).max(1.0)
}

fn clean(patches: &[PatchSample], capture: &Capture) -> Vec<(usize, Observation)> {
    patches
        .iter()
        .enumerate()
        .filter(|(_, s)| {
            let p = &s.patch;
            let spread = p.linear + 4.0 * p.linear_deviation < capture.top();
            !s.textured && p.clipped_share <= CLEAN && p.crushed_share <= CLEAN && spread
        })
        .map(|(i, s)| {
            let variance = s.patch.linear_deviation.powi(2);
            let seen = Observation::new(capture, s.patch.linear, variance, s.variance_samples);
            (i, seen)
        })
        .collect()
}

/// The best-fitting noise model. Weights follow from the predicted variance, because the variance of a variance is 2 v^2 /
/// n. `code_floor` is the smallest code variance, squared 8-bit codes. `start` speeds up a refit. `None` with fewer than
/// four observations, or if all variances are zero.
pub fn fit(
    observations: &[&Observation],
    code_floor: f64,
    start: Option<&NoiseModel>,
) -> Option<NoiseModel> {
    if observations.len() < 4 || observations.iter().all(|o| o.variance <= 0.0) {
        return None;
    }
    let mut model = start.map_or_else(
        || first_guess(observations, code_floor),
        NoiseModel::as_array,
    );
    let rounds = if start.is_some() { 4 } else { 25 };
    for _ in 0..rounds {
        model = next(observations, &model, code_floor)?;
    }
    Some(NoiseModel::from_array(model))
}

fn first_guess(observations: &[&Observation], code_floor: f64) -> [f64; 3] {
    let mut per_exposure: Vec<f64> = observations
        .iter()
        .map(|o| {
            let all_shot = variance_of(&o.parts, &[1.0, 0.0, 0.0]);
            o.variance / all_shot.max(1e-30)
        })
        .collect();
    per_exposure.sort_by(f64::total_cmp);
    let shot = per_exposure[per_exposure.len() / 2].max(1e-12);
    [shot, shot * 1e-3, code_floor.max(1e-9)]
}

fn next(observations: &[&Observation], model: &[f64; 3], code_floor: f64) -> Option<[f64; 3]> {
    let (mut normal, mut right) = ([[0.0; 3]; 3], [0.0; 3]);
    for o in observations {
        let predicted = variance_of(&o.parts, model).max(1e-30);
        let gradient = gradient_of(&o.parts, model);
        let weight = o.samples / (predicted * predicted);
        let seen = o.variance - code_floor * gradient[2];
        for i in 0..3 {
            right[i] += weight * gradient[i] * seen;
            for j in 0..3 {
                normal[i][j] += weight * gradient[i] * gradient[j];
            }
        }
    }
    let mut found = non_negative(&normal, &right)?;
    found[2] += code_floor;
    Some(found)
}

/// Minimum of `x' N x / 2 - r' x` with x >= 0, by trying all seven sets of free parameters.
fn non_negative(normal: &[[f64; 3]; 3], right: &[f64; 3]) -> Option<[f64; 3]> {
    let mut best: Option<(f64, [f64; 3])> = Some((0.0, [0.0; 3]));
    for set in 1..8usize {
        let Some(x) = solve_free(normal, right, set) else {
            continue;
        };
        if x.iter().any(|&v| v < 0.0) {
            continue;
        }
        let curved: f64 = (0..3).map(|i| x[i] * dot(&normal[i], &x)).sum();
        let value = curved / 2.0 - dot(right, &x);
        if best.is_none_or(|(v, _)| value < v) {
            best = Some((value, x));
        }
    }
    best.map(|(_, x)| x)
        .filter(|x| x.iter().any(|&v| v > 0.0) || right.iter().all(|&r| r <= 0.0))
}

/// Solution with the parameters of `set` (bits) free and the others zero; `None` if the system is singular.
fn solve_free(normal: &[[f64; 3]; 3], right: &[f64; 3], set: usize) -> Option<[f64; 3]> {
    let free: Vec<usize> = (0..3).filter(|i| set & (1 << i) != 0).collect();
    let scale: Vec<f64> = free.iter().map(|&i| normal[i][i].sqrt()).collect();
    if scale.iter().any(|&s| s <= 0.0 || !s.is_finite()) {
        return None;
    }
    let n = free.len();
    let matrix = nalgebra::DMatrix::from_fn(n, n, |i, j| {
        normal[free[i]][free[j]] / (scale[i] * scale[j])
    });
    if matrix.determinant() < 1e-9 {
        return None;
    }
    let vector = nalgebra::DVector::from_fn(n, |i, _| right[free[i]] / scale[i]);
    let solved = matrix.lu().solve(&vector)?;
    let mut x = [0.0; 3];
    for (k, &i) in free.iter().enumerate() {
        x[i] = solved[k] / scale[k];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

/// Reduced chi-squared of the fit: about 1 if the model explains the variances.
pub(crate) fn misfit(observations: &[&Observation], model: &NoiseModel) -> f64 {
    let sum: f64 = observations
        .iter()
        .map(|o| {
            let predicted = variance_of(&o.parts, &model.as_array()).max(1e-30);
            (o.variance / predicted - 1.0).powi(2) * o.samples / 2.0
        })
        .sum();
    sum / (observations.len() as f64 - 3.0).max(1.0)
}
