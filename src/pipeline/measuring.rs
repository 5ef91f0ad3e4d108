//! Pictures and wedge brought together: which crop of which picture, and where the wedge is.
use super::calibrating::{Known, ranges_under_glare};
use super::locating::Located;
use super::sources::{scene, settings_for, sources};
use super::{Measured, Prepared};
use stopspan_core::finding::Finding;
use stopspan_core::model::Homography;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::{Bracket, Finished, Frame};
use stopspan_core::raster::{Pixels, Transform};
use stopspan_core::results::{PictureKind, PictureMeasurement, WedgePlace};
use stopspan_measure as measure;
use stopspan_measure::{MeasureSettings, Source, Subject, range};

/// File name of the rendering, as the report gives it.
pub(super) const RENDERED: &str = "picture.jpg";
/// SNR per pixel below which a step may have darker neighbours that nobody saw: the lower end of what is seen at all by Rose
/// (1948). The finder sees somewhat deeper, since it looks at means.
const SEEN: f64 = 3.0;

/// Measures every picture of a bracket: on the wedge where there is one, from the noise model alone where not.
pub(super) fn measure(
    prepared: &Prepared,
    map: &RadianceMap,
    picture: &Pixels,
    (located, mut known): (Located, Known),
) -> Measured {
    let mut findings = located.findings;
    findings.append(&mut known.findings);
    let camera_at = place_camera(&prepared.bracket, &mut findings);
    let mut pictures = match &located.place {
        Some(place) => {
            let subjects = subjects(prepared, map, picture, (place, camera_at));
            let settings = MeasureSettings {
                light: known.light,
                ..settings_for(prepared)
            };
            measure::measure(&subjects, place, &settings)
        }
        None => without_wedge(prepared),
    };
    lost_in_rendering(&mut pictures);
    if located.counted {
        findings.extend(may_go_on(&pictures));
    }
    let gain = range::gains(&pictures, &sources(prepared), located.place.is_some());
    let (scene, doubts) = scene(prepared, map).unzip();
    findings.extend(doubts.into_iter().flatten());
    let mut measured = Measured {
        wedge: located.place,
        candidate: located.candidate,
        calibration: known.calibration,
        pictures,
        gain,
        scene,
        camera_at,
        findings,
    };
    match &mut measured.calibration {
        Some(calibration) => ranges_under_glare(calibration, prepared, &mut measured.pictures),
        None => measured.findings.extend(disagreement(&measured.pictures)),
    }
    measured
}

/// Where the camera's own HDR picture lies, if there is one; a finding says where it cannot be told.
fn place_camera(bracket: &Bracket, findings: &mut Vec<Finding>) -> Option<Transform> {
    let finished = bracket.camera_hdr.as_ref()?;
    let at = super::comparing::place(bracket, finished);
    if at.is_none() {
        findings.push(Finding::RegistrationFailed {
            frame: finished.name(),
            reason: "the camera's HDR picture could not be laid over the reference frame; it is not measured".into(),
        });
    }
    at
}

/// Stated against seen densities in the merge, where they were not fitted.
fn disagreement(pictures: &[PictureMeasurement]) -> Option<Finding> {
    let merge = pictures.iter().find(|p| p.kind == PictureKind::Merge)?;
    measure::doubt(&merge.patches)
}

/// Whether the darkest step lies so deep in the merge's noise that the next may not have been seen.
fn may_go_on(pictures: &[PictureMeasurement]) -> Option<Finding> {
    let merge = pictures.iter().find(|p| p.kind == PictureKind::Merge)?;
    let darkest = merge.patches.last().filter(|p| p.snr < SEEN)?;
    Some(Finding::WedgeMayGoOn {
        step: darkest.step,
        snr: darkest.snr,
    })
}

