//! Variance of a pixel as a function of radiance, for one exposure or for a merge of several.
use crate::subject::Source;

use stopspan_core::model::{NoiseModel, ResponseCurve};

/// The exposures behind a picture, for evaluating a noise model.
#[derive(Debug, Clone)]
pub struct Capture {
    sources: Vec<Source>,
    /// False where the curve is too uncertain to tell noise of the codes from photon noise: both then count as the latter and
    /// as noise in the dark.
    codes_apart: bool,
}

/// One exposure's contribution to the variance at a radiance: its squared relative exposure, and the model's three terms.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Part {
    pub exposure_squared: f64,
    pub terms: [f64; 3],
}

impl Capture {
    /// The capture of these exposures; `None` without a source.
    pub fn of(sources: &[Source]) -> Option<Self> {
        (!sources.is_empty()).then(|| Capture {
            sources: sources.to_vec(),
            codes_apart: true,
        })
    }

    /// The same capture where noise of the codes is not told from other noise.
    pub(crate) fn without_code_noise(self) -> Self {
        Capture {
            codes_apart: false,
            ..self
        }
    }

    /// The same exposures by another curve.
    pub(crate) fn by_curve(&self, curve: &ResponseCurve) -> Self {
        let with = |s: &Source| Source {
            curve: curve.clone(),
            ..s.clone()
        };
        Capture {
            sources: self.sources.iter().map(with).collect(),
            ..*self
        }
    }

    /// Radiance by another curve at the level of a radiance by the first exposure's own.
    pub(crate) fn same_level(&self, curve: &ResponseCurve, radiance: f64) -> f64 {
        self.sources.first().map_or(radiance, |s| {
            let level = s.curve.level_of(radiance * s.relative_exposure);
            curve.exposure_at(level) / s.relative_exposure
        })
    }

    /// d radiance / d level of the first exposure at a radiance.
    pub(crate) fn steepness(&self, radiance: f64) -> f64 {
        let first = self.sources.first();
        first.map_or(1.0, |s| s.slope(radiance) / s.relative_exposure)
    }

    /// Radiance at which the shortest exposure clips: the top of the range.
    pub fn top(&self) -> f64 {
        self.sources.iter().map(Source::top).fold(0.0, f64::max)
    }

    /// Lowest radiance above the black floor of any exposure, >= 0.
    pub fn floor(&self) -> f64 {
        let floors = self.sources.iter().map(Source::floor);
        floors.fold(f64::INFINITY, f64::min).max(0.0)
    }

    /// Lowest radiance that any exposure's file tells, >= [`Self::floor`], with its 8-bit code there.
    pub fn lowest(&self) -> (f64, u16) {
        let all = self.sources.iter().map(|s| (s.lowest(), s));
        let Some((radiance, source)) = all.min_by(|a, b| a.0.total_cmp(&b.0)) else {
            return (0.0, 0);
        };
        let code = (255.0 * source.lowest_level() - 1e-6).ceil();
        (radiance.max(self.floor()), code as u16)
    }

    /// Lowest radiance at which any exposure's level is one that frames agree on.
    pub(crate) fn trusted(&self) -> f64 {
        let at = |s: &Source| s.curve.exposure_at(s.trusted_from) / s.relative_exposure;
        self.sources.iter().map(at).fold(f64::INFINITY, f64::min)
    }

    /// Number of codes of the coarsest file.
    pub(crate) fn codes(&self) -> usize {
        let codes = self.sources.iter().map(Source::codes);
        codes.min().unwrap_or(256)
    }

    /// The best exposure at a radiance: the longest one that is not clipped.
    pub(crate) fn leader(&self, radiance: f64) -> Option<&Source> {
        self.sources
            .iter()
            .filter(|s| radiance < s.top())
            .max_by(|a, b| a.relative_exposure.total_cmp(&b.relative_exposure))
    }

    /// Standard uncertainty, stops, of a range that ends at a radiance, from the response: at that level and at the clip
    /// level, taken as independent.
    pub fn response_uncertainty(&self, radiance: f64) -> f64 {
        self.leader(radiance).map_or(0.0, |s| {
            let level = s.curve.level_of(radiance * s.relative_exposure);
            s.curve
                .uncertainty_at(level)
                .hypot(s.curve.uncertainty_at(s.curve.clip_level))
        })
    }

    /// Relative standard uncertainty of the curve's slope at a radiance: errors of a curve change over about a stop of light, so that its slope, in
    /// stops a stop, is as uncertain as the curve itself in stops.
    pub(crate) fn steepness_uncertainty(&self, radiance: f64) -> f64 {
        self.leader(radiance).map_or(0.0, |s| {
            let level = s.curve.level_of(radiance * s.relative_exposure);
            s.curve.uncertainty_at(level)
        })
    }

