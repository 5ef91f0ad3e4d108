//! The response that is asked for, and whether a bracket is taken as linear instead of being fitted.
use super::linearity::{linear_evidence, looks_linear};
use serde::Serialize;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip, ResponseMethod};

/// Response that the user asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum ResponseRequest {
    /// Fitted to the bracket, unless the frames are linear by evidence.
    #[default]
    Fit,
    /// Fitted by least squares with a curvature penalty (Debevec and Malik 1997).
    LeastSquaresTable,
    /// Fitted by alternating maximum likelihood (Robertson, Borman and Stevenson 1999).
    Alternating,
    /// Fitted as a polynomial (Mitsunaga and Nayar 1999).
    Polynomial,
    /// Declared linear by the user: not fitted, and exposure ratios are measured in full.
    Linear,
    /// Taken as sRGB (IEC 61966-2-1): not fitted, for brackets that cannot support a fit.
    Srgb,
}

impl ResponseRequest {
    /// The method recorded with the response.
    pub fn method(self) -> ResponseMethod {
        match self {
            ResponseRequest::Fit => ResponseMethod::SmoothTable,
            ResponseRequest::LeastSquaresTable => ResponseMethod::LeastSquaresTable,
            ResponseRequest::Alternating => ResponseMethod::Alternating,
            ResponseRequest::Polynomial => ResponseMethod::Polynomial,
            ResponseRequest::Linear => ResponseMethod::Linear,
            ResponseRequest::Srgb => ResponseMethod::Srgb,
        }
    }
}

/// Replaces [`ResponseRequest::Fit`] by [`ResponseRequest::Linear`] where all files state that their samples are linear, or the
/// pixels show it; the finding gives the evidence. Any other request is returned unchanged.
pub fn select(
    bracket: &Bracket,
    clips: &[Clip],
    wanted: ResponseRequest,
) -> (ResponseRequest, Option<Finding>) {
    if wanted != ResponseRequest::Fit {
        return (wanted, None);
    }
    let by_file = bracket
        .frames
        .iter()
        .map(linear_evidence)
        .collect::<Option<Vec<_>>>();
    if let Some(evidence) = by_file.and_then(|e| e.into_iter().next()) {
        return (
            ResponseRequest::Linear,
            Some(Finding::TakenAsLinear { evidence }),
        );
    }
    if looks_linear(bracket, clips).linear {
        let evidence = "levels of neighbouring frames stand in the ratio of their exposures over the whole range".into();
        return (
            ResponseRequest::Linear,
            Some(Finding::TakenAsLinear { evidence }),
        );
    }
    (ResponseRequest::Fit, None)
}
