//! Opto-electronic conversion function: green code against log2 exposure on the wedge (after ISO 14524, which uses log10).
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::{Series, of_picture};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{PictureKind, PictureMeasurement};
use stopspan_core::units::Density;

/// Chart of code against exposure for every picture with codes; `None` without densities or codes.
pub(crate) fn oecf(bracket: &BracketReport, id: &str) -> Option<String> {
    let reference = bracket.frames.iter().find(|f| f.reference);
    let reference = reference.map_or(0.0, |f| f.exposure.used.value);
    let series: Vec<Series> = bracket
        .pictures
        .iter()
        .enumerate()
        .map(|(i, p)| Series {
            mark: of_picture(p.kind, i),
            name: &p.file,
            points: points(p, exposure(bracket, p) - reference),
        })
        .filter(|s| !s.points.is_empty())
        .collect();
    let all = || series.iter().flat_map(|s| &s.points);
    let x = Axis::linear(
        "log2 exposure, stops (density 0 in the reference = 0)",
        all().map(|p| p.0),
    )?;
    let y = Axis::linear("green code", [0.0, 255.0].into_iter())?;
    let caption = Caption {
        id: format!("{id}-oecf"),
        title: "Opto-electronic conversion function".to_owned(),
        description: format!(
            "Mean green code of each step against its exposure, for {}. Frames with the same response share one line.",
            series.iter().map(|s| s.name).collect::<Vec<_>>().join(", ")
        ),
    };
    let mut chart = Chart::of_series(caption, x, Axis { high: 255.0, ..y }, &series);
    chart.draw_series(&series);
    Some(chart.finish())
}

/// Relative exposure of a frame, stops; for any other picture that of the reference frame. 0 where it is unknown.
fn exposure(bracket: &BracketReport, picture: &PictureMeasurement) -> f64 {
    let own = bracket.frames.iter().find(|f| {
        if picture.kind == PictureKind::Frame {
            f.file == picture.file
        } else {
            f.reference
        }
    });
    own.map_or(0.0, |f| f.exposure.used.value)
}

/// Points (log2 exposure, green code) of the steps with a code and a density.
fn points(picture: &PictureMeasurement, stops: f64) -> Vec<(f64, f64)> {
    let seen = picture.patches.iter();
    seen.filter_map(|p| {
        let [_, green, _] = p.code?;
        Some((stops - Density(p.density?).stops().0, green))
    })
    .filter(|p| p.0.is_finite() && p.1.is_finite())
    .collect()
}
