//! Chart of the tone curve of the camera's own HDR picture: its level against the merge's radiance.
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::Mark;
use stopspan_core::results::Comparison;

const CURVE: Mark = Mark {
    class: "hdr",
    dash: "",
    shape: "",
};

/// Chart of flat places as dots, with the curve through them and its 95 % band; `None` without a curve.
pub(crate) fn tone_curve(comparison: &Comparison, id: &str) -> Option<String> {
    let tone = comparison.tone.as_ref()?;
    let x = Axis::linear(
        "log2 radiance of the merge, stops",
        tone.knots.iter().map(|k| k.stops),
    )?;
    let y = Axis::linear("green code of the camera's HDR", [0.0, 255.0].into_iter())?;
    let caption = Caption {
        id: format!("{id}-tone"),
        title: "Tone curve of the camera's HDR picture".to_owned(),
        description: format!(
            "Level against the merge's radiance for {} flat places, and the rising curve through their medians. {} of them deviate from the curve.",
            tone.cells,
            super::super::words::percent(tone.off_curve.value)
        ),
    };
    let legend = vec![(CURVE, "tone curve, 95 % band".to_owned())];
    let mut chart = Chart::new(caption, x, Axis { high: 255.0, ..y }, legend);
    let cloud: Vec<(f64, f64)> = tone.cloud.iter().map(|p| (p[0], 255.0 * p[1])).collect();
    chart.dots(&cloud);
    let band: Vec<(f64, f64, f64)> = tone
        .knots
        .iter()
        .filter_map(|k| Some((k.stops, 255.0 * k.low95?, 255.0 * k.high95?)))
        .collect();
    chart.band(CURVE, &band);
    let line: Vec<(f64, f64)> = tone
        .knots
        .iter()
        .map(|k| (k.stops, 255.0 * k.level))
        .collect();
    chart.line(CURVE, &line);
    Some(chart.finish())
}
