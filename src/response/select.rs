//! Decides whether a bracket is fitted or taken as linear.
use super::linearity::{linear_evidence, looks_linear};
use super::recover::Choice;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip};

/// Replaces [`Choice::Fit`] by [`Choice::Linear`] where all files state that their samples are linear, or the
/// pixels show it; the finding gives the evidence. Any other choice is returned as it is.
pub fn select(bracket: &Bracket, clips: &[Clip], wanted: Choice) -> (Choice, Option<Finding>) {
    if wanted != Choice::Fit {
        return (wanted, None);
    }
    let by_file = bracket
        .frames
        .iter()
        .map(linear_evidence)
        .collect::<Option<Vec<_>>>();
    if let Some(evidence) = by_file.and_then(|e| e.into_iter().next()) {
        return (Choice::Linear, Some(Finding::TakenAsLinear { evidence }));
    }
    if looks_linear(bracket, clips).linear {
        let evidence = "levels of neighbouring frames stand in the ratio of their exposures over the whole range".into();
        return (Choice::Linear, Some(Finding::TakenAsLinear { evidence }));
    }
    (Choice::Fit, None)
}
