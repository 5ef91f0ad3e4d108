//! What the user states about the frames: exposures, the reference, which picture is the camera's own HDR picture.
use super::exposure::{APERTURE_BELIEVED, SPEED_BELIEVED, TIME_BELIEVED};
use serde::Serialize;
use std::path::{Path, PathBuf};
use stopspan_core::model::Limits;
use stopspan_core::model::{file_name, path_text};
use stopspan_core::units::{ExposureTime, FNumber, IsoSpeed, Stops};
use stopspan_core::{Error, Setting};

/// Statements of the user; none by default.
#[derive(Debug, Clone, Default, Serialize)]
pub struct Overrides {
    /// Exposures stated or corrected. The last one that matches a file applies.
    pub exposures: Vec<ExposureOverride>,
    /// Reference frame of the bracket that contains it.
    #[serde(serialize_with = "path_text::one")]
    pub reference: Option<PathBuf>,
    /// The finished HDR pictures. `None`: recognised by evidence. `Some`: exactly these.
    #[serde(serialize_with = "path_text::many_if")]
    pub camera_hdr: Option<Vec<PathBuf>>,
    /// Pictures that are not finished HDR pictures, whatever the evidence.
    #[serde(serialize_with = "path_text::many")]
    pub not_hdr: Vec<PathBuf>,
    /// All inputs are one bracket, whatever their capture times.
    pub one_bracket: bool,
    /// Pictures that are a bracket each, whatever their capture times and those of the others; one picture alone is in none.
    #[serde(
        serialize_with = "path_text::lists",
        skip_serializing_if = "Vec::is_empty"
    )]
    pub groups: Vec<Vec<PathBuf>>,
    /// Dark frames, to be subtracted from frames of the same exposure time (a single one from all).
    #[serde(serialize_with = "path_text::many")]
    pub dark_frames: Vec<PathBuf>,
    /// Column and row of a neutral surface in the upright reference frame, pixels, for the white balance of raw
    /// frames.
    pub neutral: Option<(f64, f64)>,
    /// A bracket of which a frame cannot be decoded is refused, instead of being made of the others.
    pub every_frame: bool,
    /// Limits on what a file may claim.
    pub limits: Limits,
}

/// The exposure of one file, or of all files that match a pattern, as the user states it. Taken literally.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExposureOverride {
    /// A file name, a path, or a pattern of file names with `*` and `?`.
    pub file: String,
    /// Exposure time.
    pub time: Option<ExposureTime>,
    /// F-number.
    pub aperture: Option<FNumber>,
    /// ISO speed.
    pub speed: Option<IsoSpeed>,
    /// Instead of the three: stops of light on a scale of the user's own, for all frames of a bracket.
    pub stops: Option<Stops>,
}

impl ExposureOverride {
    /// Reads `FILE=SECONDS[,fN][,isoS]`, `FILE=1/60`, or `FILE=+1ev` (stops of light, for all frames of a bracket).
    /// `Error::Request` says what is wrong with anything else.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let wrong = |problem: &str| Error::request_of(Setting::Exposure, text, problem);
        let (file, values) = text
            .rsplit_once('=')
            .ok_or_else(|| wrong("has no '='; write FILE=SECONDS[,fN][,isoS] or FILE=+1ev"))?;
        if file.trim().is_empty() {
            return Err(wrong("names no file before the '='"));
        }
        let mut said = ExposureOverride {
            file: file.trim().to_owned(),
            time: None,
            aperture: None,
            speed: None,
            stops: None,
        };
        for part in values.split(',') {
            said.add(part.trim()).map_err(|p| wrong(&p))?;
        }
        if said.stops.is_some()
            && (said.time.is_some() || said.aperture.is_some() || said.speed.is_some())
        {
            return Err(wrong("gives stops and camera settings at once"));
        }
        Ok(said)
    }

    /// Adds one part: a time, `fN`, `isoS` or stops with `ev`.
    fn add(&mut self, part: &str) -> Result<(), String> {
        let lower = part.to_ascii_lowercase();
        if let Some(stops) = lower.strip_suffix("ev") {
            let value = within(stops, (-60.0, 60.0), "stops")?;
            return once(&mut self.stops, Stops(value), "stops");
        }
        if let Some(speed) = lower.strip_prefix("iso") {
            let value = within(speed, SPEED_BELIEVED, "an ISO speed")?;
            return once(&mut self.speed, IsoSpeed(value), "an ISO speed");
        }
        if let Some(aperture) = lower.strip_prefix('f') {
            let value = within(
                aperture.trim_start_matches('/'),
                APERTURE_BELIEVED,
                "an f-number",
            )?;
            return once(&mut self.aperture, FNumber(value), "an f-number");
        }
        let seconds = lower.strip_suffix('s').unwrap_or(&lower);
        let value = within(seconds, TIME_BELIEVED, "an exposure time in seconds")?;
        once(&mut self.time, ExposureTime(value), "an exposure time")
    }

    /// True if this applies to `path`: the same path, the same file name, or a pattern that matches the file name.
    pub fn concerns(&self, path: &Path) -> bool {
        same_file(Path::new(&self.file), path) || matches(&self.file, &file_name(path))
    }
}

