//! Names of the compared quantities, and their values with intervals as text.
use super::number::{decimal, percent};
use stopspan_core::results::{Compared, Comparison, Difference, Interval, Quantity, ToneKind};

/// Name of a quantity in files.
pub fn quantity_name(quantity: Quantity) -> &'static str {
    use Quantity as Q;
    match quantity {
        Q::LevelsNoise => "levels-noise",
        Q::LevelsCode => "levels-code",
        Q::LevelsVisual => "levels-visual",
        Q::UsableStops1 => "usable-stops1",
        Q::UsableStops10 => "usable-stops10",
        Q::VisibleStops => "visible-stops",
        Q::Mtf50 => "mtf50",
        Q::Mtf10 => "mtf10",
        Q::Overshoot => "overshoot",
        Q::Acutance => "acutance",
        Q::NoiseDark => "noise-dark",
        Q::NoiseMiddle => "noise-middle",
        Q::NoiseLight => "noise-light",
        Q::NeutralA => "neutral-a",
        Q::NeutralB => "neutral-b",
        Q::NeutralDifference => "neutral-difference",
        Q::ColourDifference => "colour-difference",
        Q::OffCurve => "off-curve",
        Q::Ghosts => "ghosts",
        Q::DoubleEdges => "double-edges",
        Q::Clipped => "clipped",
        Q::Crushed => "crushed",
    }
}

/// Name of a quantity in text for readers, and its unit or standard in a few words.
pub fn quantity_words(quantity: Quantity) -> (&'static str, &'static str) {
    use Quantity as Q;
    match quantity {
        Q::LevelsNoise => ("steps resolved (noise)", "steps"),
        Q::LevelsCode => ("steps resolved (8-bit code)", "steps"),
        Q::LevelsVisual => ("steps visibly distinct", "steps"),
        Q::UsableStops1 => ("dynamic range at SNR 1", "stops"),
        Q::UsableStops10 => ("dynamic range at SNR 10", "stops"),
        Q::VisibleStops => ("visible range", "stops; 0.10 density moves L* by 1 or more"),
        Q::Mtf50 => (
            "detail, MTF50",
            "cycles/pixel; slanted edge after ISO 12233",
        ),
        Q::Mtf10 => (
            "detail, MTF10",
            "cycles/pixel; slanted edge after ISO 12233",
        ),
        Q::Overshoot => ("overshoot at an edge", "share of the step"),
        Q::Acutance => (
            "local acutance",
            "ratio; fine over coarse contrast, linear light",
        ),
        Q::NoiseDark => ("noise in dark tones", "stops, one pixel; L* 15 to 40"),
        Q::NoiseMiddle => ("noise in middle tones", "stops, one pixel; L* 40 to 65"),
        Q::NoiseLight => ("noise in light tones", "stops, one pixel; L* 65 to 90"),
        Q::NeutralA => (
            "neutrals: shift of a*",
            "at equal lightness; larger is redder",
        ),
        Q::NeutralB => (
            "neutrals: shift of b*",
            "at equal lightness; larger is yellower",
        ),
        Q::NeutralDifference => ("neutrals: CIEDE2000", "mean, after a lightness match"),
        Q::ColourDifference => ("colours: CIEDE2000", "mean, after a lightness match"),
        Q::OffCurve => ("locally tone-mapped", "share of flat places"),
        Q::Ghosts => ("ghosting", "share of the frame"),
        Q::DoubleEdges => ("double image", "share of textured areas"),
        Q::Clipped => ("white", "share of the frame; the last two 8-bit codes"),
        Q::Crushed => ("black", "share of the frame; the first two 8-bit codes"),
    }
}

/// Text of a missing value.
pub(crate) const NONE: &str = "\u{2013}";

/// Formats a value with the decimals and unit sign of its quantity.
fn value_text(compared: &Compared, value: f64) -> String {
    let text = match compared.unit.as_str() {
        // A quantile between two whole numbers keeps its decimal.
        "steps" if (value - value.round()).abs() < 0.05 => decimal(value, 0),
        "steps" => decimal(value, 1),
        "ratio" => decimal(value, 3),
        "share" => percent(value),
        "cycles/pixel" => decimal(value, 3),
        "stops" if value.abs() < 1.0 => decimal(value, 3),
        _ => decimal(value, 2),
    };
    text.replace('-', "\u{2212}")
}

