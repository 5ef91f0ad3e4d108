//! Words on cameras compared: standings, and reasons to compare with care.
use super::number::decimal;
use stopspan_core::results::{
    CameraComparison, CameraRow, NotComparable, NotRanked, RankedFigure, RankedPicture, Standing,
};
use stopspan_core::results::{ComparedShot, Interval, SamePlaces, ShotComparison, ShotStanding};

/// Name of a picture by which cameras are compared.
pub fn picture_name(picture: RankedPicture) -> &'static str {
    match picture {
        RankedPicture::DefaultShot => "default shot",
        RankedPicture::Single => "best single frame",
        RankedPicture::CameraHdr => "camera's HDR",
        RankedPicture::Merge => "merge",
        RankedPicture::Raw => "merge of raw files",
    }
}

/// Name of a row among the others: the camera, and the bracket if several rows have the same camera.
pub fn row_name(rows: &[CameraRow], bracket: &str) -> String {
    let Some(row) = rows.iter().find(|r| r.bracket == bracket) else {
        return bracket.to_owned();
    };
    match rows.iter().filter(|r| r.camera == row.camera).count() {
        1 => row.camera.clone(),
        _ => format!("{} ({bracket})", row.camera),
    }
}

/// Standing of a row: "rank 1", "rank 2, tied with B", "rank 1 or 2: cannot be ranked against B: the wedge is too short for both".
/// `rows` are all rows of the comparison.
pub fn standing(rows: &[CameraRow], one: &Standing) -> String {
    let named = |brackets: &[String]| {
        let names: Vec<String> = brackets.iter().map(|b| row_name(rows, b)).collect();
        names.join(", ")
    };
    let tied = match one.tied.is_empty() {
        true => String::new(),
        false => format!(", tied with {}", named(&one.tied)),
    };
    if let Some(rank) = one.rank {
        return format!("rank {rank}{tied}");
    }
    let mut reasons: Vec<(NotRanked, Vec<String>)> = Vec::new();
    for other in &one.undecided {
        match reasons
            .iter_mut()
            .find(|(reason, _)| *reason == other.reason)
        {
            Some((_, brackets)) => brackets.push(other.bracket.clone()),
            None => reasons.push((other.reason, vec![other.bracket.clone()])),
        }
    }
    let all = rows.len() <= 2;
    let clauses: Vec<String> = reasons
        .iter()
        .map(|(reason, brackets)| match all {
            true => format!("cannot be ranked: {}", not_ranked(*reason)),
            false => format!(
                "cannot be ranked against {}: {}",
                named(brackets),
                not_ranked(*reason)
            ),
        })
        .collect();
    let possible = match rows.len() > 2 && one.worst - one.best + 1 < rows.len() {
        true if one.worst == one.best + 1 => format!("rank {} or {}; ", one.best, one.worst),
        true => format!("rank {} to {}; ", one.best, one.worst),
        false => String::new(),
    };
    format!("{possible}{}{tied}", clauses.join("; "))
}

fn not_ranked(reason: NotRanked) -> &'static str {
    match reason {
        NotRanked::WedgeTooShortForBoth => "the wedge is too short for both",
        NotRanked::WedgeTooShortForThis => "the wedge is too short for this one",
        NotRanked::WedgeTooShortForOther => "the wedge is too short for the other",
        NotRanked::NoInterval => "the range has no interval",
        NotRanked::OtherWedge => "their wedges have different numbers of steps",
        NotRanked::TooFewPlaces => "fewer than three places are shown well by both",
    }
}

/// Name of a figure by which cameras are ranked.
fn figure_name(figure: RankedFigure) -> &'static str {
    match figure {
        RankedFigure::Stops => "stops to SNR 1",
        RankedFigure::Stops10 => "stops to SNR 10",
        RankedFigure::Levels => "steps",
    }
}

/// Standings by every figure of a picture, without the names of the others; what several figures have in common is written once:
/// "steps: rank 1 or 2, the wedge is too short for both".
pub fn short_standings(row: &CameraRow, picture: RankedPicture) -> Vec<String> {
    merged(row, picture, short_standing)
}

/// Standing of a row without the names of the others: "rank 1", "rank 2, a tie", "cannot be ranked: the wedge is too short for both".
pub fn short_standing(one: &Standing) -> String {
    match (one.rank, one.undecided.first()) {
        (Some(rank), _) if one.tied.is_empty() => format!("rank {rank}"),
        (Some(rank), _) => format!("rank {rank}, a tie"),
        (None, Some(other)) => format!("cannot be ranked: {}", not_ranked(other.reason)),
        (None, None) => "cannot be ranked".to_owned(),
    }
}

fn merged(
    row: &CameraRow,
    picture: RankedPicture,
    text: impl Fn(&Standing) -> String,
) -> Vec<String> {
    let mut out: Vec<(String, Vec<&str>)> = Vec::new();
    for figure in RankedFigure::ALL {
        let Some(found) = row.standing(picture, figure) else {
            continue;
        };
        let (text, name) = (text(found), figure_name(figure));
        match out.iter_mut().find(|(same, _)| *same == text) {
            Some((_, names)) => names.push(name),
            None => out.push((text, vec![name])),
        }
    }
    let line = |(text, names): (String, Vec<&str>)| format!("{}: {text}", names.join(" and "));
    out.into_iter().map(line).collect()
}

