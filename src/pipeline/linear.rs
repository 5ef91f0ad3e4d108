//! Which frames are linear in light, by their file or by their pixels.
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip};
use stopspan_frames as frames;
use stopspan_response::Choice;

/// Linear frames are recognised by their file or by their pixels, and then not fitted.
pub(super) fn choose_response(bracket: &mut Bracket, clips: &[Clip], wanted: Choice) -> Choice {
    if wanted != Choice::Fit {
        return wanted;
    }
    let by_file = bracket
        .frames
        .iter()
        .map(frames::linear_evidence)
        .collect::<Option<Vec<_>>>();
    if let Some(evidence) = by_file.and_then(|e| e.into_iter().next()) {
        bracket.findings.push(Finding::TakenAsLinear { evidence });
        return Choice::Linear;
    }
    let test = frames::looks_linear(bracket, clips);
    if test.linear {
        let evidence = "levels of neighbouring frames stand in the ratio of their exposures over the whole range".into();
        bracket.findings.push(Finding::TakenAsLinear { evidence });
        return Choice::Linear;
    }
    Choice::Fit
}