/// Which steps that the merge tells apart the rendering could not keep a code, or a step that is seen, apart.
fn lost_in_rendering(pictures: &mut [PictureMeasurement]) {
    let merge = pictures.iter().find(|p| p.kind == PictureKind::Merge);
    let wanted: Vec<usize> = merge.map_or(Vec::new(), |p| {
        let apart = p.pairs.iter().filter(|pair| pair.by_noise);
        apart.map(|pair| pair.step).collect()
    });
    for picture in pictures {
        if picture.kind != PictureKind::Rendered {
            continue;
        }
        let pairs = || picture.pairs.iter().filter(|p| wanted.contains(&p.step));
        let below_code: Vec<usize> = pairs()
            .filter(|p| p.code_difference.is_some_and(|d| d < 1.0))
            .map(|p| p.step)
            .collect();
        let below_lightness: Vec<usize> = pairs()
            .filter(|p| p.lightness_difference < 1.0)
            .map(|p| p.step)
            .collect();
        if !below_code.is_empty() || !below_lightness.is_empty() {
            picture.findings.push(Finding::StepsJoinedInRendering {
                picture: picture.file.clone(),
                told_apart: wanted.len(),
                below_code,
                below_lightness,
            });
        }
    }
}

/// The frames of a bracket cut to the wedge.
pub(super) fn frames(prepared: &Prepared, place: &WedgePlace) -> Vec<Subject> {
    let bracket = &prepared.bracket;
    let all = sources(prepared);
    let cut = |(index, frame): (usize, &Frame)| {
        let at = homography(frame.transform);
        let (rows, columns, _) = frame.picture.pixels.dim();
        let region = Subject::region_for(&place.corners, &at, rows, columns)?;
        let factor = bracket.relative_exposure(index);
        let mut subject = Subject::of_frame(frame, &prepared.response, factor, None, region);
        subject.sources = vec![all[index].clone()];
        Some(subject.placed(at))
    };
    bracket.frames.iter().enumerate().filter_map(cut).collect()
}

/// Every picture cut to the wedge, in the report's order: frames, the camera's HDR, the merge, the rendering.
fn subjects(
    prepared: &Prepared,
    map: &RadianceMap,
    rendered: &Pixels,
    (place, camera_at): (&WedgePlace, Option<Transform>),
) -> Vec<Subject> {
    let bracket = &prepared.bracket;
    let mut out = frames(prepared, place);
    if let Some((finished, at)) = bracket.camera_hdr.as_ref().zip(camera_at) {
        out.extend(camera_hdr(finished, at, place));
    }
    let (rows, columns, _) = map.radiance.dim();
    if let Some(region) =
        Subject::region_for(&place.corners, &Homography::identity(), rows, columns)
    {
        out.push(Subject::of_map(map, sources(prepared), region));
        out.push(Subject::of_finished(
            PictureKind::Rendered,
            RENDERED,
            rendered,
            None,
            region,
        ));
    }
    out
}

fn camera_hdr(finished: &Finished, transform: Transform, place: &WedgePlace) -> Option<Subject> {
    let at = homography(Some(transform));
    let pixels = &finished.picture.pixels;
    let (rows, columns, _) = pixels.dim();
    let region = Subject::region_for(&place.corners, &at, rows, columns)?;
    let kind = PictureKind::CameraHdr;
    let subject = Subject::of_finished(kind, &finished.name(), pixels, None, region);
    Some(subject.compressed(finished.picture.compression).placed(at))
}

pub(super) fn homography(transform: Option<Transform>) -> Homography {
    transform
        .and_then(|t| Homography::of_rows(t.0))
        .unwrap_or_else(Homography::identity)
}

/// Usable range of every frame and of the merge from the bracket's own noise model; no steps are counted.
fn without_wedge(prepared: &Prepared) -> Vec<PictureMeasurement> {
    let model = prepared.noise.channels[prepared.noise.channels.len() / 2];
    let snrs = MeasureSettings::default().range.snrs;
    let sources = sources(prepared);
    let picture = |kind, file: String, sources: &[Source]| {
        let mut entry = PictureMeasurement::unmeasured(kind, file);
        entry.usable_stops = range::without_wedge(sources, &model, &snrs);
        entry.noise = Some(model);
        entry
    };
    let mut out: Vec<PictureMeasurement> = prepared
        .bracket
        .frames
        .iter()
        .zip(&sources)
        .map(|(frame, source)| {
            picture(
                PictureKind::Frame,
                frame.name(),
                std::slice::from_ref(source),
            )
        })
        .collect();
    out.push(picture(PictureKind::Merge, "merge".into(), &sources));
    out
}
