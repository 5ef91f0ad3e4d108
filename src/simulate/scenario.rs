//! A scenario: scene, camera, exposures and files of one simulated bracket, as plain data in JSON.
use super::scene::{Canvas, Disc, Pose, ScenePlan};
use super::sensor::Sensor;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::units::{ExposureSettings, ExposureTime, FNumber, IsoSpeed};

/// One simulated bracket, complete. Equal scenarios give equal frames.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Scenario {
    /// Name; files are called `<name>_<frame>.<extension>`. Letters, digits, `-` and `_`.
    pub name: String,
    /// Seed of all noise.
    pub seed: u64,
    /// Columns and rows, 16..=20000 each.
    pub size: (usize, usize),
    /// The scene.
    pub scene: ScenePlan,
    /// Settings of the nominal frame, and the camera's metadata.
    #[serde(default)]
    pub camera: Camera,
    /// Optics, sensor and processing.
    #[serde(default)]
    pub sensor: Sensor,
    /// The bracket, 1..=64 frames.
    pub frames: Vec<FramePlan>,
    /// True to make the camera's own HDR picture from the frames.
    #[serde(default)]
    pub camera_hdr: bool,
    /// File format.
    #[serde(default)]
    pub files: FileKind,
    /// True to write the scene's radiance as `truth.exr`.
    #[serde(default)]
    pub truth_map: bool,
    /// True to write every shot also as an uncompressed DNG of the same name, as cameras do that save raw and JPEG.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub raw_beside: bool,
}

/// Settings of a frame of EV 0, and the camera's metadata.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Camera {
    /// Maker in the metadata.
    pub maker: String,
    /// Model in the metadata.
    pub model: String,
    /// Exposure time, seconds.
    pub time: f64,
    /// F-number.
    pub aperture: f64,
    /// ISO speed at which the full well spans the converter's range.
    pub speed: f64,
    /// Moment of the first frame, "YYYY:MM:DD HH:MM:SS".
    pub captured: String,
}

impl Default for Camera {
    fn default() -> Self {
        Camera {
            maker: "Simulated".into(),
            model: "Simulated Camera S1".into(),
            time: 0.02,
            aperture: 4.0,
            speed: 100.0,
            captured: "2026:05:04 10:30:00".into(),
        }
    }
}

/// One frame of the bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FramePlan {
    /// Name, part of the file name.
    pub name: String,
    /// Stated exposure relative to the nominal frame, stops, -20..=20; positive is more light.
    pub ev: f64,
    /// ISO speed, if other than the camera's; the stated time compensates for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub speed: Option<f64>,
    /// F-number, if other than the camera's; the stated time compensates for it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub aperture: Option<f64>,
    /// Real minus stated exposure, stops; not in the metadata.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub exposure_error: f64,
    /// Camera position.
    #[serde(default, skip_serializing_if = "is_default")]
    pub pose: Pose,
    /// Position of a moving disc in this frame.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub disc: Option<Disc>,
}

fn is_zero(value: &f64) -> bool {
    *value == 0.0
}

fn is_default(pose: &Pose) -> bool {
    *pose == Pose::default()
}

/// File format of the frames.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum FileKind {
    /// JPEG; the sensor's samples must have 8 bits.
    Jpeg {
        /// Quality, 1..=100.
        quality: u8,
        /// True for chroma at half size in both directions (4:2:0), false for full size (4:4:4).
        half_chroma: bool,
    },
    /// PNG of 8 or 16 bits.
    Png,
    /// TIFF of 8 or 16 bits, uncompressed.
    Tiff,
    /// DNG: the converter's codes behind a mosaic of filters, before any processing. The sensor's response, output bits,
    /// noise reduction and sharpening do not apply.
    Dng {
        /// True for Deflate compression, false for none.
        deflate: bool,
        /// True for a camera without filters; every pixel has the sensitivity of green.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        mono: bool,
    },
}

impl Default for FileKind {
    fn default() -> Self {
        FileKind::Jpeg {
            quality: 95,
            half_chroma: true,
        }
    }
}