impl Overrides {
    /// Files that are opened beside the inputs. Every field is named, so that a new one is not forgotten here.
    pub fn files(&self) -> impl Iterator<Item = &Path> {
        let Overrides {
            exposures: _,
            reference: _,
            camera_hdr: _, // among the inputs, as is `not_hdr`
            not_hdr: _,
            one_bracket: _,
            groups: _,
            every_frame: _,
            dark_frames,
            neutral: _,
            limits: _,
        } = self;
        dark_frames.iter().map(PathBuf::as_path)
    }

    /// The statement about the exposure of `path`; the last one applies.
    pub fn exposure_of(&self, path: &Path) -> Option<&ExposureOverride> {
        self.exposures.iter().rev().find(|e| e.concerns(path))
    }

    /// True if the user states that `path` is a finished HDR picture.
    pub(crate) fn says_hdr(&self, path: &Path) -> bool {
        self.camera_hdr
            .as_ref()
            .is_some_and(|files| files.iter().any(|f| same_file(f, path)))
    }

    /// True if `path` must not be recognised as a finished HDR picture.
    pub(crate) fn says_not_hdr(&self, path: &Path) -> bool {
        self.camera_hdr.is_some() || self.not_hdr.iter().any(|f| same_file(f, path))
    }

    /// Index of the group that the user states `path` to be in.
    pub(crate) fn group_of(&self, path: &Path) -> Option<usize> {
        let has = |group: &Vec<PathBuf>| group.iter().any(|f| same_file(f, path));
        self.groups.iter().position(has)
    }

    /// True if the user states that `path` is a dark frame, which is no frame of a bracket.
    pub(crate) fn says_dark(&self, path: &Path) -> bool {
        self.dark_frames.iter().any(|f| same_file(f, path))
    }

    /// True if the user states that `path` is the reference.
    pub(crate) fn says_reference(&self, path: &Path) -> bool {
        self.reference.as_ref().is_some_and(|f| same_file(f, path))
    }

    /// Checks that every statement is about an input file: `Error::Request` names the first that is not.
    pub(crate) fn check_used(&self, files: &[PathBuf]) -> Result<(), Error> {
        for said in &self.exposures {
            if !files.iter().any(|f| said.concerns(f)) {
                return Err(Error::request_of(
                    Setting::Exposure,
                    &said.file,
                    "matches none of the input pictures",
                ));
            }
        }
        let named = [
            (Setting::Reference, self.reference.as_slice()),
            (
                Setting::CameraHdr,
                self.camera_hdr.as_deref().unwrap_or_default(),
            ),
            (Setting::NotHdr, &self.not_hdr),
        ];
        let groups = self.groups.iter().map(|g| (Setting::Bracket, g.as_slice()));
        for (setting, paths) in named.into_iter().chain(groups) {
            if let Some(path) = paths
                .iter()
                .find(|p| !files.iter().any(|f| same_file(p, f)))
            {
                return Err(Error::request_of(
                    setting,
                    path.display(),
                    "is none of the input pictures",
                ));
            }
        }
        Ok(())
    }
}

/// True if a path as written by the user denotes `path`: literally, as a bare file name, or as another path to the
/// same file.
fn same_file(said: &Path, path: &Path) -> bool {
    if said == path
        || (said.components().count() == 1 && path.file_name() == Some(said.as_os_str()))
    {
        return true;
    }
    matches!((said.canonicalize(), path.canonicalize()), (Ok(a), Ok(b)) if a == b)
}

