//! Writes a scenario: frames, the camera's own HDR picture, `scenario.json`, `truth.json`, the radiance map of the scene.
use super::capture::{Shot, capture_light, quantise, raw_codes};
use super::finish::{Blend, camera_hdr};
use super::raw_file::{self, RawKind};
use super::scenario::{FileKind, Scenario, ScenarioSource};
use super::scene::render;
use super::truth::Truth;
use super::{metadata, optics};
use exif::Field;
use ndarray::{Array3, s};
use std::io;
use std::ops::Range;
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::raster::Pixels;
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_formats::{jpeg, openexr};

/// Writes the files of a scenario into the folder `out`, which is created if needed. Returns the files written.
///
/// # Errors
/// Those of [`ScenarioSource::load`] and [`write_scenario`].
pub fn run(source: &ScenarioSource, out: &Path, policy: &Outputs) -> Result<Vec<PathBuf>, Error> {
    let (files, _) = write_scenario(&source.load()?, out, policy)?;
    Ok(files)
}

/// Writes the frames of `scenario` and its truth into the folder `out`. Returns the files and the truth.
///
/// # Errors
/// [`Error::Scenario`] for a number out of range; [`Error::Output`] if a file exists already or cannot be written.
pub fn write_scenario(
    scenario: &Scenario,
    out: &Path,
    policy: &Outputs,
) -> Result<(Vec<PathBuf>, Truth), Error> {
    scenario.check()?;
    std::fs::create_dir_all(out)
        .map_err(|e| Error::output(out, OutputProblem::Unwritable, Some(e)))?;
    let reference = scenario.reference();
    let radiance = render(&scenario.scene, &scenario.canvas(reference))?;
    let truth = Truth::of(scenario, &radiance);
    let mut writer = Writer {
        scenario,
        out,
        policy,
        files: Vec::new(),
    };
    writer.check_all(&truth)?;
    let mut levels = Vec::new();
    for (index, frame) in truth.frames.iter().enumerate() {
        let fields = metadata::of_frame(scenario, index);
        if let FileKind::Dng { deflate, mono } = scenario.files {
            let how = RawKind { deflate, mono };
            writer.raw(&frame.file, index, how, &radiance)?;
            continue;
        }
        if let Some(file) = &frame.raw {
            writer.raw(file, index, RawKind::default(), &radiance)?;
        }
        let pixels = frame_pixels(scenario, index, &radiance)?;
        writer.picture(&frame.file, &pixels, &fields)?;
        if scenario.camera_hdr {
            levels.push(levels_of(&pixels));
        }
    }
    if let Some(file) = &truth.camera_hdr
        && let Some(blended) = camera_hdr(&levels, &Blend::for_columns(scenario.size.0))
    {
        let pixels = quantise(&blended, scenario.sensor.output_bits);
        writer.camera_hdr(file, &pixels)?;
    }
    if let Some(file) = &truth.radiance {
        writer.radiance(file, &radiance)?;
    }
    writer.json("scenario.json", scenario)?;
    writer.json("truth.json", &truth)?;
    Ok((writer.files, truth))
}

