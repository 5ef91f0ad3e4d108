//! The files a run leaves: map, picture, report; each written whole or not at all.
use crate::error::{Error, OutputProblem};
use crate::formats::jpeg::{self, Subsampling};
use crate::formats::openexr::Attributes;
use crate::formats::staged::{Outputs, write_whole};
use crate::formats::{png, rgbe, srgb_profile};
use crate::frames::Bracket;
use crate::measure::WedgePlace;
use crate::measure::wedge::KeptWedge;
use crate::merge::{RadianceMap, store};
use crate::report::{Figures, OutputFile, Report, csv, html, json};
use ndarray::Array3;
use std::ops::Range;
use std::path::Path;

/// Name and version, as written into files.
const SOFTWARE: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));
/// sRGB primaries and white (IEC 61966-2-1): CIE 1931 x, y of red, green, blue, white.
const SRGB: [f32; 8] = [0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290];
/// File name of the wedge kept for other runs.
const WEDGE: &str = "wedge.json";
const REPORTS: [&str; 4] = ["report.json", "report.html", "levels.csv", "comparison.csv"];

/// Makes the folder, and refuses early if a report is there that may not be replaced.
pub(super) fn check_folder(folder: &Path, policy: &Outputs) -> Result<(), Error> {
    make_folder(folder)?;
    REPORTS
        .iter()
        .try_for_each(|name| policy.check(&folder.join(name)))
}

pub(super) fn make_folder(folder: &Path) -> Result<(), Error> {
    std::fs::create_dir_all(folder)
        .map_err(|e| Error::output(folder, OutputProblem::Unwritable, Some(e)))
}

pub(super) fn write_report(
    report: &Report,
    figures: &Figures,
    folder: &Path,
    policy: &Outputs,
) -> Result<(), Error> {
    let texts = [
        json::text(report)?,
        html::page(report, figures),
        csv::levels(report)?,
        csv::comparison(report)?,
    ];
    for (name, text) in REPORTS.iter().zip(texts) {
        write_whole(&folder.join(name), policy, |sink| {
            sink.write_all(text.as_bytes())
        })?;
    }
    Ok(())
}

/// Map as EXR and RGBE, rendering as JPEG and 16-bit PNG.
pub(super) fn write_bracket(
    folder: &Path,
    policy: &Outputs,
    bracket: &Bracket,
    map: &RadianceMap,
    (rendered, picture): (&Array3<u16>, &Array3<u8>),
    wedge: Option<&WedgePlace>,
) -> Result<Vec<OutputFile>, Error> {
    make_folder(folder)?;
    let name = bracket.name.as_str();
    let mut outputs = Vec::new();
    let mut wrote = |what: &str, file: &str| {
        let bytes = std::fs::metadata(folder.join(file)).map(|m| m.len()).ok();
        outputs.push(OutputFile {
            what: what.into(),
            path: format!("{name}/{file}"),
            bytes,
        });
    };
    write_map(
        &folder.join("radiance.exr"),
        policy,
        bracket,
        map.radiance.dim(),
        |rows| slice(map, rows),
    )?;
    wrote(
        "radiance map with uncertainty and flags, OpenEXR",
        "radiance.exr",
    );
    write_whole(&folder.join("radiance.hdr"), policy, |sink| {
        rgbe::write(sink, map.radiance.view(), SOFTWARE, Some(SRGB))
    })?;
    wrote("radiance map, Radiance RGBE", "radiance.hdr");
    write_whole(&folder.join(super::measuring::RENDERED), policy, |sink| {
        let bytes = jpeg::encode(
            picture.view(),
            92,
            Subsampling::Full,
            Some(&srgb_profile()),
            None,
        )?;
        sink.write_all(&bytes)
    })?;
    wrote("rendered picture, JPEG", super::measuring::RENDERED);
    write_whole(&folder.join("picture.png"), policy, |sink| {
        sink.write_all(&png::encode16(rendered.view(), Some(&srgb_profile()))?)
    })?;
    wrote("rendered picture, 16-bit PNG", "picture.png");
    if let Some(place) = wedge {
        let (rows, columns, _) = map.radiance.dim();
        write_whole(&folder.join(WEDGE), policy, |sink| {
            let text = KeptWedge::of(place, columns, rows).text();
            sink.write_all(text.map_err(std::io::Error::other)?.as_bytes())
        })?;
        wrote("where the wedge is, for --wedge-file", WEDGE);
    }
    Ok(outputs)
}

fn slice(map: &RadianceMap, rows: Range<usize>) -> RadianceMap {
    let cut = ndarray::s![rows.clone(), .., ..];
    RadianceMap {
        radiance: map.radiance.slice(cut).to_owned(),
        statistical: map.statistical.slice(cut).to_owned(),
        systematic: map.systematic.slice(cut).to_owned(),
        flags: map.flags.slice(ndarray::s![rows, ..]).to_owned(),
    }
}

/// The map as EXR (by ending `.exr`) or RGBE (`.hdr`), from rows made as they are asked for.
pub(super) fn write_map(
    path: &Path,
    policy: &Outputs,
    bracket: &Bracket,
    shape: (usize, usize, usize),
    rows: impl Fn(Range<usize>) -> RadianceMap + Sync,
) -> Result<(), Error> {
    let ending = path
        .extension()
        .map(|e| e.to_string_lossy().to_ascii_lowercase());
    match ending.as_deref() {
        Some("exr") => store::write_exr(path, policy, &attributes(bracket), shape, rows),
        Some("hdr") => {
            let map = rows(0..shape.0);
            write_whole(path, policy, |sink| {
                rgbe::write(sink, map.radiance.view(), SOFTWARE, Some(SRGB))
            })
        }
        _ => Err(Error::output(path, OutputProblem::UnknownKind, None)),
    }
}

/// Standard attributes of the reference frame. No whiteLuminance: radiance is relative.
fn attributes(bracket: &Bracket) -> Attributes {
    let frame = &bracket.frames[bracket.reference];
    let header = &frame.picture.header;
    Attributes {
        exposure_time: frame.settings.time.map(|t| t.0 as f32),
        aperture: frame.settings.aperture.map(|n| n.0 as f32),
        iso_speed: frame.settings.speed.map(|s| s.0 as f32),
        capture_date: header.captured.clone(),
        owner: header.copyright.clone(),
        comments: Some(
            "relative radiance; 1.0 just clips the reference frame's green channel".into(),
        ),
        software: Some(SOFTWARE.into()),
        chromaticities: Some(SRGB),
        ..Attributes::default()
    }
}