/// Parses a number or a fraction `a/b` within a range.
fn within(text: &str, range: (f64, f64), what: &str) -> Result<f64, String> {
    let number = |t: &str| t.trim().parse::<f64>().ok();
    let value = match text.split_once('/') {
        Some((n, d)) => number(n).zip(number(d)).map(|(n, d)| n / d),
        None => number(text),
    };
    match value {
        Some(value) if value >= range.0 && value <= range.1 => Ok(value),
        Some(_) => Err(format!(
            "{text}: not {what} between {} and {}",
            range.0, range.1
        )),
        None => Err(format!("\"{text}\" is not {what}")),
    }
}

fn once<T>(slot: &mut Option<T>, value: T, what: &str) -> Result<(), String> {
    if slot.replace(value).is_some() {
        return Err(format!("gives {what} twice"));
    }
    Ok(())
}

/// Glob match of a whole name: `*` any run of characters, `?` any one.
fn matches(pattern: &str, name: &str) -> bool {
    let (pattern, name): (Vec<char>, Vec<char>) =
        (pattern.chars().collect(), name.chars().collect());
    let (mut p, mut n) = (0, 0);
    let mut star: Option<(usize, usize)> = None;
    while n < name.len() {
        if pattern.get(p) == Some(&'*') {
            star = Some((p, n));
            p += 1;
        } else if p < pattern.len() && (pattern[p] == '?' || pattern[p] == name[n]) {
            p += 1;
            n += 1;
        } else if let Some((sp, sn)) = star {
            star = Some((sp, sn + 1));
            p = sp + 1;
            n = sn + 1;
        } else {
            return false;
        }
    }
    pattern[p..].iter().all(|c| *c == '*')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reads_all_forms() {
        let said = ExposureOverride::parse("a=b.jpg=1/60,f5.6,iso200").unwrap();
        assert_eq!(said.file, "a=b.jpg");
        assert_eq!(said.time, Some(ExposureTime(1.0 / 60.0)));
        assert_eq!(said.aperture, Some(FNumber(5.6)));
        assert_eq!(said.speed, Some(IsoSpeed(200.0)));
        let stops = ExposureOverride::parse("x.png=-1.5ev").unwrap();
        assert_eq!(stops.stops, Some(Stops(-1.5)));
        let seconds = ExposureOverride::parse("*.jpg=0.5s,f/8").unwrap();
        assert_eq!(seconds.time, Some(ExposureTime(0.5)));
        assert_eq!(seconds.aperture, Some(FNumber(8.0)));
    }

    #[test]
    fn refuses_bad_text() {
        let bad = [
            "",
            "x.jpg",
            "=1/60",
            "x.jpg=",
            "x.jpg=0",
            "x.jpg=-1",
            "x.jpg=1/0",
            "x.jpg=0/0",
            "x.jpg=nan",
            "x.jpg=inf",
            "x.jpg=1e9",
            "x.jpg=fast",
            "x.jpg=1,f0",
            "x.jpg=1,f",
            "x.jpg=1,iso0",
            "x.jpg=1,iso",
            "x.jpg=1,2",
            "x.jpg=1,",
            "x.jpg=+1ev,1/60",
            "x.jpg=ev",
            "x.jpg=99ev",
            "x.jpg=1/2/3",
            "x.jpg=f2,f4",
        ];
        for text in bad {
            let error = ExposureOverride::parse(text);
            assert!(
                matches!(error, Err(Error::Request { .. })),
                "{text}: {error:?}"
            );
        }
    }

    #[test]
    fn patterns_match_file_names() {
        for (pattern, name, is) in [
            ("a.jpg", "a.jpg", true),
            ("a.jpg", "b.jpg", false),
            ("*.jpg", "x.jpg", true),
            ("*_?.jpg", "img_3.jpg", true),
            ("*_?.jpg", "img_33.jpg", false),
            ("*", "", true),
            ("a*b*c", "axxbyyc", true),
            ("a*b*c", "axxbyy", false),
        ] {
            assert_eq!(matches(pattern, name), is, "{pattern} {name}");
        }
    }
}
