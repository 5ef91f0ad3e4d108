//! Comparison of cameras: one row per camera whatever it has, ranks with ties, the light that each recorded, and limits of comparability.
use super::ranks;
use stopspan_core::raster::Point;
use stopspan_core::results::{BracketReport, FrameEntry, LonePicture, WithoutBracket};
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

/// What one row of the comparison is made of.
#[derive(Clone, Copy)]
struct Entry<'a> {
    bracket: Option<&'a BracketReport>,
    /// The bracket of raw files of the same shots.
    raw: Option<&'a BracketReport>,
    /// The camera's pictures without a bracket.
    lone: Option<&'a WithoutBracket>,
}

/// Compares the cameras of brackets and of pictures without one; `None` with fewer than two cameras. Pictures without a bracket share the
/// row of their camera's only bracket. Rows run from the longest range of the merge down to SNR 1 to the shortest, then by steps; the
/// light of the others is measured against the first.
pub fn compare(brackets: &[BracketReport], lone: &[WithoutBracket]) -> Option<CameraComparison> {
    let mut order = entries(brackets, lone);
    order.sort_by(|a, b| {
        let by_stops = b.held().total_cmp(&a.held());
        by_stops.then(b.most_steps().cmp(&a.most_steps()))
    });
    let mut rows: Vec<CameraRow> = order.iter().map(Entry::row).collect();
    let first = rows.first()?.camera.clone();
    if rows.iter().all(|r| r.camera == first) {
        return None;
    }
    let spans: Vec<ranks::Spans> = order.iter().map(|e| ranks::spans(e.pictures())).collect();
    ranks::rank(&mut rows, &spans);
    let mut out = CameraComparison {
        rows,
        ..CameraComparison::default()
    };
    let (base, others) = order.split_first()?;
    for (other, row) in others.iter().zip(&out.rows[1..]) {
        let merges = base.merge().zip(other.merge());
        let pair = LightPair {
            first: first.clone(),
            second: row.camera.clone(),
            expected: expected(&out.rows[0].settings, &row.settings),
            measured: merges.and_then(|(a, b)| measured(&a.patches, &b.patches)),
        };
        let (one, another) = ((base, &out.rows[0]), (other, row));
        out.not_comparable.extend(doubts(one, another, &pair));
        out.light.push(pair);
    }
    Some(out)
}

/// One entry per bracket, but raw files beside another bracket share its row, and one per camera that has pictures only.
fn entries<'a>(brackets: &'a [BracketReport], lone: &'a [WithoutBracket]) -> Vec<Entry<'a>> {
    let beside = |b: &BracketReport| b.raw_beside.as_ref().map(|r| r.bracket.clone());
    let raw: Vec<String> = brackets.iter().filter_map(beside).collect();
    let finished = brackets.iter().filter(|b| !raw.contains(&b.name));
    let mut out: Vec<Entry> = finished
        .map(|bracket| Entry {
            bracket: Some(bracket),
            raw: beside(bracket).and_then(|name| brackets.iter().find(|b| b.name == name)),
            lone: None,
        })
        .collect();
    for one in lone {
        let same = |e: &&mut Entry| {
            let camera = e.bracket.and_then(|b| b.camera.as_ref());
            camera.is_some() && camera == one.camera.as_ref()
        };
        let mut of_camera: Vec<&mut Entry> = out.iter_mut().filter(same).collect();
        match of_camera.as_mut_slice() {
            [only] => only.lone = Some(one),
            _ => out.push(Entry {
                bracket: None,
                raw: None,
                lone: Some(one),
            }),
        }
    }
    out
}