/// Reasons to compare with care, one sentence per kind of reason, with the brackets that it concerns.
pub fn compare_with_care(comparison: &CameraComparison) -> Vec<String> {
    let of = |kind: fn(&NotComparable) -> bool| {
        let found = comparison.not_comparable.iter().filter(move |r| kind(r));
        let parts: Vec<String> = found.map(|r| part(&comparison.rows, r)).collect();
        parts.join("; ")
    };
    let sentences = [
        (
            of(|r| matches!(r, NotComparable::Light { .. })),
            "The light differed, or the sensitivity is stated in another way: against the settings, ",
        ),
        (
            of(|r| matches!(r, NotComparable::Speed { .. })),
            "Other ISO speeds, so other noise: ",
        ),
        (
            of(|r| matches!(r, NotComparable::Framing { .. })),
            "The wedge fills another share of the frame, so blur and noise per pixel weigh differently: ",
        ),
        (
            of(|r| matches!(r, NotComparable::Wedge { .. })),
            "Another number of steps, so step counts do not compare: ",
        ),
    ];
    let said = sentences.into_iter().filter(|(list, _)| !list.is_empty());
    said.map(|(list, lead)| format!("{lead}{list}.")).collect()
}

fn part(rows: &[CameraRow], reason: &NotComparable) -> String {
    match reason {
        NotComparable::Wedge { bracket } => row_name(rows, bracket),
        NotComparable::Framing { bracket, ratio } => format!(
            "{}, {} times the first camera's",
            row_name(rows, bracket),
            decimal(*ratio, 2)
        ),
        NotComparable::Light {
            bracket,
            difference,
        } => format!(
            "{} recorded {} light than the first camera",
            row_name(rows, bracket),
            more(*difference)
        ),
        NotComparable::Speed {
            bracket,
            speed,
            first,
        } => format!(
            "{}, ISO {} against {}",
            row_name(rows, bracket),
            decimal(*speed, 0),
            decimal(*first, 0)
        ),
    }
}

/// A signed difference as "1.03 stops less".
pub fn more(stops: f64) -> String {
    let word = if stops < 0.0 { "less" } else { "more" };
    format!("{} stops {word}", decimal(stops.abs(), 2))
}

/// Sentences on the default shots: brightest, cleanest, most neutral.
pub fn shots(found: &ShotComparison) -> Vec<String> {
    let best =
        |of: fn(&ComparedShot) -> &Option<ShotStanding>| -> Option<(Vec<&ComparedShot>, bool)> {
            let ranked = |s: &&ComparedShot| of(s).as_ref().is_some_and(|s| s.rank == Some(1));
            let first: Vec<&ComparedShot> = found.shots.iter().filter(ranked).collect();
            let all = found
                .shots
                .iter()
                .all(|s| of(s).as_ref().is_some_and(|s| s.rank.is_some()));
            (!first.is_empty()).then_some((first, all))
        };
    let named = |shots: &[&ComparedShot]| {
        let names: Vec<&str> = shots.iter().map(|s| s.camera.as_str()).collect();
        match names.len() {
            1 => names[0].to_owned(),
            _ => format!("{} (a tie)", names.join(", ")),
        }
    };
    let sentence = |what: &str, of: fn(&ComparedShot) -> &Option<ShotStanding>| {
        let (first, all) = best(of)?;
        let rest = if all {
            ""
        } else {
            "; not every camera could be ranked"
        };
        Some(format!("{what}: {}{rest}.", named(&first)))
    };
    let parts = [
        sentence("Brightest", |s| &s.brightest),
        sentence("Brightest for its settings", |s| &s.above_settings)
            .filter(|_| !found.equal_settings),
        sentence("Cleanest at equal scene light", |s| &s.cleanest),
        sentence("Most neutral", |s| &s.most_neutral),
    ];
    parts.into_iter().flatten().collect()
}

/// A difference with its interval: "+0.52 (+0.48 to +0.56)"; without the interval where there is none.
pub fn with_interval(found: Option<&Interval>, signed: bool) -> String {
    let Some(found) = found else {
        return "\u{2013}".to_owned();
    };
    let number = |v: f64| {
        let text = decimal(v, 2);
        let plus = signed && v > 0.0 && !text.trim_matches(['0', '.']).is_empty();
        format!("{}{text}", if plus { "+" } else { "" }).replace('-', "\u{2212}")
    };
    match (found.low95, found.high95) {
        (Some(low), Some(high)) if low < high => {
            format!(
                "{} ({} to {})",
                number(found.value),
                number(low),
                number(high)
            )
        }
        _ => number(found.value),
    }
}

/// Standing of a shot: "1", "2, a tie", or why there is none.
pub fn shot_standing(of: Option<&ShotStanding>) -> String {
    let Some(of) = of else {
        return String::new();
    };
    match (of.rank, of.undecided.first()) {
        (Some(rank), _) if of.tied.is_empty() => format!("rank {rank}"),
        (Some(rank), _) => format!("rank {rank}, tied with {}", of.tied.join(", ")),
        (None, Some(other)) => format!(
            "cannot be ranked against {}: {}",
            other.bracket,
            not_ranked(other.reason)
        ),
        (None, None) => String::new(),
    }
}

/// What the shots are compared on, and what light is.
pub fn shots_caption(found: &ShotComparison) -> String {
    let places = match found.places {
        SamePlaces::Wedge => "on the same steps of the wedge",
        SamePlaces::Registration => "on the same even places, found by registration of the views",
    };
    let equal = match found.equal_settings {
        true => "All settings are equal.",
        false => "Settings differ.",
    };
    format!(
        "Default shots compared {places}: differences from the first camera, with 95 % intervals over the places. {equal} Light is that of the displayed picture (IEC 61966-2-1), with the rendering of each camera in it. SNR is that of one pixel at equal scene light. Chroma is CIE 1976 C*ab of grey steps: 0 is neutral."
    )
}
