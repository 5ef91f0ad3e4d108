//! Statistics of the patches of a wedge in one picture.
use super::cells::{interior_of, size_of};
use super::interior::{Interior, Sample, gather};
use super::noise::{BLOCK, Plane, block_deviation, blocks, correlation, tail_ratio};
use crate::subject::Subject;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Homography, shortest_side};
use stopspan_core::results::{Patch, WedgePlace};

/// Smallest number of pixels of a patch.
const FEWEST: usize = 16;
/// Largest signal-to-noise ratio reported, for patches without noise; finite, so that it can be written to a file.
pub(crate) const LARGEST_RATIO: f64 = 1e6;

/// Sums over one block of 8 x 8 pixels of residual linear radiance about the patch mean, slope removed.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct BlockSum {
    /// Pixels in the block.
    pub pixels: f64,
    /// Sum of residuals.
    pub sum: f64,
    /// Sum of squared residuals.
    pub squares: f64,
}

/// A patch with the data for fitting and resampling its noise.
#[derive(Debug, Clone, PartialEq)]
pub struct PatchSample {
    /// The statistics.
    pub patch: Patch,
    /// Whole blocks inside the interior, for resampling; empty where the patch is textured.
    pub blocks: Vec<BlockSum>,
    /// Equivalent number of independent samples behind the variance.
    pub variance_samples: f64,
    /// True if dust or texture was found in it.
    pub textured: bool,
}

/// Statistics of every step, lightest first, with findings. Empty (with a finding) where an interior has too few pixels in
/// this picture's crop.
pub fn patches(subject: &Subject, place: &WedgePlace) -> (Vec<PatchSample>, Vec<Finding>) {
    let mut found = Vec::with_capacity(place.steps());
    let mut findings = Vec::new();
    for step in 1..=place.steps() {
        let sample = interior_of(place, step, &subject.placement)
            .map(|quad| (quad, gather(subject, &quad)))
            .filter(|(_, interior)| interior.samples.len() >= FEWEST);
        let Some((quad, interior)) = sample else {
            return (Vec::new(), vec![unusable(place, step, &subject.placement)]);
        };
        let (sample, finding) = describe(subject, step, quad, &interior);
        findings.extend(finding);
        let (size_px, guard_px) = size_of(place, step, &subject.placement).unwrap_or_default();
        found.push(PatchSample {
            patch: Patch {
                density: place.density_of(step),
                size_px,
                guard_px,
                ..sample.patch
            },
            ..sample
        });
    }
    findings.extend(small(subject, &found));
    (found, findings)
}

/// Finding for patches whose interior is less than a JPEG block away from the edge: ringing from the neighbour's edge fills
/// the whole block.
fn small(subject: &Subject, found: &[PatchSample]) -> Option<Finding> {
    if !subject.is_lossy() {
        return None;
    }
    let smallest = found
        .iter()
        .map(|s| &s.patch)
        .min_by(|a, b| a.guard_px.total_cmp(&b.guard_px))?;
    let wanted_px = BLOCK as f64;
    (smallest.guard_px < wanted_px).then(|| Finding::PatchesSmall {
        side_px: smallest.size_px[0].min(smallest.size_px[1]),
        guard_px: smallest.guard_px,
        wanted_px,
    })
}

/// Divides out uneven light: `light` is the relative illumination of each step, lightest first, > 0.
pub(crate) fn evened(mut samples: Vec<PatchSample>, light: &[f64]) -> Vec<PatchSample> {
    for sample in &mut samples {
        let factor = light.get(sample.patch.step - 1).copied().unwrap_or(1.0);
        let patch = &mut sample.patch;
        patch.linear /= factor;
        patch.linear_deviation /= factor;
        patch.block_deviation = patch.block_deviation.map(|d| d / factor);
        for block in &mut sample.blocks {
            block.sum /= factor;
            block.squares /= factor * factor;
        }
    }
    samples
}

fn unusable(place: &WedgePlace, step: usize, placement: &Homography) -> Finding {
    let side = interior_of(place, step, placement).map_or(0.0, |q| 2.0 * shortest_side(&q));
    Finding::WedgeUnusable {
        reason: format!("step {step} has fewer than {FEWEST} usable pixels in this picture"),
        patch_px: side,
    }
}

/// Mean, deviation and residuals of a patch after removal of slope and outliers, and its noise correlation.
struct CleanSamples {
    mean: f64,
    deviation: f64,
    of_mean: f64,
    of_variance: f64,
    residuals: Vec<f64>,
    textured: Option<f64>,
}

