//! The variance of a pixel as a function of radiance, for one exposure or for a merge of several.
use crate::measure::subject::Source;

pub use crate::merge::NoiseModel;

impl NoiseModel {
    pub(crate) fn as_array(&self) -> [f64; 3] {
        [self.shot, self.read_variance, self.code_variance]
    }

    pub(crate) fn from_array([shot, read_variance, code_variance]: [f64; 3]) -> Self {
        NoiseModel {
            shot,
            read_variance,
            code_variance,
        }
    }
}

/// The exposures behind a picture, and what they make of a noise model.
#[derive(Debug, Clone)]
pub struct Capture {
    sources: Vec<Source>,
}

/// One exposure's part in the variance at a radiance: its squared relative exposure, and the model's three terms.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Part {
    pub exposure_squared: f64,
    pub terms: [f64; 3],
}

impl Capture {
    /// `None` without a source.
    pub fn of(sources: &[Source]) -> Option<Self> {
        (!sources.is_empty()).then(|| Capture {
            sources: sources.to_vec(),
        })
    }

    /// Radiance at which the last exposure clips: the top of the range.
    pub fn top(&self) -> f64 {
        self.sources.iter().map(Source::top).fold(0.0, f64::max)
    }

    /// Lowest radiance that any exposure encodes above its black floor.
    pub fn floor(&self) -> f64 {
        self.sources
            .iter()
            .map(Source::floor)
            .fold(f64::INFINITY, f64::min)
    }

    /// Standard uncertainty of the response in stops at a radiance, in the exposure that sees it best.
    pub fn response_uncertainty(&self, radiance: f64) -> f64 {
        self.sources
            .iter()
            .filter(|s| radiance < s.top())
            .max_by(|a, b| a.relative_exposure.total_cmp(&b.relative_exposure))
            .map_or(0.0, |s| {
                let level = s.curve.level_of(radiance * s.relative_exposure);
                s.curve.uncertainty_at(level)
            })
    }

    pub(crate) fn parts(&self, radiance: f64) -> Vec<Part> {
        let radiance = radiance.max(0.0);
        let open = |s: &&Source| radiance < s.top();
        let part = |s: &Source| Part {
            exposure_squared: s.relative_exposure * s.relative_exposure,
            terms: [
                radiance * s.relative_exposure,
                1.0,
                s.slope(radiance).powi(2),
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

    /// Variance of one pixel's radiance: that of the one exposure, or `1 / sum(t^2 / v)` over the exposures not clipped
    /// (inverse-variance weights).
    pub fn variance(&self, model: &NoiseModel, radiance: f64) -> f64 {
        variance_of(&self.parts(radiance), &model.as_array())
    }

    /// Mean over standard deviation at a radiance.
    pub fn snr(&self, model: &NoiseModel, radiance: f64) -> f64 {
        crate::measure::wedge::ratio(radiance, self.variance(model, radiance).sqrt())
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

/// Derivatives of the variance by the three parameters. The variance is homogeneous of degree one in them, so it equals
/// their sum weighted by the parameters (Euler), and one linear fit serves a frame and a merge alike.
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
