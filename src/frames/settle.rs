//! Exposures of a bracket in context: gaps filled, nominal markings replaced, uncertainty stated.
//!
//! One frame does not tell whether 1/60 s means 1/60 or 1/64. A bracket is taken for a series of markings only if
//! every member is one, and the exact powers of two give steps of whole thirds or halves of a stop where the numbers
//! as written do not: 1/30, 1/60, 1/125 is such a series; 1/60, 1/120, 1/240 is not (1/120 is no marking), and 1/15,
//! 1/30, 1/60 has the same steps either way.
use super::exposure::{ParsedExposure, Stated, TRUE_TIME_STOPS};
use super::markings::{Scale, Series};
use stopspan_core::finding::Finding;
use stopspan_core::model::ExposureSource;

/// Standard uncertainty of an exact time that replaces a marking, stops (judgement).
pub const SNAPPED_STOPS: f64 = 0.02;
/// Standard uncertainty of a marking as written, or of a mechanical setting, stops (judgement).
pub const MARKING_STOPS: f64 = 0.05;
/// Standard uncertainty added by a change of aperture between frames, stops (judgement: repeatability of the blades).
pub const APERTURE_STOPS: f64 = 0.03;
/// Standard uncertainty added by a change of speed between frames, stops (judgement).
pub const SPEED_STOPS: f64 = 0.02;
/// Largest deviation from a whole third or half of a stop, stops.
const WHOLE: f64 = 1e-4;

/// Revises settings, exposures and findings of the members of one bracket together.
pub fn settle(members: &mut [ParsedExposure]) {
    fill_aperture(members);
    fill_speed(members);
    let time_sigma = settle_scale(members, Scale::Time);
    let aperture_sigma = settle_scale(members, Scale::Aperture).map(|_| APERTURE_STOPS);
    let speed_sigma = settle_scale(members, Scale::Speed).map(|_| SPEED_STOPS);
    for member in members.iter_mut() {
        let base = match member.source {
            ExposureSource::User => TRUE_TIME_STOPS,
            _ => time_sigma.unwrap_or_else(|| alone(member.time.as_ref())),
        };
        let rounding = member.time.map_or(0.0, |t| t.rounding_stops);
        let parts = [
            base,
            if base == SNAPPED_STOPS { 0.0 } else { rounding },
            aperture_sigma.unwrap_or(0.0),
            speed_sigma.unwrap_or(0.0),
        ];
        member.restate(parts.iter().map(|p| p * p).sum::<f64>().sqrt());
    }
    drop_unknowable(members);
}

/// Standard uncertainty of a time that is equal in all frames, or the only one: that of rounding as written.
fn alone(time: Option<&Stated>) -> f64 {
    match time.and_then(|t| t.written) {
        Some((n, d)) if is_marking_of(Scale::Time, n, d) => MARKING_STOPS,
        _ => TRUE_TIME_STOPS,
    }
}

fn pick(member: &mut ParsedExposure, scale: Scale) -> &mut Option<Stated> {
    match scale {
        Scale::Time => &mut member.time,
        Scale::Aperture => &mut member.aperture,
        Scale::Speed => &mut member.speed,
    }
}

/// Replaces the markings of one scale if the bracket is a series of them. Returns the standard uncertainty of the
/// values in use, stops; `None` if the scale does not vary.
fn settle_scale(members: &mut [ParsedExposure], scale: Scale) -> Option<f64> {
    let stated: Vec<Stated> = members.iter_mut().filter_map(|m| *pick(m, scale)).collect();
    let values: Vec<f64> = stated.iter().map(|s| s.value).collect();
    if values.windows(2).all(|pair| pair[0] == pair[1]) {
        return None;
    }
    let markings = |s: &Stated| s.written.is_some_and(|(n, d)| is_marking_of(scale, n, d));
    let every_marking = stated.iter().all(markings);
    if whole_steps(&values, scale) {
        return Some(if every_marking {
            SNAPPED_STOPS
        } else {
            TRUE_TIME_STOPS
        });
    }
    let Some(exact) = every_marking
        .then(|| exact_values(&stated, scale))
        .flatten()
    else {
        return Some(if stated.iter().any(markings) {
            MARKING_STOPS
        } else {
            TRUE_TIME_STOPS
        });
    };
    let mut exact = exact.into_iter();
    for member in members.iter_mut() {
        if pick(member, scale).is_some()
            && let Some(value) = exact.next()
        {
            replace(member, scale, value);
        }
    }
    Some(SNAPPED_STOPS)
}

