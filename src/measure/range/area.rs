//! SNR of an area instead of one pixel: correlation of the noise, and the equivalent threshold per pixel.
use super::fit::Observation;
use crate::wedge::PatchSample;

/// Pixel count of the scaled picture to which normalised figures refer.
pub(super) const NORMALISED: f64 = 1e6;

/// Variance of 8 x 8 pixel means near one radiance, relative to that of independent pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Correlation {
    /// Ratio of variances, >= 1; 1 where the excess is not significant at two standard deviations.
    pub excess: f64,
    /// Relative standard uncertainty of the ratio; 0 for a ratio of 1.
    pub relative: f64,
}

/// Correlation of the noise near a radiance. Patches are weighted by their distance from it (a Gaussian of one stop), or
/// from the darkest patch if the radiance is below all. Block means are used because lossy coding and smoothing preserve
/// them. `None` without a patch of 8 whole blocks.
pub(super) fn correlation(
    patches: &[PatchSample],
    seen: &[(usize, Observation)],
    radiance: f64,
) -> Option<Correlation> {
    let usable = || {
        seen.iter().filter_map(|(index, o)| {
            let sample = &patches[*index];
            let block = sample.patch.block_deviation?;
            (o.radiance > 0.0 && o.variance > 0.0).then_some((o, block, sample.blocks.len() as f64))
        })
    };
    let darkest = usable().map(|(o, _, _)| o.radiance).reduce(f64::min)?;
    let centre = radiance.max(darkest);
    let (mut ratio, mut total, mut squares) = (0.0, 0.0, 0.0);
    for (o, block, count) in usable() {
        let near = (-0.5 * (o.radiance / centre).log2().powi(2)).exp();
        ratio += near * count * block * block / o.variance;
        total += near * count;
        squares += near * near * count;
    }
    let ratio = ratio / total;
    let relative = (2.0 * squares).sqrt() / total;
    Some(if ratio > 1.0 + 2.0 * relative {
        Correlation {
            excess: ratio,
            relative,
        }
    } else {
        Correlation {
            excess: 1.0,
            relative: 0.0,
        }
    })
}

/// SNR of one pixel at which an area of `pixels` reaches `snr`. The area's variance is that of its pixels over their
/// number, times the excess of the block means; for areas between one pixel and 8 x 8 this overestimates the noise. It
/// never exceeds the variance of one pixel.
pub(super) fn per_pixel(snr: f64, pixels: f64, correlation: &Correlation) -> f64 {
    snr * (correlation.excess.min(pixels) / pixels).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_area_is_never_noisier_than_a_pixel() {
        let correlation = |excess| Correlation {
            excess,
            relative: 0.0,
        };
        // Independent pixels: SNR grows with the square root of their number.
        assert!((per_pixel(10.0, 4.0, &correlation(1.0)) - 5.0).abs() < 1e-12);
        assert!((per_pixel(10.0, 4.0, &correlation(2.0)) - 50f64.sqrt()).abs() < 1e-12);
        assert!((per_pixel(10.0, 4.0, &correlation(9.0)) - 10.0).abs() < 1e-12);
    }
}
