//! Comparison of cameras: one row per bracket, ranks with ties, the light that each recorded, and limits of comparability.
use super::ranks;
use stopspan_core::raster::Point;
use stopspan_core::results::BracketReport;
use stopspan_core::results::{
    CameraComparison, CameraRow, LevelsAndRange, LightPair, NotComparable,
};
use stopspan_core::results::{Patch, PictureMeasurement, Scene};
use stopspan_core::statistics::robust::{median, median_deviation};
use stopspan_core::units::{Estimate, ExposureSettings};

/// Largest difference between measured and expected light, stops, at which two brackets are taken to have received the same
/// light. Own choice: a third of a stop for the stated speed and as much for losses in the lens.
const SAME_LIGHT: f64 = 0.67;
/// Largest ratio of patch widths, as shares of the frame's width, at which the framing is taken to be the same.
const SAME_FRAMING: f64 = 1.25;

/// Compares the cameras of the brackets; `None` with fewer than two cameras. Rows run from the longest range of the merge down to
/// SNR 1 to the shortest; the light of the others is measured against the first.
pub fn compare(brackets: &[BracketReport]) -> Option<CameraComparison> {
    let mut order: Vec<&BracketReport> = brackets.iter().collect();
    let held = |b: &BracketReport| b.pictures.merge.as_ref()?.at_snr(1.0)?.stops;
    order.sort_by(|a, b| held(b).unwrap_or(0.0).total_cmp(&held(a).unwrap_or(0.0)));
    let mut rows: Vec<CameraRow> = order.iter().map(|b| row(b)).collect();
    let first = rows.first()?.camera.clone();
    if rows.iter().all(|r| r.camera == first) {
        return None;
    }
    let spans: Vec<ranks::Spans> = order.iter().map(|b| ranks::spans(ranked(b))).collect();
    ranks::rank(&mut rows, &spans);
    let mut out = CameraComparison {
        rows,
        ..CameraComparison::default()
    };
    let (base, others) = order.split_first()?;
    for (other, row) in others.iter().zip(&out.rows[1..]) {
        let pair = LightPair {
            first: first.clone(),
            second: row.camera.clone(),
            expected: expected(&out.rows[0].settings, &row.settings),
            measured: measured(base, other),
        };
        out.not_comparable.extend(doubts(base, other, &pair));
        out.light.push(pair);
    }
    Some(out)
}

fn reference(bracket: &BracketReport) -> Option<usize> {
    bracket.frames.iter().position(|f| f.reference)
}

fn row(bracket: &BracketReport) -> CameraRow {
    let index = reference(bracket);
    let settings = index.map_or_else(ExposureSettings::default, |i| bracket.frames[i].settings);
    let merge = bracket.pictures.merge.as_ref();
    let white = merge.and_then(|m| Some(m.patches.first()?.linear));
    CameraRow {
        camera: bracket
            .camera
            .clone()
            .unwrap_or_else(|| bracket.name.clone()),
        bracket: bracket.name.clone(),
        settings,
        steps: bracket.pictures.steps(),
        single: levels_and_range(single_of(bracket)),
        camera_hdr: levels_and_range(bracket.pictures.camera.as_ref()),
        merge: levels_and_range(merge),
        clip_above_white: white.filter(|w| *w > 0.0).map(|w| -w.log2()),
        rank_stops: None,
        rank_levels: None,
        standings: Vec::new(),
    }
}

fn single_of(bracket: &BracketReport) -> Option<&PictureMeasurement> {
    single_frame(&bracket.pictures.frames, bracket.scene.as_ref())
}

/// The pictures by which cameras are ranked: best single frame, camera's HDR picture, merge.
fn ranked(bracket: &BracketReport) -> [Option<&PictureMeasurement>; 3] {
    let pictures = &bracket.pictures;
    [
        single_of(bracket),
        pictures.camera.as_ref(),
        pictures.merge.as_ref(),
    ]
}

