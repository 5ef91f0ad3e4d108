//! All findings of a bracket as sentences: the most serious first, and one sentence for what recurs over steps, frames or pictures.
use super::finding::{finding, severity};
use stopspan_core::finding::{Finding, Severity};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Measurement, PictureMeasurement};

/// A sentence, and what it is about.
struct Sentence {
    severity: Severity,
    /// 0 for what makes figures wrong or missing, larger for less.
    urgency: u8,
    /// The finding's kind, by which sentences are gathered; `None` for one that stands by itself.
    kind: Option<std::mem::Discriminant<Finding>>,
    text: String,
    /// Frames or pictures with a finding of this kind: the first is named in the text.
    about: Vec<String>,
}

/// Returns the findings of a bracket and of its pictures as sentences: the most serious first. A finding that several frames or
/// pictures share is one sentence with the numbers of the first; the others are named.
pub fn all_findings(bracket: &BracketReport) -> Vec<(Severity, String)> {
    let mut list = Vec::new();
    let compared = bracket.comparison.iter().flat_map(|c| &c.findings);
    for one in bracket.findings.iter().chain(compared) {
        add(&mut list, (one, severity(one)), None);
    }
    for picture in bracket.pictures.iter() {
        list.extend(uneven_steps(picture).map(|text| Sentence::alone(Severity::Warning, text)));
        let recurring = |f: &&Finding| {
            matches!(
                f,
                Finding::PatchTextured { .. } | Finding::RangeBeyondWedge { .. }
            )
        };
        for one in picture.findings.iter().filter(|f| !recurring(f)) {
            let weight = severity_beside(one, &picture.findings);
            add(&mut list, (one, weight), Some(&picture.file));
        }
    }
    let beyond = beyond_the_wedge(&bracket.pictures).into_iter();
    list.extend(beyond.map(|text| Sentence::alone(Severity::Note, text)));
    list.sort_by_key(|s| (std::cmp::Reverse(s.severity), s.urgency));
    list.into_iter().map(|s| (s.severity, s.whole())).collect()
}

/// Adds a finding to the list, or to the sentence of its kind. `picture` is the picture that was measured, if it is about one.
fn add(list: &mut Vec<Sentence>, (one, severity): (&Finding, Severity), picture: Option<&str>) {
    let mut text = finding(one);
    let named = subject(one).or(picture.map(str::to_owned));
    if let (Some(name), Some(_)) = (&named, picture)
        && !text.contains(name.as_str())
    {
        text = format!("{name}: {text}");
    }
    let kind = std::mem::discriminant(one);
    let gathered = named.is_some().then_some(kind);
    let same = |s: &&mut Sentence| {
        s.text == text || (gathered.is_some() && s.kind == gathered && s.severity == severity)
    };
    match list.iter_mut().find(same) {
        Some(before) => {
            let new = named.filter(|name| !before.about.contains(name));
            before.about.extend(new);
        }
        None => list.push(Sentence {
            severity,
            urgency: urgency(one),
            kind: gathered,
            text,
            about: named.into_iter().collect(),
        }),
    }
}

impl Sentence {
    fn alone(severity: Severity, text: String) -> Self {
        Sentence {
            severity,
            urgency: u8::MAX,
            kind: None,
            text,
            about: Vec::new(),
        }
    }

    /// The text, and the names of the others that it is true of: three at most, then their number.
    fn whole(self) -> String {
        const NAMED: usize = 3;
        let others = self.about.get(1..).unwrap_or_default();
        match others.len() {
            0 => self.text,
            n if n <= NAMED => format!("{} Likewise: {}.", self.text, others.join(", ")),
            n => {
                let (first, rest) = (others[..NAMED].join(", "), n - NAMED);
                format!("{} Likewise: {first} and {rest} more.", self.text)
            }
        }
    }
}

/// The frame or picture that a finding is about, or the pair of frames.
fn subject(one: &Finding) -> Option<String> {
    let fields = serde_json::to_value(one).ok()?;
    let text = |field: &str| Some(fields.get(field)?.as_str()?.to_owned());
    let pair = || Some(format!("{} and {}", text("first")?, text("second")?));
    text("frame").or_else(|| text("picture")).or_else(pair)
}

/// How soon a reader must know: 0 for figures that are missing or wrong, 1 for frames that were lost, 2 for figures that rest on an
/// assumption, 3 for the rest.
pub(super) fn urgency(one: &Finding) -> u8 {
    use Finding::*;
    match one {
        SpanBeyondCurves { .. } | SpanUnknown { .. } | FigureRefused { .. } => 0,
        DensitiesNotUsed { .. } | WedgeUnusable { .. } | DamagedAccepted { .. } => 0,
        FrameLeftOut { .. } | RegistrationFailed { .. } | OutOfRegister { .. } => 1,
        StatedStepFalse { .. } | StatedExposureFalse { .. } | NoWedge { .. } => 1,
        NoiseAssumed { .. } | ResponseThin { .. } | ClosureFails { .. } => 2,
        WedgeDoubtful { .. } | WedgeGridDoubtful { .. } | LevelsFlattered { .. } => 2,
        WedgeOrderDoubtful { .. } | WedgeStepsRepeated { .. } | DensitiesDisagree { .. } => 0,
        _ => 3,
    }
}

/// Severity of a finding among those of its picture: what compression did to noise is a note beside the warning that says what it did to
/// the count.
pub(super) fn severity_beside(one: &Finding, others: &[Finding]) -> Severity {
    let cause = matches!(
        one,
        Finding::NoiseCompressionLimited { .. } | Finding::NoiseSmoothed { .. }
    );
    let counted = |f: &Finding| matches!(f, Finding::LevelsFlattered { .. });
    match cause && others.iter().any(counted) {
        true => Severity::Note,
        false => severity(one),
    }
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
            "{}: {noun} {} {verb} unevenly lit or textured (variation up to {most:.1} times the noise); medians were used.",
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
            "Dynamic range at SNR {snr:.0} extends below the darkest step (stops: {}); that part is extrapolated from the noise model.",
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
