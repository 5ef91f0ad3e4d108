//! Titles of the sheets of a bracket: the claim that each sheet shows, in one line.
use crate::cameras::single_of;
use crate::words::{capitalised, interval, quantity_words, stops};
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::{BracketReport, Compared, Interval, PictureMeasurement};

/// "Merge resolves 21 of 21 steps, best single frame 18"; without a merge what its pictures resolve, from least to most.
pub(super) fn steps(bracket: &BracketReport) -> String {
    let total = bracket.pictures.steps().unwrap_or_default();
    let found = pair(bracket, |p| Some(p.levels?.noise.to_string()));
    match found {
        [Some(merge), Some(single)] => {
            format!("Merge resolves {merge} of {total} steps, best single frame {single}")
        }
        [Some(merge), None] => format!("Merge resolves {merge} of {total} steps"),
        _ => without_merge(bracket, total),
    }
}

/// "18 of 21 steps resolved", "13 to 18 of 21 steps resolved".
fn without_merge(bracket: &BracketReport, total: usize) -> String {
    let resolved = || {
        bracket
            .pictures
            .iter()
            .filter_map(|p| Some(p.levels?.noise))
    };
    match (resolved().min(), resolved().max()) {
        (Some(least), Some(most)) if least < most => {
            format!("{least} to {most} of {total} steps resolved")
        }
        (_, most) => format!("{} of {total} steps resolved", most.unwrap_or_default()),
    }
}

/// "Range: merge 11.3 stops, best single frame 9.3", from clipping to SNR 1.
pub(super) fn range(bracket: &BracketReport) -> String {
    let [merge, single] = pair(bracket, |p| stops(p.at_snr(1.0)?));
    let merge = merge.map(|text| format!("merge {text} stops"));
    let single = single.map(|text| match (&merge, bracket.pictures.iter().count()) {
        (Some(_), _) => format!("best single frame {text}"),
        (None, 1) => format!("{text} stops"),
        (None, _) => format!("best single frame {text} stops"),
    });
    let parts: Vec<String> = merge.into_iter().chain(single).collect();
    match parts.is_empty() {
        true => "Dynamic range in stops".to_owned(),
        false => format!("Range: {}", parts.join(", ")),
    }
}

/// A number of the merge and of the single frame to use where nothing is merged.
fn pair(
    bracket: &BracketReport,
    number: impl Fn(&PictureMeasurement) -> Option<String>,
) -> [Option<String>; 2] {
    let pictures = [bracket.pictures.merge.as_ref(), single_of(bracket)];
    pictures.map(|p| p.and_then(&number))
}

/// "Overshoot at an edge: camera\u{2019}s HDR 29 %, merge 2.0 %", of the row whose difference is largest against its interval; "Camera\u{2019}s HDR and merge
/// tie" where no difference is significant.
pub(super) fn difference(rows: &[&Compared]) -> String {
    let apart = rows.iter().filter_map(|row| {
        let against = row.against_merge.as_ref()?;
        let width = against.high95? - against.low95?;
        let clear = against.tie == Some(false) && row.merge.is_some();
        clear.then(|| (against.value.abs() / width.max(f64::MIN_POSITIVE), row))
    });
    let Some((_, row)) = apart.max_by(|a, b| a.0.total_cmp(&b.0)) else {
        return match rows {
            [first, ..] if rows.iter().all(|row| row.merge.is_none()) => alone(first),
            _ => "Camera\u{2019}s HDR and merge: no significant difference".to_owned(),
        };
    };
    format!(
        "{}: camera\u{2019}s HDR {}, merge {}",
        capitalised(quantity_words(row.quantity).0),
        bare(row, row.camera_hdr.as_ref()),
        bare(row, row.merge.as_ref())
    )
}

/// "Camera\u{2019}s HDR: locally tone-mapped, 10 %".
fn alone(row: &Compared) -> String {
    let figure = bare(row, row.camera_hdr.as_ref());
    let (name, _) = quantity_words(row.quantity);
    format!("Camera\u{2019}s HDR: {name}, {figure}")
}

/// A figure without its interval.
fn bare(row: &Compared, figure: Option<&Interval>) -> String {
    let text = interval(row, figure);
    text.split(" (").next().unwrap_or_default().to_owned()
}

/// "Response curve: 9.3 stops from code 4 to code 248", of the green or only channel between the lowest and the highest level with data.
pub(super) fn response(curves: &[ResponseCurve]) -> String {
    let Some(curve) = curves.get(1).or(curves.first()) else {
        return "Response curve".to_owned();
    };
    let (low, high) = curve.supported;
    let span = (curve.exposure_at(high) / curve.exposure_at(low)).log2();
    match span.is_finite() {
        true => format!(
            "Response curve: {span:.1} stops from code {:.0} to code {:.0}",
            255.0 * low,
            255.0 * high
        ),
        false => "Response curve".to_owned(),
    }
}
