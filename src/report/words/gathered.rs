//! All findings of a bracket as sentences: warnings first, without repetition; findings that recur over steps or pictures share a sentence.
use super::finding::{finding, severity};
use stopspan_core::finding::{Finding, Severity};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Measurement, PictureMeasurement};

/// Returns the findings of a bracket and of its pictures as sentences: warnings first, without repetition.
pub fn all_findings(bracket: &BracketReport) -> Vec<(Severity, String)> {
    let mut list: Vec<(Severity, String)> = Vec::new();
    let mut add = |severity: Severity, text: String| {
        if !list.iter().any(|(_, t)| *t == text) {
            list.push((severity, text));
        }
    };
    let compared = bracket.comparison.iter().flat_map(|c| &c.findings);
    for one in bracket.findings.iter().chain(compared) {
        add(severity(one), finding(one));
    }
    for picture in bracket.pictures.iter() {
        if let Some(text) = uneven_steps(picture) {
            add(Severity::Warning, text);
        }
        let recurring = |f: &&Finding| {
            matches!(
                f,
                Finding::PatchTextured { .. } | Finding::RangeBeyondWedge { .. }
            )
        };
        for one in picture.findings.iter().filter(|f| !recurring(f)) {
            add(severity(one), finding(one));
        }
    }
    for text in beyond_the_wedge(&bracket.pictures) {
        add(Severity::Note, text);
    }
    list.sort_by_key(|(severity, _)| std::cmp::Reverse(*severity));
    list
}

/// Sentence on the steps of a picture that are not uniform; `None` without any.
pub(super) fn uneven_steps(picture: &PictureMeasurement) -> Option<String> {
    let steps: Vec<(usize, f64)> = picture
        .findings
        .iter()
        .filter_map(|f| match f {
            Finding::PatchTextured { step, ratio } => Some((*step, *ratio)),
            _ => None,
        })
        .collect();
    let most = steps.iter().map(|s| s.1).fold(0.0, f64::max);
    let numbers: Vec<usize> = steps.iter().map(|s| s.0).collect();
    let (noun, verb) = if numbers.len() == 1 {
        ("step", "is")
    } else {
        ("steps", "are")
    };
    (!steps.is_empty()).then(|| {
        format!(
            "{}: {noun} {} {verb} not even (slow variation up to {most:.1} times the noise): robust statistics were \
             used there.",
            picture.file,
            runs(&numbers)
        )
    })
}

/// Sentences on ranges that end below the darkest step, one for each SNR.
fn beyond_the_wedge(pictures: &Measurement) -> Vec<String> {
    let mut by_snr: Vec<(f64, Vec<String>)> = Vec::new();
    for picture in pictures.iter() {
        for one in &picture.findings {
            let Finding::RangeBeyondWedge { snr, beyond_stops } = one else {
                continue;
            };
            let text = format!("{beyond_stops:.1} in {}", picture.file);
            match by_snr.iter_mut().find(|(s, _)| s == snr) {
                Some((_, texts)) => texts.push(text),
                None => by_snr.push((*snr, vec![text])),
            }
        }
    }
    let sentence = |(snr, texts): (f64, Vec<String>)| {
        format!(
            "The range at SNR {snr:.0} reaches below the darkest step, by stops: {}; there it leans on the fitted noise \
             model.",
            texts.join(", ")
        )
    };
    by_snr.into_iter().map(sentence).collect()
}

/// Rising numbers with runs abbreviated: "1, 2, 4-9".
pub(super) fn runs(numbers: &[usize]) -> String {
    let mut parts: Vec<(usize, usize)> = Vec::new();
    for &n in numbers {
        match parts.last_mut() {
            Some((_, last)) if *last + 1 == n => *last = n,
            _ => parts.push((n, n)),
        }
    }
    let part = |&(a, b): &(usize, usize)| match b - a {
        0 => a.to_string(),
        1 => format!("{a}, {b}"),
        _ => format!("{a}-{b}"),
    };
    parts.iter().map(part).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::runs;

    #[test]
    fn neighbours_are_joined() {
        assert_eq!(runs(&[1, 2, 4, 5, 6, 9]), "1, 2, 4-6, 9");
        assert_eq!(runs(&[7]), "7");
        assert_eq!(runs(&[]), "");
    }
}
