//! Recovered response against the camera's true curve, which the raw files of the same shots give.
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::of_channel;
use stopspan_core::results::BracketReport;
use stopspan_core::results::CurvePoint;

/// Chart of recovered minus true log2 exposure, hundredths of a stop, against level, with the 95 % interval of the true values. `None`
/// without curves.
pub(crate) fn curve_from_raw(bracket: &BracketReport, id: &str) -> Option<String> {
    let curves = &bracket.raw_beside.as_ref()?.curves;
    let off = |p: &CurvePoint| {
        let hundredths = 100.0 * (p.recovered - p.stops);
        (p.level, hundredths, 196.0 * p.standard_uncertainty)
    };
    let lines: Vec<Vec<(f64, f64, f64)>> = curves
        .iter()
        .map(|c| c.points.iter().map(off).collect())
        .collect();
    let x = Axis::linear("level, 8-bit code", [0.0, 255.0].into_iter())?;
    let x = Axis { high: 255.0, ..x };
    let ends = lines.iter().flatten().flat_map(|(_, d, u)| [d - u, d + u]);
    let y = Axis::linear("recovered less true, 0.01 stop", ends.chain([-10.0, 10.0]))?;
    let looks: Vec<_> = (0..curves.len())
        .map(|c| of_channel(c, curves.len()))
        .collect();
    let legend = looks.iter().map(|(mark, name)| (*mark, (*name).to_owned()));
    let largest = lines
        .iter()
        .flatten()
        .map(|l| l.1.abs())
        .fold(0.0, f64::max);
    let caption = Caption {
        id: format!("{id}-through-raw"),
        title: "Recovered response against the raw files".to_owned(),
        description: format!(
            "Recovered less true exposure in stops for each level, one line a channel; at most {} stops.",
            super::super::words::decimal(0.01 * largest, 2)
        ),
    };
    let mut chart = Chart::new(caption, x, y, legend.collect());
    chart.rule(0.0, "true curve");
    for ((mark, _), line) in looks.iter().zip(&lines) {
        let band: Vec<_> = line.iter().map(|(l, d, u)| (*l, d - u, d + u)).collect();
        chart.band(*mark, &band);
        let points: Vec<_> = line.iter().map(|(l, d, _)| (*l, *d)).collect();
        chart.line(*mark, &points);
    }
    Some(chart.finish())
}
