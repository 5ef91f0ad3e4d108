//! Chart of the scene: histogram of radiance, and below it the range that each frame and the merge record.
use super::super::html::escape;
use super::super::words::{decimal, distinguishing_part, scene::tenths};
use super::axis::{Axis, minus};
use super::chart::{WIDTH, short};
use super::marks::of_picture;
use super::range::{grid, place};
use std::fmt::Write;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{Histogram, Scene};
use stopspan_core::results::{PictureKind, PictureMeasurement};

const SIDE: f64 = 8.0;
const HISTOGRAM: f64 = 110.0;
const ROW: f64 = 36.0;

/// Range of one picture. `top` is its clipping, `snr1` and `snr10` where it reaches these SNRs: stops from the clip level of the
/// reference frame. `share` of the scene's pixels, 0..=1, is within clipping and SNR 10.
struct Row<'a> {
    index: usize,
    picture: &'a PictureMeasurement,
    share: Option<f64>,
    top: f64,
    snr1: f64,
    snr10: f64,
}

/// Chart of the scene of a bracket; `None` without a scene.
pub(crate) fn scene(bracket: &BracketReport, id: &str) -> Option<String> {
    let scene = bracket.scene.as_ref()?;
    if scene.histogram.shares.is_empty() {
        return None;
    }
    let rows = rows(bracket, scene);
    let histogram = &scene.histogram;
    let end = histogram.lowest_stops + histogram.step_stops * histogram.shares.len() as f64;
    let ends = rows.iter().flat_map(|r| [r.snr1, r.top]);
    let axis = Axis::linear(
        "stops of radiance, 0 = clips the reference frame",
        ends.chain([histogram.lowest_stops, end]),
    )?;
    let first = HISTOGRAM + 8.0;
    let bottom = first + ROW * rows.len() as f64;
    let mut body = grid(&axis, bottom);
    body.push_str(&bars(&axis, histogram));
    for (place, row) in rows.iter().enumerate() {
        let class = of_picture(row.picture.kind, row.index).class;
        let files = bracket.pictures.iter().map(|p| p.file.as_str());
        let name = distinguishing_part(files, &row.picture.file);
        let top = first + ROW * place as f64;
        body.push_str(&row_of(&axis, row, &name, class, top));
    }
    Some(format!(
        "<svg class=\"chart\" viewBox=\"0 0 {WIDTH} {:.0}\" role=\"img\" aria-labelledby=\"{id}-scene-t {id}-scene-d\">\n\
         <title id=\"{id}-scene-t\">The scene and how much of it is recorded</title><desc id=\"{id}-scene-d\">{}</desc>\n{body}</svg>\n",
        bottom + 46.0,
        escape(&describe(scene, &rows))
    ))
}

fn rows<'a>(bracket: &'a BracketReport, scene: &Scene) -> Vec<Row<'a>> {
    let used = |f: &stopspan_core::results::FrameEntry| f.exposure.used.value;
    let zero = bracket
        .frames
        .iter()
        .find(|f| f.reference)
        .map_or(0.0, used);
    let shares = scene.held.iter().find(|h| h.snr == 10.0);
    let least = bracket
        .frames
        .iter()
        .map(used)
        .fold(f64::INFINITY, f64::min);
    let row = |(index, picture): (usize, &'a PictureMeasurement)| {
        let frame = bracket.frames.iter().position(|f| f.file == picture.file);
        let (top, share) = match (picture.kind, frame) {
            (PictureKind::Frame, Some(j)) => {
                let share = shares.and_then(|s| s.frames.get(j).copied());
                (zero - used(&bracket.frames[j]), share)
            }
            (PictureKind::Merge, _) => (zero - least, shares.map(|s| s.merge)),
            _ => return None,
        };
        let end = |snr| Some(top - picture.at_snr(snr)?.stops?);
        let (snr1, snr10) = (end(1.0)?, end(10.0)?);
        top.is_finite().then_some(Row {
            index,
            picture,
            share,
            top,
            snr1,
            snr10,
        })
    };
    bracket
        .pictures
        .iter()
        .enumerate()
        .filter_map(row)
        .collect()
}

fn bars(axis: &Axis, histogram: &Histogram) -> String {
    let most = histogram.shares.iter().copied().fold(1e-12, f64::max);
    let mut out = String::new();
    for (index, share) in histogram.shares.iter().enumerate() {
        let low = histogram.lowest_stops + histogram.step_stops * index as f64;
        let (left, right) = (place(axis, low), place(axis, low + histogram.step_stops));
        let height = share / most * (HISTOGRAM - 14.0);
        if height > 0.0 {
            // At least one unit high, so that few pixels can be told from none.
            let height = height.max(1.0);
            let _ = writeln!(
                out,
                r#"<rect class="bar rendered" x="{left:.1}" y="{:.1}" width="{:.1}" height="{height:.1}"/>"#,
                HISTOGRAM - height,
                (right - left - 0.6).max(0.4)
            );
        }
    }
    let _ = writeln!(
        out,
        r#"<path class="axis" d="M{SIDE},{HISTOGRAM}H{:.1}"/><text class="small" x="{SIDE}" y="11">tallest: {} of the pixels in {} stop</text>"#,
        WIDTH - SIDE,
        tenths(most),
        decimal(histogram.step_stops, 1)
    );
    out
}

fn row_of(axis: &Axis, row: &Row, name: &str, class: &str, top: f64) -> String {
    let share = row
        .share
        .map_or_else(String::new, |s| format!("{} at SNR 10", tenths(s)));
    let mut out = format!(
        "<text class=\"strong\" x=\"{SIDE}\" y=\"{0:.1}\">{1}</text><text x=\"{2:.1}\" y=\"{0:.1}\" text-anchor=\"end\">{3}</text>\n",
        top + 13.0,
        escape(&short(name)),
        WIDTH - SIDE,
        minus(&share)
    );
    let end = place(axis, row.top);
    for (from, name, offset, height) in [
        (row.snr1, "wide", 18.0, 12.0),
        (row.snr10, "narrow", 21.0, 6.0),
    ] {
        let start = place(axis, from);
        let _ = writeln!(
            out,
            r#"<rect class="bar {name} {class}" x="{start:.1}" y="{:.1}" width="{:.1}" height="{height}"/>"#,
            top + offset,
            (end - start).max(0.0)
        );
    }
    out
}

fn describe(scene: &Scene, rows: &[Row]) -> String {
    let each: Vec<String> = rows
        .iter()
        .map(|r| {
            let share = r.share.map_or_else(|| "-".to_owned(), tenths);
            format!(
                "{} from {} to {} stops at SNR 10, {share} of the pixels",
                r.picture.file,
                decimal(r.snr10, 1),
                decimal(r.top, 1)
            )
        })
        .collect();
    let stops = scene
        .stops
        .map_or_else(|| "-".to_owned(), |s| decimal(s, 1));
    format!(
        "99 % of the pixels span {stops} stops. Recorded: {}.",
        each.join("; ")
    )
}