/// The pixels of rows `part` of frame `index`, before compression; equal to those rows of the whole frame.
///
/// # Errors
/// [`Error::Scenario`] for a number out of range.
pub fn frame_rows(scenario: &Scenario, index: usize, part: Range<usize>) -> Result<Pixels, Error> {
    scenario.check()?;
    let sensor = scenario.sensor_of(index);
    let rows = scenario.size.1;
    if index >= scenario.frames.len() || part.start >= part.end || part.end > rows {
        return Err(Error::scenario(
            "part",
            format!("rows {part:?} of frame {index} do not exist"),
        ));
    }
    // Glare and fall-off depend on the whole picture; blur, smoothing and sharpening only on the neighbourhood.
    let whole = sensor.glare > 0.0 || sensor.vignetting > 0.0;
    let reach = 4.0 * (sensor.blur + sensor.noise_reduction + sensor.sharpening.radius);
    let margin = if whole {
        rows
    } else {
        reach.ceil() as usize + 3
    };
    let from = part.start.saturating_sub(margin)..(part.end + margin).min(rows);
    let mut canvas = scenario.canvas(index);
    canvas.part = from.clone();
    let light = render(&scenario.scene, &canvas)?;
    let light = optics::irradiance(&light, &sensor);
    let shot = Shot {
        relative_exposure: scenario.relative_exposure(index),
        seed: scenario.seed_of(index),
        first_row: from.start as u64,
    };
    let pixels = capture_light(&light, &shot, &sensor)?;
    let cut = part.start - from.start..part.end - from.start;
    Ok(match pixels {
        Pixels::U8(a) => Pixels::U8(a.slice(s![cut, .., ..]).to_owned()),
        Pixels::U16(a) => Pixels::U16(a.slice(s![cut, .., ..]).to_owned()),
        Pixels::F32(a) => Pixels::F32(a.slice(s![cut, .., ..]).to_owned()),
    })
}

/// The converter's codes of a whole frame, one per pixel behind its colour filter; arguments as in [`frame_pixels`].
fn frame_codes(
    scenario: &Scenario,
    index: usize,
    how: RawKind,
    radiance: &Array3<f32>,
) -> Result<Array3<u16>, Error> {
    let drawn = drawn_anew(scenario, index)?;
    let sensor = scenario.sensor_of(index);
    let light = optics::irradiance(drawn.as_ref().unwrap_or(radiance), &sensor);
    let shot = Shot {
        relative_exposure: scenario.relative_exposure(index),
        seed: scenario.seed_of(index),
        first_row: 0,
    };
    let codes = raw_codes(&light, &shot, &sensor)?;
    let (rows, columns, channels) = codes.dim();
    Ok(Array3::from_shape_fn((rows, columns, 1), |(r, c, _)| {
        codes[[r, c, how.colour(r, c).min(channels - 1)]]
    }))
}

/// The frame's radiance if its content differs from the reference frame.
fn drawn_anew(scenario: &Scenario, index: usize) -> Result<Option<Array3<f32>>, Error> {
    let canvas = scenario.canvas(index);
    let same = canvas == scenario.canvas(scenario.reference());
    (!same)
        .then(|| render(&scenario.scene, &canvas))
        .transpose()
}

/// The pixels of a whole frame. `radiance` is the reference frame's; it is redrawn only for frames with other content.
fn frame_pixels(
    scenario: &Scenario,
    index: usize,
    radiance: &Array3<f32>,
) -> Result<Pixels, Error> {
    let drawn = drawn_anew(scenario, index)?;
    let sensor = scenario.sensor_of(index);
    let exposure = scenario.relative_exposure(index);
    super::capture(
        drawn.as_ref().unwrap_or(radiance),
        exposure,
        &sensor,
        scenario.seed_of(index),
    )
}

fn levels_of(pixels: &Pixels) -> Array3<f32> {
    match pixels {
        Pixels::U8(a) => a.mapv(|v| f32::from(v) / 255.0),
        Pixels::U16(a) => a.mapv(|v| f32::from(v) / 65535.0),
        Pixels::F32(a) => a.clone(),
    }
}

struct Writer<'a> {
    scenario: &'a Scenario,
    out: &'a Path,
    policy: &'a Outputs,
    files: Vec<PathBuf>,
}