fn describe(
    subject: &Subject,
    step: usize,
    corners: stopspan_core::raster::Quad,
    interior: &Interior,
) -> (PatchSample, Option<Finding>) {
    let n = interior.samples.len() as f64;
    let code = code_in_radiance(subject, &interior.samples);
    let clean = clean_samples(&interior.samples, code, !subject.is_lossy());
    let levels = subject.levels.is_some();
    let (mean_level, mean_square) = (interior.green.0 / n, interior.green.1 / n);
    let blocks = blocks(&interior.samples, &clean.residuals);
    let patch = Patch {
        step,
        density: None,
        corners,
        size_px: [0.0; 2],
        guard_px: 0.0,
        pixels: interior.samples.len(),
        effective_samples: (n / clean.of_mean).max(1.0),
        code: levels.then(|| interior.level_sum.map(|s| s / n * 255.0)),
        code_deviation: levels
            .then(|| (mean_square - mean_level * mean_level).max(0.0).sqrt() * 255.0),
        linear: clean.mean,
        linear_deviation: clean.deviation,
        block_deviation: block_deviation(&blocks),
        snr: ratio(clean.mean, clean.deviation),
        clipped_share: interior.clipped as f64 / n,
        crushed_share: interior.crushed as f64 / n,
    };
    let finding = clean
        .textured
        .map(|ratio| Finding::PatchTextured { step, ratio });
    let sample = PatchSample {
        patch,
        blocks: if clean.textured.is_none() {
            blocks
        } else {
            Vec::new()
        },
        variance_samples: (n / clean.of_variance).max(2.0),
        textured: clean.textured.is_some(),
    };
    (sample, finding)
}

/// `value / deviation`, limited to +-[`LARGEST_RATIO`].
pub(crate) fn ratio(value: f64, deviation: f64) -> f64 {
    if deviation <= value.abs() / LARGEST_RATIO {
        return if value == 0.0 {
            0.0
        } else {
            LARGEST_RATIO.copysign(value)
        };
    }
    value / deviation
}

/// One 8-bit code in radiance at the mean of the samples; 0 where lossy coding cannot have moved codes (a map of lossless
/// frames).
fn code_in_radiance(subject: &Subject, samples: &[Sample]) -> f64 {
    if subject.levels.is_none() && !subject.is_lossy() {
        return 0.0;
    }
    let mean = samples.iter().map(|s| s.linear).sum::<f64>() / samples.len() as f64;
    let leader = subject.leader(mean);
    leader.map_or(0.0, |s| s.slope(mean) / s.relative_exposure)
}

/// Mean and deviation of all samples of a clean patch; of a patch with dust, an edge or texture those of the samples within
/// three deviations of the median. The slope of the light is removed only where it is significant (F > 14, about one in a
/// million by chance).
fn clean_samples(samples: &[Sample], code: f64, lossless: bool) -> CleanSamples {
    let plane = Plane::fit(samples);
    let flat: Vec<f64> = samples.iter().map(|s| s.linear - plane.mean).collect();
    let sloped: Vec<f64> = samples.iter().map(|s| plane.residual(s)).collect();
    let correlation = correlation(samples, &sloped);
    let n = samples.len() as f64;
    let square = |r: &[f64]| r.iter().map(|v| v * v).sum::<f64>();
    let (whole, left) = (square(&flat), square(&sloped));
    let freedom = (n / correlation.of_mean - 3.0).max(1.0);
    let certain = (whole - left) / 2.0 > 14.0 * left / freedom;
    let residuals = if certain { sloped } else { flat };
    let textured = texture(samples, &residuals, code, lossless);
    let (mean, deviation) = match textured {
        None => (plane.mean, (square(&residuals) / n).sqrt()),
        Some(_) => {
            let (offset, deviation) = trimmed(&residuals);
            (plane.mean + offset, deviation)
        }
    };
    CleanSamples {
        mean,
        deviation,
        of_mean: correlation.of_mean,
        of_variance: correlation.of_variance,
        residuals,
        textured,
    }
}

/// Ratio of the spread to that of noise, if significant: outliers (dust, an edge) from 1.5, or block means that vary five
/// times as much as those of independent pixels (texture).
fn texture(samples: &[Sample], residuals: &[f64], code: f64, lossless: bool) -> Option<f64> {
    let tail = tail_ratio(residuals, 3.0 * code);
    if tail > 1.5 {
        return Some(tail);
    }
    let of_blocks = block_deviation(&blocks(samples, residuals))?;
    let n = residuals.len() as f64;
    let of_pixels = (residuals.iter().map(|v| v * v).sum::<f64>() / n).sqrt();
    // Lossy coding removes pixel noise but keeps block means; there the block means must also vary by whole codes.
    let smallest = if lossless { 0.0 } else { 8.0 * code };
    let found = of_pixels > 0.0 && of_blocks > 5.0 * of_pixels && of_blocks > smallest;
    found.then(|| of_blocks / of_pixels)
}

