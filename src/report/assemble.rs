//! Assembles the report's entry of a bracket from its results.
use crate::words::headline;
use ndarray::parallel::prelude::*;
use ndarray::{ArrayView2, Axis, s};
use sha2::{Digest, Sha256};
use stopspan_core::model::{
    Clip, FileDigest, Frame, Header, Merged, NoiseSource, RadianceMap, Recovered, flag,
    main_channel,
};
use stopspan_core::raster::Pixels;
use stopspan_core::results::{
    BracketMeasurement, BracketReport, Comparison, FrameEntry, MapSummary, NoiseSummary, NoiseTerm,
    OutputFile, Shift,
};

/// SHA-256 over the SHA-256 sums of the files, in order.
pub(crate) fn sum_of_sums(files: &[FileDigest]) -> String {
    let mut all = Sha256::new();
    files.iter().for_each(|file| all.update(file.sha256));
    hexadecimal(&all.finalize().into())
}

/// Formats a SHA-256 sum in hexadecimal.
pub fn hexadecimal(sum: &[u8; 32]) -> String {
    sum.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// Returns the entry of a bracket, with its headline.
pub fn bracket_entry(
    merged: &Merged,
    measured: BracketMeasurement,
    comparison: Option<Comparison>,
    outputs: Vec<OutputFile>,
) -> BracketReport {
    let (recovered, map) = (&merged.frames, &merged.map);
    let bracket = &recovered.bracket;
    let mut findings = bracket.findings.clone();
    findings.extend(measured.findings);
    let mut entry = BracketReport {
        name: bracket.name.clone(),
        headline: String::new(),
        inputs_sha256: Some(sum_of_sums(&recovered.files)),
        camera: camera_name(&bracket.reference_frame().picture.header),
        frames: (0..bracket.frames.len())
            .map(|j| frame(recovered, j))
            .collect(),
        exposure_check: Some(recovered.check.clone()),
        response: Some(recovered.response.clone()),
        noise: Some(noise(recovered)),
        map: Some(summary(map, bracket.frames.len())),
        wedge: measured.wedge,
        candidate: measured.candidate,
        calibration: measured.calibration,
        best_on_wedge: measured.best_on_wedge,
        pictures: measured.pictures,
        gain: measured.gain,
        scene: measured.scene,
        comparison,
        raw_beside: None,
        findings,
        outputs,
    };
    entry.headline = headline(&entry);
    entry
}

/// Returns maker and model of a camera as the metadata name them; `None` where they name none.
pub fn camera_name(header: &Header) -> Option<String> {
    let name = camera(&header.maker, &header.model);
    (!name.is_empty()).then_some(name)
}

/// Maker and model of the camera; the maker is omitted if the model begins with it.
fn camera(maker: &Option<String>, model: &Option<String>) -> String {
    let text = |t: &Option<String>| t.as_deref().unwrap_or_default().trim().to_owned();
    let (maker, model) = (text(maker), text(model));
    if model.to_lowercase().starts_with(&maker.to_lowercase()) {
        return model;
    }
    format!("{maker} {model}").trim().to_owned()
}

fn frame(recovered: &Recovered, index: usize) -> FrameEntry {
    let bracket = &recovered.bracket;
    let frame = &bracket.frames[index];
    let (clipped, crushed) = shares(recovered, frame);
    let placement = recovered
        .registration
        .as_ref()
        .and_then(|r| r.placements.get(index));
    FrameEntry {
        file: frame.name(),
        reference: index == bracket.reference,
        columns: frame.picture.pixels.columns(),
        rows: frame.picture.pixels.rows(),
        bits: frame.picture.pixels.bits(),
        settings: frame.settings,
        bias: frame.bias,
        captured: captured(frame),
        exposure: frame.exposure,
        clipped_share: Some(clipped),
        crushed_share: Some(crushed),
        shift: placement.map(|p| Shift {
            columns: p.movement.0,
            rows: p.movement.1,
            degrees: p.movement.2,
            residual_px: p.residual,
        }),
    }
}

fn captured(frame: &Frame) -> Option<String> {
    let header = &frame.picture.header;
    let moment = header.captured.clone()?;
    Some(match &header.sub_seconds {
        Some(digits) => format!("{moment}.{}", digits.trim()),
        None => moment,
    })
}

/// Shares of pixels, 0..=1, whose main channel is clipped, and is at the black floor.
fn shares(recovered: &Recovered, frame: &Frame) -> (f64, f64) {
    let pixels = &frame.picture.pixels;
    let (rows, columns, channels) = pixels.dim();
    let channel = main_channel(channels);
    let clip = recovered.clips[channel];
    // A share needs no more than every fourth row.
    let step = if rows > 400 { 4 } else { 1 };
    let of_row = |row: usize| {
        let line = s![row, .., channel];
        let of_codes = |code: u16, full: f32| f32::from(code) / full;
        match pixels {
            Pixels::U8(a) => beyond(
                a.slice(line).iter().map(|v| of_codes((*v).into(), 255.0)),
                clip,
            ),
            Pixels::U16(a) => beyond(a.slice(line).iter().map(|v| of_codes(*v, 65535.0)), clip),
            Pixels::F32(a) => beyond(a.slice(line).iter().copied(), clip),
        }
    };
    let seen = (0..rows).into_par_iter().step_by(step);
    let count = seen.len() * columns;
    let both = |a: (usize, usize), b: (usize, usize)| (a.0 + b.0, a.1 + b.1);
    let (clipped, crushed) = seen.map(of_row).reduce(|| (0, 0), both);
    let share = |n: usize| n as f64 / count.max(1) as f64;
    (share(clipped), share(crushed))
}

/// Number of clipped levels, and of levels at the black floor.
fn beyond(levels: impl Iterator<Item = f32>, clip: Clip) -> (usize, usize) {
    levels.fold((0, 0), |(clipped, crushed), level| {
        (
            clipped + usize::from(f64::from(level) >= clip.clip_level - 1e-9),
            crushed + usize::from(f64::from(level) <= clip.floor_level + 1e-9),
        )
    })
}

fn noise(recovered: &Recovered) -> NoiseSummary {
    let source = match recovered.noise.source {
        NoiseSource::Assumed => "assumed: too few pixels were good in two frames at once",
        NoiseSource::StatedByFile => "stated by the raw file",
        NoiseSource::Measured => "differences between the frames of this bracket, by level",
    };
    let letters: &[&str] = if recovered.noise.channels.len() == 3 {
        &["R", "G", "B"]
    } else {
        &["Y"]
    };
    let mut terms = Vec::new();
    for (letter, model) in letters.iter().zip(&recovered.noise.channels) {
        let mut term = |name: &str, value: f64, unit: &str| {
            terms.push(NoiseTerm {
                name: name.into(),
                channel: Some((*letter).into()),
                value,
                standard_uncertainty: None,
                unit: unit.into(),
            });
        };
        term(
            "shot noise, variance per exposure",
            model.shot,
            "relative exposure",
        );
        term(
            "noise in the dark",
            model.read_variance.sqrt(),
            "relative exposure",
        );
        term(
            "noise in the codes",
            model.code_variance.sqrt(),
            "8-bit codes",
        );
    }
    NoiseSummary {
        source: source.into(),
        terms,
    }
}

fn summary(map: &RadianceMap, frames: usize) -> MapSummary {
    let (rows, columns, _) = map.radiance.dim();
    let counts = FlagCounts::of(map);
    let total = map.flags.len().max(1) as f64;
    let share = |bit: u16| counts.bits[bit.trailing_zeros() as usize] as f64 / total;
    let lead = |k: usize| counts.leads.get(k).map_or(0.0, |&n| n as f64 / total);
    MapSummary {
        columns,
        rows,
        clipped_in_all: share(flag::CLIPPED_IN_ALL),
        dark_in_all: share(flag::DARK_IN_ALL),
        one_frame: share(flag::ONE_FRAME),
        uncovered: share(flag::UNCOVERED),
        moved: share(flag::MOVED),
        largest_weight: (0..frames).map(lead).collect(),
    }
}

/// Number of pixels by flag, and by the frame with the largest weight.
struct FlagCounts {
    bits: [usize; flag::FRAME_SHIFT as usize],
    leads: [usize; 256],
}

impl FlagCounts {
    fn of(map: &RadianceMap) -> Self {
        let strips = map.flags.axis_chunks_iter(Axis(0), 256).into_par_iter();
        let none = || vec![0usize; 1 << 16];
        let add = |mut sums: Vec<usize>, strip: ArrayView2<u16>| {
            strip.iter().for_each(|&f| sums[usize::from(f)] += 1);
            sums
        };
        let both = |mut a: Vec<usize>, b: Vec<usize>| {
            a.iter_mut().zip(b).for_each(|(a, b)| *a += b);
            a
        };
        let by_flags = strips.fold(none, add).reduce(none, both);
        let mut counts = FlagCounts {
            bits: [0; flag::FRAME_SHIFT as usize],
            leads: [0; 256],
        };
        for (flags, count) in by_flags.into_iter().enumerate().filter(|(_, n)| *n > 0) {
            counts.leads[flags >> flag::FRAME_SHIFT] += count;
            for (bit, sum) in counts.bits.iter_mut().enumerate() {
                *sum += count * (flags >> bit & 1);
            }
        }
        counts
    }
}
