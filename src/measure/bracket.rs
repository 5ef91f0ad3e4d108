//! Measures all pictures of a bracket: each is cropped to the wedge, or measured from the noise model alone.
use crate::bracket_planning::best_on_wedge;
use crate::calibrate::{CalibrationOutcome, ranges_under_glare};
use crate::locate::Located;
use crate::sources::{scene, settings_for, sources};
use crate::{MeasureSettings, Source, Subject, range, withheld};
use stopspan_core::finding::Finding;
use stopspan_core::model::{
    Bracket, CameraPicture, Frame, Homography, Merged, NoiseModel, NoiseSource, Recovered,
    main_channel,
};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::results::{
    BracketMeasurement, Measurement, PictureKind, PictureMeasurement, RENDERED_FILE, WedgePlace,
};

/// SNR per pixel below which a step may have darker neighbours that were not found: the lower end of visibility by Rose
/// (1948). The finder reaches somewhat deeper, because it averages.
const SEEN: f64 = 3.0;

/// Measures every picture of a bracket: on the wedge if there is one, else from the noise model alone. `rendered` is the
/// rendering of the map, in 8 bits; `camera_at` maps reference-frame pixels to pixels of the camera's HDR picture.
pub fn measure_bracket(
    merged: &Merged,
    rendered: &Pixels,
    camera_at: Option<Transform>,
    located: Located,
    calibrated: CalibrationOutcome,
) -> BracketMeasurement {
    let (frames, map) = (&merged.frames, &merged.map);
    let mut findings = located.findings;
    findings.extend(calibrated.findings);
    findings.extend(not_registered(&frames.bracket, camera_at));
    let mut pictures = match &located.place {
        Some(place) => {
            let subjects = subjects(merged, rendered, camera_at, place);
            let settings = MeasureSettings {
                light: calibrated.light,
                ..settings_for(frames)
            };
            crate::measure(&subjects, place, &settings)
        }
        None => {
            let (pictures, doubt) = without_wedge(frames);
            findings.extend(doubt);
            pictures
        }
    };
    lost_in_rendering(&mut pictures);
    if located.counted {
        findings.extend(may_go_on(&pictures));
        let seen = located.steps_of_run;
        findings.extend(seen.and_then(|seen| share_wedge(&mut pictures, seen)));
    }
    let (scene, doubts) = scene(frames, map).unzip();
    findings.extend(doubts.into_iter().flatten());
    let chosen = scene.as_ref().and_then(|s| s.kept_by());
    let gain = range::gains(&pictures, &sources(frames), chosen, located.place.is_some());
    let mut calibration = calibrated.calibration;
    match &mut calibration {
        Some(calibration) => ranges_under_glare(calibration, frames, &mut pictures),
        None => findings.extend(disagreement(&pictures)),
    }
    let mut measured = BracketMeasurement {
        wedge: located.place,
        candidate: located.candidate,
        calibration,
        best_on_wedge: best_on_wedge(&pictures.frames),
        pictures,
        gain,
        scene,
        camera_at,
        findings,
    };
    withheld::withhold(&mut measured, &frames.bracket.findings);
    measured
}

/// Finding for a camera's HDR picture that could not be registered.
fn not_registered(bracket: &Bracket, camera_at: Option<Transform>) -> Option<Finding> {
    let finished = bracket.camera_hdr.as_ref()?;
    camera_at.is_none().then(|| Finding::RegistrationFailed {
        frame: finished.name(),
        reason: "the camera's HDR picture could not be laid over the reference frame; it is not measured".into(),
    })
}

/// Finding for stated densities that disagree with those measured in the merge, if they were not fitted.
fn disagreement(pictures: &Measurement) -> Option<Finding> {
    crate::doubt(&pictures.merge.as_ref()?.patches)
}

/// Gives the wedge as many steps as another bracket of the run counted, where those are more.
fn share_wedge(pictures: &mut Measurement, seen: usize) -> Option<Finding> {
    let steps = pictures.steps().filter(|&steps| steps < seen)?;
    for picture in pictures.iter_mut() {
        if let Some(levels) = &mut picture.levels {
            (levels.steps, levels.chart_limited) = (seen, false);
        }
        let limited = |f: &Finding| matches!(f, Finding::ChartLimited { .. });
        picture.findings.retain(|f| !limited(f));
    }
    Some(Finding::WedgeSeenFurther { steps, seen })
}

/// Finding for a darkest step so deep in the merge's noise that a further one may not have been found.
fn may_go_on(pictures: &Measurement) -> Option<Finding> {
    let patches = &pictures.merge.as_ref()?.patches;
    let darkest = patches.last().filter(|p| p.snr < SEEN)?;
    Some(Finding::WedgeMayGoOn {
        step: darkest.step,
        snr: darkest.snr,
    })
}

/// Adds a finding for steps that the merge resolves and the rendering does not, by code or by visible lightness.
fn lost_in_rendering(pictures: &mut Measurement) {
    let (Some(merge), Some(rendered)) = (&pictures.merge, &mut pictures.rendered) else {
        return;
    };
    let apart = merge.pairs.iter().filter(|pair| pair.by_noise);
    let wanted: Vec<usize> = apart.map(|pair| pair.step).collect();
    let pairs = || rendered.pairs.iter().filter(|p| wanted.contains(&p.step));
    let below_code: Vec<usize> = pairs()
        .filter(|p| p.code_difference.is_some_and(|d| d < 1.0))
        .map(|p| p.step)
        .collect();
    let below_lightness: Vec<usize> = pairs()
        .filter(|p| p.lightness_difference < 1.0)
        .map(|p| p.step)
        .collect();
    if !below_code.is_empty() || !below_lightness.is_empty() {
        rendered.findings.push(Finding::StepsJoinedInRendering {
            picture: rendered.file.clone(),
            told_apart: wanted.len(),
            below_code,
            below_lightness,
        });
    }
}