/// Mean and deviation of the values within three deviations of the median, iterated to convergence. The deviation is
/// corrected for the cut tails of a normal distribution.
fn trimmed(residuals: &[f64]) -> (f64, f64) {
    // Deviation of a normal variable cut at 3 sigma: sqrt(1 - 6 phi(3) / (2 Phi(3) - 1)) = 0.986578.
    const CUT_DEVIATION: f64 = 0.986_578;
    let mut sorted = residuals.to_vec();
    sorted.sort_by(f64::total_cmp);
    let mut kept = &sorted[..];
    let (mut mean, mut deviation) = (0.0, 0.0);
    for _ in 0..20 {
        let n = kept.len() as f64;
        let median = kept[kept.len() / 2];
        mean = kept.iter().sum::<f64>() / n;
        deviation = (kept.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / n).sqrt();
        let (low, high) = (median - 3.0 * deviation, median + 3.0 * deviation);
        let from = kept.partition_point(|&v| v < low);
        let to = kept.partition_point(|&v| v <= high);
        if to - from == kept.len() || to - from < 8 {
            break;
        }
        kept = &kept[from..to];
    }
    (mean, deviation / CUT_DEVIATION)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};

    fn noisy(rows: usize, columns: usize, slope: f64) -> Vec<Sample> {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(7);
        let noise = Normal::new(10.0, 0.5).unwrap();
        let mut samples = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let linear = noise.sample(&mut rng) + slope * column as f64;
                samples.push(Sample {
                    row,
                    column,
                    linear,
                });
            }
        }
        samples
    }

    #[test]
    fn white_noise_is_taken_as_it_is() {
        let samples = noisy(40, 50, 0.0);
        let clean = clean_samples(&samples, 0.0, true);
        let n = samples.len() as f64;
        let mean = samples.iter().map(|s| s.linear).sum::<f64>() / n;
        let plain = (samples
            .iter()
            .map(|s| (s.linear - mean).powi(2))
            .sum::<f64>()
            / n)
            .sqrt();
        assert!(clean.textured.is_none());
        assert_eq!(clean.deviation, plain);
        assert!((clean.of_mean - 1.0).abs() < 0.5, "{}", clean.of_mean);
        assert!(
            (clean.of_variance - 1.0).abs() < 0.2,
            "{}",
            clean.of_variance
        );
    }

    #[test]
    fn a_slope_of_the_light_is_removed() {
        let clean = clean_samples(&noisy(40, 50, 0.05), 0.0, true);
        assert!((clean.deviation - 0.5).abs() < 0.03, "{}", clean.deviation);
    }

    #[test]
    fn dust_is_noticed_and_kept_out() {
        let mut samples = noisy(40, 50, 0.0);
        let dust = |s: &Sample| (10..14).contains(&s.row) && (20..24).contains(&s.column);
        samples
            .iter_mut()
            .filter(|s| dust(s))
            .for_each(|s| s.linear = 1.0);
        let clean = clean_samples(&samples, 0.0, true);
        assert!(clean.textured.is_some());
        assert!((clean.deviation - 0.5).abs() < 0.03 && (clean.mean - 10.0).abs() < 0.05);
    }

    #[test]
    fn texture_is_noticed() {
        let mut samples = noisy(64, 64, 0.0);
        for s in &mut samples {
            s.linear += if (s.row / 16 + s.column / 16) % 2 == 0 {
                2.0
            } else {
                -2.0
            };
        }
        assert!(clean_samples(&samples, 0.0, true).textured.is_some());
    }

    #[test]
    fn smoothed_noise_counts_as_fewer_samples() {
        // A 3 x 3 mean correlates noise so that 9 pixels carry one sample's worth about the mean (in a large patch).
        let (rows, columns) = (60, 60);
        let white = noisy(rows + 2, columns + 2, 0.0);
        let at = |r: usize, c: usize| white[r * (columns + 2) + c].linear;
        let mut samples = Vec::new();
        for row in 0..rows {
            for column in 0..columns {
                let sum: f64 = (0..9).map(|i| at(row + i / 3, column + i % 3)).sum();
                samples.push(Sample {
                    row,
                    column,
                    linear: sum / 9.0,
                });
            }
        }
        let clean = clean_samples(&samples, 0.0, true);
        assert!((clean.of_mean - 9.0).abs() < 2.5, "{}", clean.of_mean);
        // Sum of squared triangle autocorrelation in each direction: 1 + 2 (4/9 + 1/9) = 19/9.
        let expected = (19.0f64 / 9.0).powi(2);
        assert!(
            (clean.of_variance - expected).abs() < 1.0,
            "{}",
            clean.of_variance
        );
    }
}
