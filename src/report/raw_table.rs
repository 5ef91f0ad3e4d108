//! Brackets that the camera saved both as finished pictures and as raw: levels and range of every shot in both forms.
use super::cameras::levels_and_range;
use super::words::{decimal, percent};
use stopspan_core::model::main_channel;
use stopspan_core::results::BracketReport;
use stopspan_core::results::CurveFromRaw;
use stopspan_core::results::LevelsAndRange;
use stopspan_core::results::{SavedTwice, SavedTwiceRow};

/// Returns an entry for every bracket whose raw files form another bracket of the same report.
pub fn compare(brackets: &[BracketReport]) -> Vec<SavedTwice> {
    let pairs = brackets.iter().filter_map(|finished| {
        let beside = finished.raw_beside.as_ref()?;
        let raw = brackets.iter().find(|b| b.name == beside.bracket)?;
        let shots = beside
            .frames
            .iter()
            .map(|pair| row(frame(finished, &pair.file), frame(raw, &pair.raw)));
        let merge = |b: &BracketReport| LevelsAndRange {
            file: None,
            ..levels_and_range(b.pictures.merge.as_ref())
        };
        Some(SavedTwice {
            finished: finished.name.clone(),
            raw: raw.name.clone(),
            finished_steps: finished.pictures.steps(),
            raw_steps: raw.pictures.steps(),
            rows: shots.chain([row(merge(finished), merge(raw))]).collect(),
        })
    });
    pairs.collect()
}

fn frame(bracket: &BracketReport, file: &str) -> LevelsAndRange {
    levels_and_range(bracket.pictures.frame(file))
}

fn row(finished: LevelsAndRange, raw: LevelsAndRange) -> SavedTwiceRow {
    let stops = |f: &LevelsAndRange| f.snr1.and_then(|u| u.stops);
    SavedTwiceRow {
        more_in_raw_stops: stops(&raw).zip(stops(&finished)).map(|(r, f)| r - f),
        finished,
        raw,
    }
}

/// Sentences on the finished pictures against their raw files: highlights and shadows that the camera cut, and how far the
/// recovered response is from the camera's true curve.
pub fn sentences(bracket: &BracketReport) -> Vec<String> {
    let Some(beside) = &bracket.raw_beside else {
        return Vec::new();
    };
    let mut out = Vec::new();
    let worst = |of: fn(&stopspan_core::results::RawPair) -> f64| {
        let largest = beside.frames.iter().max_by(|a, b| of(a).total_cmp(&of(b)));
        largest.filter(|p| of(p) > 0.0).map(|p| (of(p), &p.file))
    };
    if let Some((share, file)) = worst(|p| p.clipped_alone) {
        let share = percent(share);
        out.push(format!(
            "In {file} {share} is clipped that its raw file still records."
        ));
    }
    if let Some((share, file)) = worst(|p| p.black_alone) {
        let share = percent(share);
        out.push(format!(
            "In {file} {share} is black that its raw file records above the noise of one pixel."
        ));
    }
    match beside.curves.as_slice() {
        [] => out.push(
            "Too few places of even light are unclipped in both files for the camera's curve to be seen through the raw ones.".into(),
        ),
        curves => out.push(curve_words(curves)),
    }
    out
}

fn curve_words(curves: &[CurveFromRaw]) -> String {
    let letters: &[&str] = if curves.len() == 3 {
        &["R ", "G ", "B "]
    } else {
        &[""]
    };
    let list = |of: &dyn Fn(&CurveFromRaw) -> String| {
        let parts = letters
            .iter()
            .zip(curves)
            .map(|(l, c)| format!("{l}{}", of(c)));
        parts.collect::<Vec<_>>().join(", ")
    };
    let main = &curves[main_channel(curves.len())];
    let ends = main.points.first().zip(main.points.last());
    let (low, high) = ends.map_or((0.0, 0.0), |(a, b)| (a.level, b.level));
    format!(
        "The response recovered from the pictures alone is off the camera's true curve, as the raw files show it between codes {} and {}, by {} stops r.m.s.; its steepness is {} times the true one.",
        decimal(low, 0),
        decimal(high, 0),
        list(&|c| decimal(c.rms_stops, 3)),
        list(&|c| decimal(c.steepness, 3))
    )
}