impl<'a> Entry<'a> {
    /// Default shot, single frame, camera's HDR picture, merge and merge of raw files, in the order of `RankedPicture::ALL`.
    fn pictures(&self) -> [Option<&'a PictureMeasurement>; 5] {
        let shot = self.lone.and_then(|l| l.best_single());
        let finished = self.lone.and_then(|l| l.best_camera_hdr());
        let of_bracket = |b: &'a BracketReport| {
            let file = &b.frames.iter().find(|f| f.reference)?.file;
            b.pictures.frame(file)
        };
        let merge = |b: Option<&'a BracketReport>| b.and_then(|b| b.pictures.merge.as_ref());
        let own = self.bracket.and_then(|b| b.pictures.camera.as_ref());
        [
            self.bracket
                .and_then(of_bracket)
                .or(shot.map(|p| &p.measured)),
            self.bracket.and_then(single_of),
            own.or(finished.map(|p| &p.measured)),
            merge(self.bracket),
            merge(self.raw),
        ]
    }

    fn merge(&self) -> Option<&'a PictureMeasurement> {
        self.bracket?.pictures.merge.as_ref()
    }

    /// Range of the merge down to SNR 1, stops; 0 without one.
    fn held(&self) -> f64 {
        let merge = self.merge().and_then(|m| m.at_snr(1.0)?.stops);
        merge.unwrap_or(0.0)
    }

    /// Most steps that a picture resolves.
    fn most_steps(&self) -> Option<usize> {
        let levels = self.pictures().into_iter().flatten();
        levels.filter_map(|p| p.levels).map(|l| l.noise).max()
    }

    /// Camera name from the metadata, and name of the entry.
    fn names(&self) -> (Option<&'a String>, &'a str) {
        match (self.bracket, self.lone) {
            (Some(b), _) => (b.camera.as_ref(), &b.name),
            (None, Some(one)) => (one.camera.as_ref(), &one.name),
            (None, None) => (None, ""),
        }
    }

    /// The shot that represents the pictures without a bracket.
    fn lone_shot(&self) -> Option<&'a LonePicture> {
        let one = self.lone?;
        one.best_single().or_else(|| one.best_camera_hdr())
    }

    fn reference(&self) -> Option<&'a FrameEntry> {
        self.bracket?.frames.iter().find(|f| f.reference)
    }

    fn settings(&self) -> ExposureSettings {
        let known = self.reference().map(|f| f.settings);
        let known = known.or_else(|| self.lone_shot().map(|p| p.settings));
        known.unwrap_or_default()
    }

    fn row(&self) -> CameraRow {
        let pictures = self.pictures();
        let (camera, name) = self.names();
        let white = self.merge().and_then(|m| Some(m.patches.first()?.linear));
        let levels = pictures.into_iter().flatten().find_map(|p| p.levels);
        let [default_shot, single, camera_hdr, merge, raw] = pictures.map(levels_and_range);
        CameraRow {
            camera: camera.cloned().unwrap_or_else(|| name.to_owned()),
            bracket: name.to_owned(),
            settings: self.settings(),
            steps: levels.map(|l| l.steps),
            default_shot,
            single,
            camera_hdr,
            merge,
            raw,
            clip_above_white: white.filter(|w| *w > 0.0).map(|w| -w.log2()),
            rank_stops: None,
            rank_levels: None,
            standings: Vec::new(),
        }
    }

    /// Mean width of a patch as a share of the frame's width.
    fn patch_share(&self) -> Option<f64> {
        let of_bracket = || Some((self.bracket?.wedge.as_ref()?, self.reference()?.columns));
        let of_picture = || self.lone_shot().map(|p| (&p.wedge, p.columns));
        let (wedge, columns) = of_bracket().or_else(of_picture)?;
        let [a, b, c, d] = wedge.corners;
        let length = |p: Point, q: Point| (p.x - q.x).hypot(p.y - q.y);
        let wide = (length(a, b) + length(d, c)) / 2.0;
        Some(wide / wedge.columns.max(1) as f64 / columns.max(1) as f64)
    }
}

/// The single frame of a bracket to use where nothing is merged.
pub(crate) fn single_of(bracket: &BracketReport) -> Option<&PictureMeasurement> {
    single_frame(&bracket.pictures.frames, bracket.scene.as_ref())
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
fn measured(first: &[Patch], second: &[Patch]) -> Option<Estimate> {
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

/// Reasons to compare the second row with the first with care.
fn doubts(
    (first, first_row): (&Entry, &CameraRow),
    (second, row): (&Entry, &CameraRow),
    pair: &LightPair,
) -> Vec<NotComparable> {
    let bracket = row.bracket.clone();
    let mut out = Vec::new();
    if first_row.steps != row.steps {
        out.push(NotComparable::Wedge {
            bracket: bracket.clone(),
        });
    }
    if let (Some(a), Some(b)) = (first.patch_share(), second.patch_share()) {
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
    let speed = |row: &CameraRow| row.settings.speed.map(|s| s.0);
    if let (Some(one), Some(other)) = (speed(first_row), speed(row))
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