fn is_marking_of(scale: Scale, numerator: i64, denominator: i64) -> bool {
    [Series::Third, Series::Half]
        .iter()
        .any(|&s| scale.marking(numerator, denominator, s).is_some())
}

/// True if all steps are whole thirds, or all are whole halves, of a stop.
fn whole_steps(values: &[f64], scale: Scale) -> bool {
    let steps: Vec<f64> = values.iter().map(|v| scale.stops(v / values[0])).collect();
    [3.0, 2.0].iter().any(|parts| {
        steps
            .iter()
            .all(|s| (s * parts - (s * parts).round()).abs() / parts < WHOLE)
    })
}

/// Exact values in the series that all members belong to. If they belong to both, in the one closer to the numbers as
/// written (root mean square in stops), thirds if equal.
fn exact_values(stated: &[Stated], scale: Scale) -> Option<Vec<f64>> {
    let candidate = |series| -> Option<(f64, Vec<f64>)> {
        let exact: Vec<f64> = stated
            .iter()
            .map(|s| s.written.and_then(|(n, d)| scale.marking(n, d, series)))
            .collect::<Option<_>>()?;
        let off = stated
            .iter()
            .zip(&exact)
            .map(|(s, e)| scale.stops(e / s.value).powi(2))
            .sum::<f64>();
        Some((off, exact))
    };
    match (candidate(Series::Third), candidate(Series::Half)) {
        (Some(third), Some(half)) if half.0 < third.0 => Some(half.1),
        (Some(third), _) => Some(third.1),
        (None, half) => half.map(|h| h.1),
    }
}

fn replace(member: &mut ParsedExposure, scale: Scale, exact: f64) {
    let frame = member.frame.clone();
    let Some(stated) = pick(member, scale).as_mut() else {
        return;
    };
    let nominal = stated.value;
    stated.value = exact;
    if nominal == exact {
        return;
    }
    let difference_stops = scale.stops(exact / nominal);
    let setting = match scale {
        Scale::Time => {
            return member.findings.push(Finding::NominalSnapped {
                frame,
                nominal_s: nominal,
                exact_s: exact,
                difference_stops,
            });
        }
        Scale::Aperture => "f-number".to_owned(),
        Scale::Speed => "ISO".to_owned(),
    };
    member.findings.push(Finding::SettingSnapped {
        frame,
        setting,
        nominal,
        exact,
        difference_stops,
    });
}

fn fill_aperture(members: &mut [ParsedExposure]) {
    fill_missing(members, Scale::Aperture, "FNumber", |v| {
        format!("f/{v} as in the other frames")
    });
}

fn fill_speed(members: &mut [ParsedExposure]) {
    fill_missing(members, Scale::Speed, "PhotographicSensitivity", |v| {
        format!("ISO {v} as in the other frames")
    });
}

/// If all frames that state a setting agree, the others are assumed to have it too.
fn fill_missing(
    members: &mut [ParsedExposure],
    scale: Scale,
    tag: &str,
    words: impl Fn(f64) -> String,
) {
    let known: Vec<Stated> = members.iter_mut().filter_map(|m| *pick(m, scale)).collect();
    let Some(first) = known.first().copied() else {
        return;
    };
    if known.len() == members.len() || known.iter().any(|k| k.value != first.value) {
        return;
    }
    for member in members.iter_mut() {
        if pick(member, scale).is_none() {
            *pick(member, scale) = Some(first);
            member.findings.push(Finding::TagMissing {
                frame: member.frame.clone(),
                tag: tag.to_owned(),
                used: words(first.value),
            });
        }
    }
}

/// If f-number or speed varies over the bracket, a frame that does not state it has no known exposure.
fn drop_unknowable(members: &mut [ParsedExposure]) {
    for scale in [Scale::Aperture, Scale::Speed] {
        let unknown: Vec<bool> = members
            .iter_mut()
            .map(|m| m.plain_stops.is_none() && pick(m, scale).is_none())
            .collect();
        if unknown.iter().all(|u| *u) {
            continue;
        }
        for (member, unknown) in members.iter_mut().zip(unknown) {
            if unknown {
                member.stated = None;
            }
        }
    }
}
