//! Chart of the SNR of one pixel against density or step for all pictures, with lines at SNR 1 and 10.
use super::super::words::significant;
use super::axis::Axis;
use super::chart::{Caption, Chart};
use super::marks::{Series, of_picture};
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Measurement, Patch};

/// SNR below which points are not drawn.
const LOWEST: f64 = 0.1;
/// Share of clipped, and of black pixels, above which the SNR of a patch is meaningless and omitted: what is clipped or crushed has no noise.
const AT_THE_END: f64 = 0.01;

/// Chart of SNR against density, or against step if a density is unknown; `None` without an SNR.
pub(crate) fn snr(bracket: &BracketReport, id: &str) -> Option<String> {
    let pictures = &bracket.pictures;
    let dense = pictures
        .iter()
        .flat_map(|p| &p.patches)
        .all(|p| p.density.is_some());
    let place = |p: &Patch| p.density.filter(|_| dense).unwrap_or(p.step as f64);
    let series = series(pictures, place);
    let points = || series.iter().flat_map(|s| &s.points);
    let name = if dense {
        "density"
    } else {
        "step, 1 = lightest"
    };
    let x = Axis::linear(name, points().map(|p| p.0))?;
    let y = Axis::log("SNR of one pixel", points().map(|p| p.1).chain([0.8, 20.0]))?;
    let caption = Caption {
        id: format!("{id}-snr"),
        title: if dense {
            "SNR against density"
        } else {
            "SNR of each step"
        }
        .to_owned(),
        description: describe(&series),
    };
    let mut chart = Chart::of_series(caption, x, y, &series);
    chart.rule(1.0, "SNR 1");
    chart.rule(10.0, "SNR 10");
    chart.draw_series(&series);
    Some(chart.finish())
}

/// SNR of every picture at the positions that `place` gives its steps; pictures without a point are omitted.
fn series<'a>(pictures: &'a Measurement, place: impl Fn(&Patch) -> f64) -> Vec<Series<'a>> {
    let all = pictures.iter().enumerate().map(|(i, picture)| {
        let seen = picture
            .patches
            .iter()
            .filter(|p| p.clipped_share.max(p.crushed_share) <= AT_THE_END)
            .filter(|p| p.snr.is_finite() && p.snr >= LOWEST);
        Series {
            mark: of_picture(picture.kind, i),
            name: &picture.file,
            points: seen.map(|p| (place(p), p.snr)).collect(),
        }
    });
    all.filter(|s| !s.points.is_empty()).collect()
}

fn describe(series: &[Series]) -> String {
    let ends: Vec<String> = series
        .iter()
        .filter_map(|one| {
            let (first, last) = (one.points.first()?, one.points.last()?);
            Some(format!(
                "{} from {} to {}",
                one.name,
                significant(first.1, 2),
                significant(last.1, 2)
            ))
        })
        .collect();
    format!(
        "SNR of one pixel from the lightest unclipped step to the darkest: {}.",
        ends.join("; ")
    )
}