    /// Standard uncertainty, stops, of a range that ends at a radiance, from the exposures. The top depends on the shortest
    /// exposure, the dark end on the weighted mean of all that are not clipped there. A single exposure shifts both alike.
    pub fn exposure_uncertainty(&self, radiance: f64) -> f64 {
        let parts = self.weights(radiance);
        let last = (0..self.sources.len())
            .max_by(|&a, &b| self.sources[a].top().total_cmp(&self.sources[b].top()));
        let moved = |(index, weight): (usize, f64)| {
            let top = f64::from(u8::from(Some(index) == last));
            ((weight - top) * self.sources[index].exposure_uncertainty).powi(2)
        };
        parts.into_iter().enumerate().map(moved).sum::<f64>().sqrt()
    }

    /// Weight of each exposure at a radiance, as a share of all; 0 where it is clipped.
    fn weights(&self, radiance: f64) -> Vec<f64> {
        let open = |s: &Source| radiance < s.top();
        let light = |s: &Source| if open(s) { s.relative_exposure } else { 0.0 };
        let total: f64 = self.sources.iter().map(light).sum();
        self.sources
            .iter()
            .map(|s| light(s) / total.max(1e-300))
            .collect()
    }

    /// Contributions to the variance at a radiance.
    pub(crate) fn parts(&self, radiance: f64) -> Vec<Part> {
        let radiance = radiance.max(0.0);
        let open = |s: &&Source| radiance < s.top();
        let part = |s: &Source| Part {
            exposure_squared: s.relative_exposure * s.relative_exposure,
            terms: [
                radiance * s.relative_exposure * s.gain,
                s.gain.max(1.0).powi(2),
                if self.codes_apart {
                    s.slope(radiance).powi(2)
                } else {
                    0.0
                },
            ],
        };
        let parts: Vec<Part> = self.sources.iter().filter(open).map(part).collect();
        if !parts.is_empty() {
            return parts;
        }
        let last = self
            .sources
            .iter()
            .max_by(|a, b| a.top().total_cmp(&b.top()));
        last.into_iter().map(part).collect()
    }

    /// Variance of one pixel's radiance: `v / t^2` of one exposure, or `1 / sum(t^2 / v)` over the exposures not clipped
    /// (inverse-variance weights).
    pub fn variance(&self, model: &NoiseModel, radiance: f64) -> f64 {
        variance_of(&self.parts(radiance), &model.as_array())
    }

    /// Mean over standard deviation at a radiance.
    pub fn snr(&self, model: &NoiseModel, radiance: f64) -> f64 {
        crate::wedge::ratio(radiance, self.variance(model, radiance).sqrt())
    }

    /// Noise of the best exposure at a radiance, 8-bit codes, and the r.m.s. rounding of its compression. `None` if it is
    /// not compressed.
    pub(crate) fn code_noise(&self, model: &NoiseModel, radiance: f64) -> Option<(f64, f64)> {
        use stopspan_core::model::Compression;
        let source = self.leader(radiance)?;
        let Compression::Jpeg {
            quantisation_rms, ..
        } = source.compression
        else {
            return None;
        };
        let slope = source.slope(radiance);
        let variance = model.variance(radiance * source.relative_exposure, source.gain, slope);
        Some((variance.sqrt() / slope.max(1e-300), quantisation_rms))
    }
}

pub(crate) fn dot(a: &[f64; 3], b: &[f64; 3]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

pub(crate) fn variance_of(parts: &[Part], model: &[f64; 3]) -> f64 {
    let information: f64 = parts
        .iter()
        .map(|p| p.exposure_squared / dot(&p.terms, model).max(1e-30))
        .sum();
    1.0 / information
}

/// Derivatives of the variance with respect to the three parameters. The variance is homogeneous of degree one in them and
/// so equals the sum of the derivatives weighted by the parameters (Euler); one linear fit serves a frame and a merge.
pub(crate) fn gradient_of(parts: &[Part], model: &[f64; 3]) -> [f64; 3] {
    let variance = variance_of(parts, model);
    let mut gradient = [0.0; 3];
    for p in parts {
        let of_part = dot(&p.terms, model).max(1e-30);
        let weight = p.exposure_squared * (variance / of_part).powi(2);
        for (g, t) in gradient.iter_mut().zip(&p.terms) {
            *g += weight * t;
        }
    }
    gradient
}