/// Formats a value with its interval: "0.312 (0.309 to 0.315)"; without the interval if it has no width or is unknown. A dash without a
/// value.
pub fn interval(compared: &Compared, figure_of: Option<&Interval>) -> String {
    let Some(one) = figure_of else {
        return NONE.to_owned();
    };
    let ends = one
        .low95
        .zip(one.high95)
        .filter(|e| e.0.is_finite() && e.1.is_finite());
    let value = value_text(compared, one.value);
    match ends {
        Some((low, high)) if low == high && low == one.value => value,
        Some((low, high)) => {
            format!(
                "{value} ({} to {})",
                value_text(compared, low),
                value_text(compared, high)
            )
        }
        None => value,
    }
}

/// Formats a difference with its interval, or as "tie" if the interval contains 0.
pub fn difference(compared: &Compared, difference: Option<&Difference>) -> String {
    let Some(one) = difference else {
        return NONE.to_owned();
    };
    let sign = |v: f64| if v > 0.0 { "+" } else { "" };
    let value = format!("{}{}", sign(one.value), value_text(compared, one.value));
    match (one.tie, one.low95, one.high95) {
        (Some(true), ..) => format!("tie ({value})"),
        (_, Some(low), Some(high)) if low == high => value,
        (_, Some(low), Some(high)) => format!(
            "{value} ({}{} to {}{})",
            sign(low),
            value_text(compared, low),
            sign(high),
            value_text(compared, high)
        ),
        _ => format!("{value}, no interval"),
    }
}

/// Returns the comparison in one sentence: detail, tone mapping, ghosts, double edges. `None` if none was measured.
pub fn comparison(comparison: &Comparison) -> Option<String> {
    let mut parts = Vec::new();
    if let Some(row) = comparison.quantity(Quantity::Mtf50)
        && let (Some(camera), Some(merge), Some(less)) =
            (row.camera_hdr, row.merge, row.against_merge)
    {
        let word = match less.tie {
            Some(true) => "is equally sharp",
            _ if less.value > 0.0 => "is sharper",
            _ => "is less sharp",
        };
        parts.push(format!(
            "{word} (MTF50 {} against {} cycles/pixel)",
            decimal(camera.value, 2),
            decimal(merge.value, 2)
        ));
    }
    parts.extend(acutance(comparison));
    if let Some(tone) = &comparison.tone {
        let share = percent(tone.off_curve.value);
        parts.push(match tone.kind {
            ToneKind::Global => {
                format!("follows a single tone curve ({share} of flat areas deviate)")
            }
            ToneKind::Local => {
                format!(
                    "is locally tone-mapped ({share} of flat areas follow no single tone curve)"
                )
            }
        });
        parts.push(match comparison.ghosts.places.len() {
            0 => "shows no ghosting".to_owned(),
            n => format!(
                "shows ghosting in {} of the frame ({n} {})",
                percent(comparison.ghosts.share),
                if n == 1 { "place" } else { "places" }
            ),
        });
    }
    parts.extend(twice(comparison));
    let text = match parts.as_slice() {
        [] => return None,
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    };
    Some(format!(
        "Against the merge, the camera's HDR picture {text}."
    ))
}

/// Clause on double edges: exposures that the camera merged out of register. Nothing where the interval of the share begins at 0.
fn twice(comparison: &Comparison) -> Option<String> {
    let found = comparison.double_edges.as_ref()?;
    let second = found.evident()?;
    Some(format!(
        "shows a faint double image, {} px apart, in {} of {} textured areas",
        decimal(second.distance.value, 1),
        second.places,
        found.judged
    ))
}

/// Clause on local acutance, which replaces MTF50 if no edge was found.
fn acutance(comparison: &Comparison) -> Option<String> {
    if comparison.quantity(Quantity::Mtf50).is_some() {
        return None;
    }
    let row = comparison.quantity(Quantity::Acutance)?;
    let (camera, merge, less) = (row.camera_hdr?, row.merge?, row.against_merge?);
    let word = match less.tie {
        Some(true) => "has the same local acutance",
        _ if less.value > 0.0 => "has higher local acutance",
        _ => "has lower local acutance",
    };
    Some(format!(
        "{word} ({} against {})",
        decimal(camera.value, 2),
        decimal(merge.value, 2)
    ))
}
