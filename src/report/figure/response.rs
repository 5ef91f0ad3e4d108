//! Chart of the response curves: log2 exposure against level, one line per channel with its 95 % band.
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::of_channel;
use stopspan_core::model::ResponseCurve;
use stopspan_core::results::BracketReport;

/// Lowest log2 exposure drawn, stops from clipping.
const DEEPEST: f64 = -14.0;
/// Maximum number of segments of a drawn line.
const POINTS: usize = 192;

/// Chart of the response curves of a bracket; `None` without a response.
pub(crate) fn response(bracket: &BracketReport, id: &str) -> Option<String> {
    let curves = &bracket.response.as_ref()?.curves;
    let x = levels(curves)?;
    let lines: Vec<_> = curves.iter().map(|c| samples(c, &x)).collect();
    let depths = lines.iter().flatten().map(|s| s.stops);
    let y = Axis::linear("exposure, stops from clipping", depths.chain([0.0]))?;
    let looks: Vec<_> = (0..curves.len())
        .map(|c| of_channel(c, curves.len()))
        .collect();
    let legend = looks.iter().map(|(mark, name)| (*mark, (*name).to_owned()));
    let caption = Caption {
        id: format!("{id}-response"),
        title: "Response curve".to_owned(),
        description: describe(curves),
    };
    let mut chart = Chart::new(caption, x, y, legend.collect());
    for ((mark, _), line) in looks.iter().zip(&lines) {
        let band: Vec<_> = line
            .iter()
            .map(|s| {
                let half = 1.96 * s.uncertainty;
                (s.code, s.stops - half, s.stops + half)
            })
            .collect();
        chart.band(*mark, &band);
    }
    for (((mark, _), line), curve) in looks.iter().zip(&lines).zip(curves) {
        let [below, within, above] = by_support(line, curve);
        chart.pale_line(*mark, &below);
        chart.line(*mark, &within);
        chart.pale_line(*mark, &above);
    }
    Some(chart.finish())
}

/// Axis of levels, 8-bit codes: up to 255, or to the next whole tick above the clip level if that is below 90 % of full scale, as
/// in raw frames.
pub(crate) fn levels(curves: &[ResponseCurve]) -> Option<Axis> {
    let clip = curves.iter().map(|c| c.clip_level).fold(0.0, f64::max);
    let end = if clip < 0.9 { 255.0 * clip } else { 255.0 };
    let x = Axis::linear("level, 8-bit code", [0.0, end].into_iter())?;
    let high = x.high.min(255.0);
    Some(Axis { high, ..x })
}

/// One sample of a response curve.
pub(crate) struct Sample {
    /// Level, 8-bit code.
    pub code: f64,
    /// log2 exposure, stops from clipping.
    pub stops: f64,
    /// Standard uncertainty of `stops`.
    pub uncertainty: f64,
}

/// Samples of a curve on the axis of levels: every n-th entry, without those that are not finite or below [`DEEPEST`].
pub(crate) fn samples(curve: &ResponseCurve, levels: &Axis) -> Vec<Sample> {
    let last = curve.exposure.len().saturating_sub(1).max(1);
    let stride = last.div_ceil(POINTS).max(1);
    let entries = curve
        .exposure
        .iter()
        .zip(&curve.uncertainty_stops)
        .enumerate();
    entries
        .filter(|(i, _)| i % stride == 0 || *i == last)
        .map(|(i, (e, u))| Sample {
            code: i as f64 / last as f64 * 255.0,
            stops: e.log2(),
            uncertainty: *u,
        })
        .filter(|s| s.code <= levels.high)
        .filter(|s| s.stops.is_finite() && s.uncertainty.is_finite() && s.stops >= DEEPEST)
        .collect()
}

/// Splits samples into points (8-bit code, log2 exposure) below, within and above the levels that the data support. Neighbouring
/// parts share a point.
pub(crate) fn by_support(line: &[Sample], curve: &ResponseCurve) -> [Vec<(f64, f64)>; 3] {
    let (low, high) = (255.0 * curve.supported.0, 255.0 * curve.supported.1);
    let points: Vec<(f64, f64)> = line.iter().map(|s| (s.code, s.stops)).collect();
    let first = points.partition_point(|p| p.0 < low);
    let end = points.partition_point(|p| p.0 <= high).max(first);
    let last = end.saturating_sub(1).max(first);
    [
        points[..points.len().min(first + 1)].to_vec(),
        points[first..end].to_vec(),
        points[last.min(points.len())..].to_vec(),
    ]
}

fn describe(curves: &[ResponseCurve]) -> String {
    let depth = |level: f64| {
        let stops: Vec<String> = curves
            .iter()
            .filter(|c| c.exposure.len() > 1)
            .map(|c| super::super::words::decimal(c.exposure_at(level).log2(), 2))
            .collect();
        stops.join(", ")
    };
    format!(
        "Exposure in stops below clipping for each level, one line a channel with its 95 % band; pale where it is extrapolated. Code 128 stands at {} stops, code 32 at {} stops.",
        depth(128.0 / 255.0),
        depth(32.0 / 255.0)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_end_where_those_of_the_frames_do() {
        // A clip level at code 127.5 of 255 gives an axis to the next whole tick.
        for (clip, high) in [(1.0, 255.0), (0.98, 255.0), (0.5, 140.0)] {
            let curve = ResponseCurve::linear(1024, clip);
            let axis = levels(std::slice::from_ref(&curve)).unwrap();
            assert_eq!((axis.low, axis.high), (0.0, high), "{clip}");
            let last = samples(&curve, &axis).pop().unwrap();
            assert!(last.code <= high && last.code > high - 2.0, "{clip}");
        }
    }

    #[test]
    fn the_parts_of_a_line_meet_and_leave_nothing_out() {
        let line: Vec<Sample> = (0..=10)
            .map(|i| Sample {
                code: 25.5 * f64::from(i),
                stops: 0.0,
                uncertainty: 0.0,
            })
            .collect();
        for (supported, lengths) in [
            ((0.15, 0.85), [3, 7, 3]),
            ((0.0, 1.0), [1, 11, 1]),
            ((0.42, 0.48), [6, 0, 6]),
        ] {
            let curve = ResponseCurve {
                supported,
                ..ResponseCurve::linear(11, 1.0)
            };
            let parts = by_support(&line, &curve);
            assert_eq!(parts.each_ref().map(Vec::len), lengths, "{supported:?}");
            let meet = |a: &Vec<(f64, f64)>, b: &Vec<(f64, f64)>| {
                a.last().zip(b.first()).is_none_or(|(a, b)| a == b)
            };
            assert!(meet(&parts[0], &parts[1]) && meet(&parts[1], &parts[2]));
        }
    }
}