/// The frames of a bracket, cropped to the wedge.
pub(crate) fn frames(recovered: &Recovered, place: &WedgePlace) -> Vec<Subject> {
    let bracket = &recovered.bracket;
    let all = sources(recovered);
    let cut = |(index, frame): (usize, &Frame)| {
        let at = Homography::of_transform(frame.transform);
        let (rows, columns, _) = frame.picture.pixels.dim();
        let region = Subject::region_for(&place.corners, &at, rows, columns)?;
        let factor = bracket.relative_exposure(index);
        let mut subject = Subject::of_frame(frame, &recovered.response, factor, None, region);
        subject.sources = vec![all[index].clone()];
        Some(subject.placed(at))
    };
    bracket.frames.iter().enumerate().filter_map(cut).collect()
}

/// Every picture cropped to the wedge, in the report's order: frames, the camera's HDR picture, the merge, the rendering.
fn subjects(
    merged: &Merged,
    rendered: &Pixels,
    camera_at: Option<Transform>,
    place: &WedgePlace,
) -> Vec<Subject> {
    let Merged {
        frames: recovered,
        map,
    } = merged;
    let bracket = &recovered.bracket;
    let mut out = frames(recovered, place);
    if let Some((finished, at)) = bracket.camera_hdr.as_ref().zip(camera_at) {
        out.extend(camera_hdr(finished, at, place));
    }
    let (rows, columns, _) = map.radiance.dim();
    if let Some(region) =
        Subject::region_for(&place.corners, &Homography::identity(), rows, columns)
    {
        out.push(Subject::of_map(map, sources(recovered), region));
        out.push(Subject::of_finished(
            PictureKind::Rendered,
            RENDERED_FILE,
            rendered,
            None,
            region,
        ));
    }
    out
}

fn camera_hdr(
    finished: &CameraPicture,
    transform: Transform,
    place: &WedgePlace,
) -> Option<Subject> {
    let at = Homography::of_transform(Some(transform));
    let pixels = &finished.picture.pixels;
    let (rows, columns, _) = pixels.dim();
    let region = Subject::region_for(&place.corners, &at, rows, columns)?;
    let kind = PictureKind::CameraHdr;
    let subject = Subject::of_finished(kind, &finished.name(), pixels, None, region);
    Some(subject.compressed(finished.picture.compression).placed(at))
}

/// Why the noise of a bracket carries no range; `None` where it does.
fn no_range(recovered: &Recovered, model: &NoiseModel) -> Option<Finding> {
    let refused = |reason: &str| {
        Some(Finding::FigureRefused {
            figure: "dynamic range".into(),
            reason: reason.into(),
        })
    };
    if recovered.noise.source == NoiseSource::Assumed {
        return refused(
            "the frames have too few even places, neither black nor clipped, to measure their noise on",
        );
    }
    if model.is_rounding_alone() {
        return refused("the frames show no noise but the rounding of their codes");
    }
    None
}

/// Usable range of every frame and of the merge from the bracket's own noise model, where it has been measured; no steps are
/// counted.
fn without_wedge(recovered: &Recovered) -> (Measurement, Option<Finding>) {
    let model = recovered.noise.channels[main_channel(recovered.noise.channels.len())];
    let refused = no_range(recovered, &model);
    let snrs = MeasureSettings::default().range.snrs;
    let sources = sources(recovered);
    let picture = |kind, file: String, sources: &[Source]| {
        let mut entry = PictureMeasurement::unmeasured(kind, file);
        if refused.is_none() {
            entry.usable_stops = range::without_wedge(sources, &model, &snrs);
            entry.noise = Some(model);
        }
        entry
    };
    let frames = recovered.bracket.frames.iter().zip(&sources);
    let frame = |(frame, source): (&Frame, _)| {
        picture(
            PictureKind::Frame,
            frame.name(),
            std::slice::from_ref(source),
        )
    };
    let measured = Measurement {
        frames: frames.map(frame).collect(),
        merge: Some(picture(PictureKind::Merge, "merge".into(), &sources)),
        ..Measurement::default()
    };
    (measured, refused)
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::results::LevelCounts;

    /// A wedge of which this camera sees 13 steps and another one 21: the count stays, the wedge has 21, and neither the count nor
    /// its finding claims any longer that the wedge ended first. With no more steps elsewhere nothing changes.
    #[test]
    fn a_wedge_has_as_many_steps_as_the_best_camera_sees() {
        let mut entry = PictureMeasurement::unmeasured(PictureKind::Frame, "a.jpg".into());
        let file = entry.file.clone();
        entry.levels = Some(LevelCounts {
            noise: 13,
            block: None,
            code: Some(13),
            visual: 13,
            patch_mean: 13,
            longest_run: 13,
            reversals: 0,
            steps: 13,
            chart_limited: true,
        });
        entry.findings = vec![Finding::ChartLimited { picture: file }];
        let mut seen: Measurement = [entry].into_iter().collect();
        let before = seen.clone();
        for no_more in [11, 13] {
            assert_eq!(share_wedge(&mut seen, no_more), None);
            assert_eq!(seen, before);
        }
        let said = share_wedge(&mut seen, 21);
        let further = Finding::WedgeSeenFurther {
            steps: 13,
            seen: 21,
        };
        assert_eq!(said, Some(further));
        let levels = seen.frames[0].levels.unwrap();
        assert_eq!((levels.noise, levels.steps), (13, 21));
        assert!(!levels.chart_limited && seen.frames[0].findings.is_empty());
    }
}