impl Writer<'_> {
    /// Checks that every file may be written, before the work starts.
    fn check_all(&self, truth: &Truth) -> Result<(), Error> {
        let pictures = truth.frames.iter().map(|f| f.file.as_str());
        let raw = truth.frames.iter().filter_map(|f| f.raw.as_deref());
        let others = truth
            .camera_hdr
            .iter()
            .chain(&truth.radiance)
            .map(String::as_str);
        pictures
            .chain(raw)
            .chain(others)
            .chain(["scenario.json", "truth.json"])
            .try_for_each(|name| self.policy.check(&self.out.join(name)))
    }

    fn write(&mut self, name: &str, bytes: io::Result<Vec<u8>>) -> Result<(), Error> {
        let path = self.out.join(name);
        let bytes = bytes.map_err(|e| Error::output(&path, OutputProblem::Unwritable, Some(e)))?;
        write_whole(&path, self.policy, |sink| sink.write_all(&bytes))?;
        self.files.push(path);
        Ok(())
    }

    fn picture(&mut self, name: &str, pixels: &Pixels, fields: &[Field]) -> Result<(), Error> {
        let bytes = encode(pixels, &self.scenario.files, fields);
        self.write(name, bytes)
    }

    /// Writes a frame as the converter's codes.
    fn raw(
        &mut self,
        name: &str,
        index: usize,
        how: RawKind,
        radiance: &Array3<f32>,
    ) -> Result<(), Error> {
        let codes = frame_codes(self.scenario, index, how, radiance)?;
        let sensor = self.scenario.sensor_of(index);
        let fields = metadata::of_frame(self.scenario, index);
        self.write(name, raw_file::dng(&codes, &sensor, how, &fields))
    }

    /// Writes the camera's own HDR picture; it is a JPEG of quality 90 where the frames are JPEG.
    fn camera_hdr(&mut self, name: &str, pixels: &Pixels) -> Result<(), Error> {
        let kind = match self.scenario.files {
            FileKind::Jpeg { half_chroma, .. } => FileKind::Jpeg {
                quality: 90,
                half_chroma,
            },
            other => other,
        };
        let bytes = encode(pixels, &kind, &metadata::of_camera_hdr(self.scenario));
        self.write(name, bytes)
    }

    fn json<T: serde::Serialize>(&mut self, name: &str, value: &T) -> Result<(), Error> {
        let text = serde_json::to_vec_pretty(value).map_err(io::Error::from);
        self.write(
            name,
            text.map(|mut t| {
                t.push(b'\n');
                t
            }),
        )
    }

    fn radiance(&mut self, name: &str, radiance: &Array3<f32>) -> Result<(), Error> {
        let path = self.out.join(name);
        let layout = openexr::Layout {
            rows: radiance.dim().0,
            columns: radiance.dim().1,
            channels: ["B", "G", "R"]
                .map(|c| openexr::Channel::new(c, openexr::Kind::Float))
                .to_vec(),
            attributes: openexr::Attributes::default(),
            scheme: openexr::Scheme::default(),
        };
        openexr::write(&path, self.policy, &layout, |rows| {
            let channel = |c: usize| {
                let part = radiance.slice(s![rows.clone(), .., c]);
                openexr::ChannelRows::Float(part.iter().copied().collect())
            };
            vec![channel(2), channel(1), channel(0)]
        })?;
        self.files.push(path);
        Ok(())
    }
}

/// The bytes of a picture with its EXIF block.
fn encode(pixels: &Pixels, kind: &FileKind, fields: &[Field]) -> io::Result<Vec<u8>> {
    match (kind, pixels) {
        (
            FileKind::Jpeg {
                quality,
                half_chroma,
            },
            Pixels::U8(samples),
        ) => {
            let chroma = if *half_chroma {
                jpeg::Subsampling::Half
            } else {
                jpeg::Subsampling::Full
            };
            jpeg::encode(
                samples.view(),
                *quality,
                chroma,
                None,
                Some(&metadata::block(fields)?),
            )
        }
        (FileKind::Jpeg { .. }, _) => Err(io::Error::from(io::ErrorKind::InvalidInput)),
        (FileKind::Png, _) => super::lossless::png(pixels, fields),
        (FileKind::Dng { .. }, _) => Err(io::Error::from(io::ErrorKind::InvalidInput)),
        (FileKind::Tiff, _) => super::lossless::tiff(pixels, fields),
    }
}
