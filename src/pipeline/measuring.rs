//! Pictures and wedge brought together: which crop of which picture, and where the wedge is.
use super::{Measured, Prepared, Settings, WedgeRequest};
use crate::align;
use crate::error::Error;
use crate::finding::Finding;
use crate::frames::{Bracket, Finished, Frame};
use crate::measure::{
    self, Homography, MeasureSettings, PictureKind, PictureMeasurement, Source, Subject,
    WedgePlace, find, range, wedge,
};
use crate::merge::RadianceMap;
use crate::raster::{Pixels, Transform};
use ndarray::Array3;

/// File name of the rendering, as the report gives it.
pub(super) const RENDERED: &str = "picture.jpg";

/// Measures every picture of a bracket: on the wedge where there is one, from the noise model alone where not.
pub(super) fn measure(
    prepared: &Prepared,
    map: &RadianceMap,
    picture: &Array3<u8>,
    settings: &Settings,
) -> Result<Measured, Error> {
    let mut findings = Vec::new();
    let place = locate(map, settings, &mut findings)?;
    let rendered = Pixels::U8(picture.clone());
    let pictures = match &place {
        Some(place) => {
            let subjects = subjects(prepared, map, &rendered, place, &mut findings);
            measure::measure(&subjects, place, &MeasureSettings::default())
        }
        None => without_wedge(prepared),
    };
    Ok(Measured {
        wedge: place,
        pictures,
        findings,
    })
}

/// The wedge as the user gives it, or as it is found in the merge, where all steps show.
fn locate(
    map: &RadianceMap,
    settings: &Settings,
    findings: &mut Vec<Finding>,
) -> Result<Option<WedgePlace>, Error> {
    let request = &settings.wedge;
    let mut place = match (request.corners, request.grid) {
        (Some(corners), Some(grid)) => wedge::place(corners, grid, densities(request, grid)?)?,
        (Some(_), None) => {
            return Err(Error::request(
                "--wedge-corners",
                "needs --wedge-grid ROWSxCOLUMNS beside it",
            ));
        }
        (None, _) if request.none => return Ok(None),
        (None, grid) => match find_place(map, grid, findings) {
            Some(mut place) => {
                place.densities = densities(request, (place.rows, place.columns))?;
                place
            }
            None => return Ok(None),
        },
    };
    if request.corners.is_some() {
        place.dark_first |= request.dark_first;
        place.boustrophedon = request.boustrophedon;
    }
    let (rows, columns, _) = map.radiance.dim();
    wedge::check(&place, rows, columns)?;
    if place.densities.is_none() {
        findings.push(Finding::DensitiesFromMerge);
    }
    Ok(Some(place))
}

fn densities(
    request: &WedgeRequest,
    (rows, columns): (usize, usize),
) -> Result<Option<Vec<f64>>, Error> {
    let parse = |text: &String| wedge::parse_densities(text, rows * columns);
    request.densities.as_ref().map(parse).transpose()
}

fn find_place(
    map: &RadianceMap,
    grid: Option<(usize, usize)>,
    findings: &mut Vec<Finding>,
) -> Option<WedgePlace> {
    let channel = usize::from(map.radiance.dim().2 >= 3);
    let plane = map
        .radiance
        .index_axis(ndarray::Axis(2), channel)
        .to_owned();
    let found = find::find_wedge(&plane).filter(|p| grid.is_none_or(|g| g == (p.rows, p.columns)));
    match &found {
        Some(place) => findings.push(Finding::WedgeFound {
            confidence: place.confidence.unwrap_or(0.0),
            steps: place.rows * place.columns,
        }),
        None => findings.push(Finding::NoWedge {
            looked_for: grid.map_or_else(
                || "a row, a column or a grid of grey patches".to_string(),
                |(r, c)| format!("{r} x {c} grey patches"),
            ),
        }),
    }
    found
}

/// Every picture cut to the wedge, in the report's order: frames, the camera's HDR, the merge, the rendering.
fn subjects(
    prepared: &Prepared,
    map: &RadianceMap,
    rendered: &Pixels,
    place: &WedgePlace,
    findings: &mut Vec<Finding>,
) -> Vec<Subject> {
    let bracket = &prepared.bracket;
    let mut out = Vec::new();
    for (index, frame) in bracket.frames.iter().enumerate() {
        let at = homography(frame.transform);
        let (rows, columns, _) = frame.picture.pixels.dim();
        if let Some(region) = Subject::region_for(&place.corners, &at, rows, columns) {
            let factor = bracket.relative_exposure(index);
            out.push(Subject::of_frame(frame, &prepared.response, factor, None, region).placed(at));
        }
    }
    if let Some(finished) = &bracket.camera_hdr {
        out.extend(camera_hdr(bracket, finished, place, findings));
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

fn camera_hdr(
    bracket: &Bracket,
    finished: &Finished,
    place: &WedgePlace,
    findings: &mut Vec<Finding>,
) -> Option<Subject> {
    let name = finished.name();
    let Some(transform) = place_finished(bracket, finished) else {
        findings.push(Finding::RegistrationFailed {
            frame: name,
            reason: "the camera's HDR picture could not be laid over the reference frame; it is not measured".into(),
        });
        return None;
    };
    let at = homography(Some(transform));
    let (rows, columns, _) = finished.picture.pixels.dim();
    let region = Subject::region_for(&place.corners, &at, rows, columns)?;
    Some(
        Subject::of_finished(
            PictureKind::CameraHdr,
            &name,
            &finished.picture.pixels,
            None,
            region,
        )
        .placed(at),
    )
}

/// Where a reference pixel lies in the camera's own picture: registered like a frame.
fn place_finished(bracket: &Bracket, finished: &Finished) -> Option<Transform> {
    let reference = &bracket.frames[bracket.reference];
    let (rows, columns, channels) = reference.picture.pixels.dim();
    let (other_rows, other_columns, other_channels) = finished.picture.pixels.dim();
    if (rows, columns, channels) != (other_rows, other_columns, other_channels) {
        return None;
    }
    let frame = Frame {
        picture: finished.picture.clone(),
        transform: None,
        ..reference.clone()
    };
    let pair = Bracket {
        name: String::new(),
        frames: vec![reference.clone(), frame],
        reference: 0,
        camera_hdr: None,
        findings: Vec::new(),
    };
    let placement = align::register(&pair).placements.pop()?;
    placement.found.then_some(placement.transform)
}

fn homography(transform: Option<Transform>) -> Homography {
    transform
        .and_then(|t| Homography::of_rows(t.0))
        .unwrap_or_else(Homography::identity)
}

/// The measuring channel of every frame, as a source of range.
fn sources(prepared: &Prepared) -> Vec<Source> {
    let main = prepared.response.curves.len() / 2;
    (0..prepared.bracket.frames.len())
        .map(|j| Source {
            curve: prepared.response.curves[main].clone(),
            relative_exposure: prepared.bracket.relative_exposure(j),
        })
        .collect()
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
