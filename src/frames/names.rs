//! Names of brackets: the camera and its settings, usable as folder names, unique, and the same for the same files.
use super::sorting::{Candidate, Cluster};
use std::collections::BTreeMap;
use std::path::Path;
use stopspan_core::model::file_name;
use stopspan_core::units::ExposureSettings;

/// Longest name of a camera within a name, characters.
const CAMERA: usize = 40;

/// Names of the brackets: camera model and the settings of the nominal frame, "Camera_A1_1-50s_f4_ISO100"; without a camera in the
/// metadata the folder's name. Brackets that would share a name have that of their first file added, and a number if that is shared too.
pub(super) fn names(brackets: &[Cluster]) -> Vec<String> {
    let plain: Vec<String> = brackets.iter().map(plain).collect();
    let with_file: Vec<String> = unique(&plain, brackets);
    let mut seen: BTreeMap<String, usize> = BTreeMap::new();
    let mut out = Vec::new();
    for name in &with_file {
        // File systems may not tell capitals from small letters.
        let number = seen.entry(name.to_lowercase()).or_default();
        *number += 1;
        out.push(match *number {
            1 => name.clone(),
            n => format!("{name}-{n}"),
        });
    }
    out
}

/// The plain names, with the stem of the first file where several are alike.
fn unique(plain: &[String], brackets: &[Cluster]) -> Vec<String> {
    let alike = |name: &String| {
        let same = |other: &&String| other.to_lowercase() == name.to_lowercase();
        plain.iter().filter(same).count() > 1
    };
    let named = |(name, cluster): (&String, &Cluster)| {
        let first = cluster.frames.first().filter(|_| alike(name));
        let stem = first.and_then(|f| f.file.file_stem());
        match stem {
            Some(stem) => format!("{name}_{}", safe(&stem.to_string_lossy())),
            None => name.clone(),
        }
    };
    plain.iter().zip(brackets).map(named).collect()
}

/// Camera and settings; without a camera the folder.
fn plain(cluster: &Cluster) -> String {
    let Some(frame) = nominal(cluster) else {
        return folder_name(cluster);
    };
    let header = &frame.header;
    let model = header.model.as_deref().or(header.maker.as_deref());
    let camera: String = safe(model.unwrap_or_default().trim())
        .chars()
        .take(CAMERA)
        .collect();
    let camera = camera.trim_matches(['.', '_', '-']);
    if camera.is_empty() {
        return folder_name(cluster);
    }
    let parts = std::iter::once(camera.to_owned()).chain(settings(&frame.judged.settings));
    parts.collect::<Vec<_>>().join("_")
}

/// The frame of bias 0, else the one of the middle exposure.
fn nominal(cluster: &Cluster) -> Option<&Candidate> {
    let frames = &cluster.frames;
    let unbiased = |f: &&Candidate| f.judged.bias.is_some_and(|b| b.abs() < 0.05);
    if let [only] = frames.iter().filter(unbiased).collect::<Vec<_>>()[..] {
        return Some(only);
    }
    let mut known: Vec<&Candidate> = frames.iter().filter(|f| f.stops().is_some()).collect();
    known.sort_by(|a, b| {
        let stops = |c: &Candidate| c.stops().unwrap_or(0.0);
        stops(a).total_cmp(&stops(b))
    });
    let middle = known.len().saturating_sub(1) / 2;
    known.get(middle).copied().or(frames.first())
}

/// "1-50s", "f4", "ISO100", as far as they are known.
fn settings(settings: &ExposureSettings) -> impl Iterator<Item = String> {
    let time = settings.time.map(|t| match t.0 {
        t if t > 0.0 && t < 0.3 => format!("1-{}s", short(1.0 / t)),
        t => format!("{}s", short(t)),
    });
    let aperture = settings.aperture.map(|n| format!("f{}", short(n.0)));
    let speed = settings.speed.map(|s| format!("ISO{}", short(s.0)));
    [time, aperture, speed].into_iter().flatten()
}

/// At most three figures before and one after the decimal point where it matters.
fn short(number: f64) -> String {
    let digits = usize::from(number < 10.0);
    let text = format!("{number:.digits$}");
    match text.strip_suffix(".0") {
        Some(whole) => whole.to_owned(),
        None => text,
    }
}

/// Name of the folder of a cluster.
fn folder_name(cluster: &Cluster) -> String {
    let folder = cluster.frames.first().and_then(|f| f.file.parent());
    let folder = folder.map(|f| match f.as_os_str().is_empty() {
        true => Path::new("."),
        false => f,
    });
    let full = folder.and_then(|f| f.canonicalize().ok());
    let name = full.as_deref().filter(|f| f.file_name().is_some());
    let name = name.map_or_else(|| "bracket".to_owned(), file_name);
    safe(&name).trim_start_matches('.').to_owned()
}

/// Replaces characters that file systems or reports cannot handle by "_", several by one.
fn safe(name: &str) -> String {
    let mut out = String::new();
    for c in name.chars() {
        match c.is_alphanumeric() || "-.".contains(c) {
            true => out.push(c),
            false if out.ends_with('_') => {}
            false => out.push('_'),
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::units::{ExposureTime, FNumber, IsoSpeed};

    fn of(time: f64, aperture: f64, speed: f64) -> String {
        let known = ExposureSettings {
            time: Some(ExposureTime(time)),
            aperture: Some(FNumber(aperture)),
            speed: Some(IsoSpeed(speed)),
        };
        settings(&known).collect::<Vec<_>>().join("_")
    }

    #[test]
    fn settings_are_written_as_photographers_write_them_and_fit_a_folder_name() {
        assert_eq!(of(0.02, 4.0, 100.0), "1-50s_f4_ISO100");
        assert_eq!(of(0.5, 2.8, 3200.0), "0.5s_f2.8_ISO3200");
        assert_eq!(of(30.0, 11.0, 64.0), "30s_f11_ISO64");
        assert_eq!(of(1.0 / 8000.0, 1.78, 50.0), "1-8000s_f1.8_ISO50");
    }

    #[test]
    fn names_hold_nothing_that_a_file_system_refuses() {
        assert_eq!(safe("A/B: 7 \"x\"*"), "A_B_7_x_");
        assert_eq!(safe("..hidden"), "..hidden");
    }
}