impl FileKind {
    /// File name extension.
    pub fn ending(&self) -> &'static str {
        match self {
            FileKind::Jpeg { .. } => "jpg",
            FileKind::Png => "png",
            FileKind::Tiff => "tif",
            FileKind::Dng { .. } => "dng",
        }
    }
}

/// Source of a scenario.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScenarioSource {
    /// One of [`names`].
    Named(String),
    /// A JSON file.
    File(PathBuf),
}

/// The built-in scenarios: name and JSON.
const BUILT_IN: [(&str, &str); 4] = [
    ("bench", include_str!("scenarios/bench.json")),
    ("valley", include_str!("scenarios/valley.json")),
    (
        "bench-handheld",
        include_str!("scenarios/bench-handheld.json"),
    ),
    ("chart", include_str!("scenarios/chart.json")),
];

/// Names of the built-in scenarios.
pub fn names() -> impl Iterator<Item = &'static str> {
    BUILT_IN.iter().map(|(name, _)| *name)
}

impl ScenarioSource {
    /// Reads and checks the scenario.
    ///
    /// # Errors
    /// [`Error::Input`] if the file cannot be read; [`Error::Scenario`] if the name is unknown, the JSON is not a scenario,
    /// or a number is out of range.
    pub fn load(&self) -> Result<Scenario, Error> {
        match self {
            ScenarioSource::Named(name) => {
                let known = BUILT_IN.iter().find(|(n, _)| n == name);
                let (_, text) = known.ok_or_else(|| {
                    let list: Vec<&str> = names().collect();
                    let problem =
                        format!("no scenario of this name; there are {}", list.join(", "));
                    Error::scenario(name, problem)
                })?;
                parse(text, Path::new(name))
            }
            ScenarioSource::File(file) => {
                let text = std::fs::read_to_string(file)
                    .map_err(|e| Error::input_because(file, InputProblem::Unreadable, e))?;
                parse(&text, file)
            }
        }
    }
}

fn parse(text: &str, origin: &Path) -> Result<Scenario, Error> {
    let scenario: Scenario = serde_json::from_str(text).map_err(|e| {
        Error::scenario(
            origin.display().to_string(),
            format!("is not a scenario: {e}"),
        )
    })?;
    scenario.check()?;
    Ok(scenario)
}

impl Scenario {
    /// Checks names and numbers.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a value out of range, with the name of the field.
    pub fn check(&self) -> Result<(), Error> {
        let refuse = |field: &str, problem: &str| Err(Error::scenario(field, problem));
        let plain = |name: &str| {
            !name.is_empty()
                && name
                    .chars()
                    .all(|c| c.is_ascii_alphanumeric() || c == '-' || c == '_')
        };
        if !plain(&self.name) || !self.frames.iter().all(|f| plain(&f.name)) {
            return refuse("name", "names may hold letters, digits, - and _ only");
        }
        let side = 16..=20_000;
        if !side.contains(&self.size.0) || !side.contains(&self.size.1) {
            return refuse("size", "columns and rows must lie within 16..=20000");
        }
        if !(1..=64).contains(&self.frames.len()) {
            return refuse("frames", "between 1 and 64 frames are needed");
        }
        let mut seen = std::collections::BTreeSet::new();
        if !self
            .frames
            .iter()
            .all(|f| f.name != "hdr" && seen.insert(&f.name))
        {
            return refuse(
                "frames.name",
                "names must differ, and hdr is the camera's own picture",
            );
        }
        if let FileKind::Jpeg { quality, .. } = self.files
            && (self.sensor.output_bits != 8 || !(1..=100).contains(&quality))
        {
            return refuse(
                "files",
                "JPEG needs 8-bit samples and a quality within 1..=100",
            );
        }
        if matches!(self.files, FileKind::Dng { .. }) && self.camera_hdr {
            return refuse(
                "camera_hdr",
                "raw frames have no HDR picture of the camera's own",
            );
        }
        if self.raw_beside && matches!(self.files, FileKind::Dng { .. }) {
            return refuse("raw_beside", "the frames are raw already");
        }
        self.check_settings()?;
        self.scene.check()?;
        self.sensor.check()
    }

