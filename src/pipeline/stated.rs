//! Settings as text: every one that can change a figure, by the name of its option, for the report.
use super::Settings;
use std::collections::BTreeMap;
use std::path::PathBuf;
use stopspan_frames::{ExposureOverride, Overrides};
use stopspan_tone::OutputColour;

/// Settings as used, name of the option -> value as text. Where results go, and how many threads work, changes no
/// figure and is left out, so that the same job gives the same report in another folder.
pub(super) fn settings(settings: &Settings) -> BTreeMap<String, String> {
    let mut list = BTreeMap::new();
    let mut set = |name: &str, value: String| {
        list.insert(name.to_owned(), value);
    };
    set("response", settings.response.to_string());
    set("register", settings.register.to_string());
    if settings.motion.is_some() {
        set("motion", "true".into());
    }
    let tone = &settings.tone;
    let operator = format!("{:?}", tone.operator);
    set(
        "tone",
        if settings.fuse {
            "ExposureFusion".into()
        } else {
            operator
        },
    );
    for (name, value, usual) in [
        ("tone-exposure", tone.exposure_stops, 0.0),
        ("tone-highlights", tone.highlights_stops, 0.0),
        ("tone-shadows", tone.shadows_stops, 0.0),
        ("tone-local-contrast", tone.local_contrast_stops, 0.0),
        ("tone-saturation", tone.saturation, 1.0),
    ] {
        if value != usual {
            set(name, value.to_string());
        }
    }
    if tone.output != OutputColour::default() {
        set("output-colour", format!("{:?}", tone.output));
    }
    if let Some(edge) = settings.edge {
        let (right, bottom) = (edge.left + edge.width, edge.top + edge.height);
        set(
            "edge",
            format!("{},{},{right},{bottom}", edge.left, edge.top),
        );
    }
    for (name, value) in wedge(settings)
        .into_iter()
        .chain(frames(&settings.overrides))
    {
        set(name, value);
    }
    list
}

fn wedge(settings: &Settings) -> Vec<(&'static str, String)> {
    let wedge = &settings.wedge;
    let mut out = Vec::new();
    if let Some(corners) = &wedge.corners {
        let numbers = corners.iter().map(|p| format!("{},{}", p.x, p.y));
        out.push(("wedge-corners", numbers.collect::<Vec<_>>().join(",")));
    }
    if let Some((rows, columns)) = wedge.grid {
        out.push(("wedge-grid", format!("{rows}x{columns}")));
    }
    out.extend(wedge.densities.clone().map(|d| ("wedge-densities", d)));
    let uncertainty = wedge.density_uncertainty;
    out.extend(uncertainty.map(|u| ("wedge-density-uncertainty", u.to_string())));
    for (name, file) in [
        ("wedge-file", &wedge.file),
        ("flat-field", &wedge.flat_field),
    ] {
        out.extend(file.as_ref().map(|f| (name, f.display().to_string())));
    }
    for (name, on) in [
        ("wedge-dark-first", wedge.dark_first),
        ("wedge-boustrophedon", wedge.boustrophedon),
        ("no-wedge", wedge.none),
    ] {
        if on {
            out.push((name, "true".to_owned()));
        }
    }
    out
}

fn frames(said: &Overrides) -> Vec<(&'static str, String)> {
    let names = |files: &[PathBuf]| {
        let list: Vec<_> = files.iter().map(|f| f.display().to_string()).collect();
        list.join(", ")
    };
    let mut out = Vec::new();
    if !said.exposures.is_empty() {
        let list: Vec<_> = said.exposures.iter().map(exposure).collect();
        out.push(("exposure", list.join("; ")));
    }
    out.extend(
        said.reference
            .as_ref()
            .map(|r| ("reference", r.display().to_string())),
    );
    match &said.camera_hdr {
        None => {}
        Some(files) if files.is_empty() => out.push(("no-camera-hdr", "true".to_owned())),
        Some(files) => out.push(("camera-hdr", names(files))),
    }
    if !said.not_hdr.is_empty() {
        out.push(("frame", names(&said.not_hdr)));
    }
    if !said.dark_frames.is_empty() {
        out.push(("dark-frame", names(&said.dark_frames)));
    }
    out.extend(said.neutral.map(|(x, y)| ("neutral", format!("{x},{y}"))));
    if said.one_bracket {
        out.push(("one-bracket", "true".to_owned()));
    }
    if said.limits.accept_damaged {
        out.push(("accept-damaged", "true".to_owned()));
    }
    out.push(("max-pixels", said.limits.pixels.to_string()));
    out
}

fn exposure(said: &ExposureOverride) -> String {
    let parts = [
        said.time.map(|t| format!("{} s", t.0)),
        said.aperture.map(|n| format!("f{}", n.0)),
        said.speed.map(|s| format!("iso{}", s.0)),
        said.stops.map(|s| format!("{:+}ev", s.0)),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    format!("{}={}", said.file, parts.join(","))
}