/// The single frame to use where nothing is merged: the one that keeps most of the scene, if it was measured. Where the scene is not
/// known, the one that resolves most steps by noise; among equals the one with the longest range down to SNR 1; among equals the last.
pub(crate) fn single_frame<'p>(
    frames: &'p [PictureMeasurement],
    scene: Option<&Scene>,
) -> Option<&'p PictureMeasurement> {
    let kept = scene.and_then(|s| s.kept_by());
    if let Some(kept) = frames.iter().find(|p| kept == Some(p.file.as_str())) {
        return Some(kept);
    }
    let levels = |p: &PictureMeasurement| p.levels.map_or(0, |l| l.noise);
    let stops = |p: &PictureMeasurement| p.at_snr(1.0).and_then(|u| u.stops).unwrap_or(0.0);
    let order = |a: &PictureMeasurement, b: &PictureMeasurement| {
        let by_levels = levels(a).cmp(&levels(b));
        by_levels.then(stops(a).total_cmp(&stops(b)))
    };
    frames.iter().max_by(|a, b| order(a, b))
}

/// Levels and range of a picture; empty without one.
pub(super) fn levels_and_range(picture: Option<&PictureMeasurement>) -> LevelsAndRange {
    picture.map_or_else(LevelsAndRange::default, LevelsAndRange::of)
}

fn expected(first: &ExposureSettings, second: &ExposureSettings) -> Option<f64> {
    let light = |s: &ExposureSettings| {
        let (time, number, speed) = (s.time?.0, s.aperture?.0, s.speed?.0);
        Some((time * speed / (number * number)).log2())
    };
    Some(light(second)? - light(first)?)
}

/// Exposure of the second bracket over the first, stops: median over the steps that both merges record at SNR 10 or more, each in
/// units of the clip exposure of its own reference frame. `None` with fewer than three such steps.
fn measured(first: &BracketReport, second: &BracketReport) -> Option<Estimate> {
    let first = &first.pictures.merge.as_ref()?.patches;
    let second = &second.pictures.merge.as_ref()?.patches;
    if first.len() != second.len() {
        return None;
    }
    let good = first.iter().zip(second).filter(|(a, b)| {
        let fine = |p: &Patch| p.snr >= 10.0 && p.clipped_share < 0.01 && p.linear > 0.0;
        fine(a) && fine(b)
    });
    let ratios: Vec<f64> = good.map(|(a, b)| (b.linear / a.linear).log2()).collect();
    if ratios.len() < 3 {
        return None;
    }
    let scatter = median_deviation(&ratios)?;
    let uncertainty = scatter / (ratios.len() as f64).sqrt();
    Some(Estimate::new(median(&ratios)?, uncertainty))
}

fn doubts(first: &BracketReport, second: &BracketReport, pair: &LightPair) -> Vec<NotComparable> {
    let bracket = second.name.clone();
    let mut out = Vec::new();
    if first.pictures.steps() != second.pictures.steps() {
        out.push(NotComparable::Wedge {
            bracket: bracket.clone(),
        });
    }
    if let (Some(a), Some(b)) = (patch_share(first), patch_share(second)) {
        let ratio = b / a;
        if !(1.0 / SAME_FRAMING..=SAME_FRAMING).contains(&ratio) {
            out.push(NotComparable::Framing {
                bracket: bracket.clone(),
                ratio,
            });
        }
    }
    if let (Some(expected), Some(measured)) = (pair.expected, pair.measured) {
        let difference = measured.value - expected;
        if difference.abs() > SAME_LIGHT {
            out.push(NotComparable::Light {
                bracket: bracket.clone(),
                difference,
            });
        }
    }
    let speed = |b: &BracketReport| b.frames[reference(b)?].settings.speed.map(|s| s.0);
    if let (Some(one), Some(other)) = (speed(first), speed(second))
        && one != other
    {
        out.push(NotComparable::Speed {
            bracket,
            speed: other,
            first: one,
        });
    }
    out
}

/// Mean width of a patch as a share of the frame's width.
fn patch_share(bracket: &BracketReport) -> Option<f64> {
    let wedge = bracket.wedge.as_ref()?;
    let columns = bracket.frames.get(reference(bracket)?)?.columns;
    let [a, b, c, d] = wedge.corners;
    let length = |p: Point, q: Point| (p.x - q.x).hypot(p.y - q.y);
    let wide = (length(a, b) + length(d, c)) / 2.0;
    Some(wide / wedge.columns.max(1) as f64 / columns.max(1) as f64)
}