    fn check_settings(&self) -> Result<(), Error> {
        let within = |value: f64, low: f64, high: f64, field: &str| {
            if (low..=high).contains(&value) {
                Ok(())
            } else {
                Err(Error::scenario(
                    field,
                    format!("{value} is not within {low}..={high}"),
                ))
            }
        };
        within(self.camera.time, 1e-6, 1e4, "camera.time")?;
        within(self.camera.aperture, 0.5, 128.0, "camera.aperture")?;
        within(self.camera.speed, 1.0, 1e6, "camera.speed")?;
        for frame in &self.frames {
            within(frame.ev, -20.0, 20.0, "frames.ev")?;
            within(frame.exposure_error, -5.0, 5.0, "frames.exposure_error")?;
            within(frame.speed.unwrap_or(100.0), 1.0, 1e6, "frames.speed")?;
            within(frame.aperture.unwrap_or(4.0), 0.5, 128.0, "frames.aperture")?;
            within(frame.pose.turn, -45.0, 45.0, "frames.pose.turn")?;
            within(frame.pose.shift.0, -1e4, 1e4, "frames.pose.shift")?;
            within(frame.pose.shift.1, -1e4, 1e4, "frames.pose.shift")?;
            for light in frame.disc.iter().flat_map(|d| d.radiance) {
                within(light, 0.0, 1e6, "frames.disc.radiance")?;
            }
        }
        Ok(())
    }

    /// Index of the frame of EV nearest 0, which gives the truth its geometry and moment.
    pub fn reference(&self) -> usize {
        let nearest = |i: &usize, j: &usize| {
            self.frames[*i]
                .ev
                .abs()
                .total_cmp(&self.frames[*j].ev.abs())
        };
        (0..self.frames.len()).min_by(nearest).unwrap_or(0)
    }

    /// Settings in the metadata of frame `index`: the time follows from EV, speed and aperture.
    pub fn settings(&self, index: usize) -> ExposureSettings {
        let frame = &self.frames[index];
        let speed = frame.speed.unwrap_or(self.camera.speed);
        let aperture = frame.aperture.unwrap_or(self.camera.aperture);
        let time = self.camera.time * libm::exp2(frame.ev) * self.camera.speed / speed
            * (aperture / self.camera.aperture).powi(2);
        ExposureSettings {
            time: Some(ExposureTime(time)),
            aperture: Some(FNumber(aperture)),
            speed: Some(IsoSpeed(speed)),
        }
    }

    /// Real exposure of frame `index` relative to the nominal frame, a factor of light.
    pub fn relative_exposure(&self, index: usize) -> f64 {
        let frame = &self.frames[index];
        libm::exp2(frame.ev + frame.exposure_error)
    }

    /// The sensor at the ISO speed of frame `index`.
    pub fn sensor_of(&self, index: usize) -> Sensor {
        let speed = self.frames[index].speed.unwrap_or(self.camera.speed);
        self.sensor.at_gain(speed / self.camera.speed)
    }

    /// Seed of the noise of frame `index`.
    pub fn seed_of(&self, index: usize) -> u64 {
        self.seed.wrapping_mul(1000).wrapping_add(index as u64)
    }

    /// The canvas of frame `index`.
    pub fn canvas(&self, index: usize) -> Canvas {
        let frame = &self.frames[index];
        Canvas {
            pose: frame.pose,
            disc: frame.disc,
            ..Canvas::whole(self.size.1, self.size.0)
        }
    }

    /// File name of the frame called `frame`.
    pub fn file_name(&self, frame: &str) -> String {
        format!("{}_{frame}.{}", self.name, self.files.ending())
    }

    /// File name of the raw file of the frame called `frame`, if one is written as well as the picture.
    pub fn raw_name(&self, frame: &str) -> Option<String> {
        self.raw_beside
            .then(|| format!("{}_{frame}.dng", self.name))
    }
}
