//! What was found, put into the report's plain data.
use super::{FileSum, Measured, Prepared, Settings};
use ndarray::parallel::prelude::*;
use ndarray::{ArrayView2, Axis, s};
use sha2::{Digest, Sha256};
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Bracket, Clip, Frame};
use stopspan_core::model::{RadianceMap, flag};
use stopspan_core::raster::Pixels;
use stopspan_core::results::Comparison;
use stopspan_core::results::{
    BracketReport, Failed, FrameEntry, InputFile, MapSummary, NoiseSummary, NoiseTerm, OutputFile,
    Report, Shift, UnusedFile,
};
use stopspan_formats as formats;
use stopspan_frames::Survey;
use stopspan_measure::bracket_planning::best_on_wedge;
use stopspan_report::moment;
use stopspan_report::words::headline;

/// The report before any bracket is done: settings, inputs, what was left aside.
pub(super) fn begin(settings: &Settings, survey: &Survey) -> Report {
    let mut report = Report::new();
    report.made = Some(moment::utc(std::time::SystemTime::now()));
    report.settings = super::stated::settings(settings);
    let frames = survey.brackets.iter().flat_map(|b| {
        b.frames
            .iter()
            .map(|f| f.file.clone())
            .chain(b.camera_hdr.iter().map(|h| h.file.clone()))
    });
    report.inputs = frames
        .map(|file| InputFile {
            bytes: std::fs::metadata(&file).map_or(0, |m| m.len()),
            path: file.display().to_string(),
            sha256: None,
        })
        .collect();
    let left = |path: &std::path::Path, reason: &str| UnusedFile {
        path: path.display().to_string(),
        reason: reason.into(),
    };
    report.singles = survey
        .singles
        .iter()
        .map(|p| left(p, "no other frame of its scene was found"))
        .collect();
    report
        .singles
        .extend(survey.camera_hdr.iter().map(|h| left(&h.file, &h.evidence)));
    report.skipped = survey
        .skipped
        .iter()
        .map(|s| left(&s.file, &s.reason.words()))
        .collect();
    report.failed = survey
        .failed
        .iter()
        .map(|f| Failed {
            name: f.file.display().to_string(),
            problem: f.problem.clone(),
            advice: f.advice.clone(),
        })
        .collect();
    report
}

/// SHA-256 of the files a bracket was decoded from.
pub(super) fn sums(bracket: &Bracket) -> Vec<FileSum> {
    let frames = bracket.frames.iter().map(|f| &f.picture);
    frames
        .chain(bracket.camera_hdr.iter().map(|h| &h.picture))
        .filter_map(|p| Some((p.file.clone(), p.sha256?)))
        .collect()
}

/// One sum for all files.
fn sum_of_sums(sums: &[FileSum]) -> String {
    let mut all = Sha256::new();
    sums.iter().for_each(|(_, sum)| all.update(sum));
    hexadecimal(&all.finalize().into())
}

/// Enters the sums of a finished bracket's files.
pub(super) fn enter_sums(inputs: &mut [InputFile], of: &[InputFile]) {
    for known in of {
        for input in inputs.iter_mut().filter(|i| i.path == known.path) {
            input.sha256.clone_from(&known.sha256);
        }
    }
}

/// Files that were not decoded, or failed to be, are read for their sum alone; `None` stays where that fails too.
pub(super) fn enter_missing_sums(inputs: &mut [InputFile]) {
    for input in inputs.iter_mut().filter(|i| i.sha256.is_none()) {
        let sum = formats::sha256_of(std::path::Path::new(&input.path));
        input.sha256 = sum.ok().map(|s| hexadecimal(&s));
    }
}

pub(super) fn hexadecimal(sum: &[u8; 32]) -> String {
    sum.iter().map(|byte| format!("{byte:02x}")).collect()
}

/// A failed bracket's entry.
pub(super) fn failure(name: &str, error: &Error) -> Failed {
    Failed {
        name: name.into(),
        problem: error.to_string(),
        advice: error.advice(),
    }
}

/// A bracket's entry.
pub(super) fn bracket(
    prepared: &Prepared,
    map: &RadianceMap,
    (measured, comparison): (Measured, Option<Comparison>),
    outputs: Vec<OutputFile>,
) -> BracketReport {
    let bracket = &prepared.bracket;
    let header = &bracket.frames[bracket.reference].picture.header;
    let camera = camera(&header.maker, &header.model);
    let mut findings = bracket.findings.clone();
    findings.extend(measured.findings);
    let mut entry = BracketReport {
        name: bracket.name.clone(),
        headline: String::new(),
        inputs_sha256: Some(sum_of_sums(&prepared.sums)),
        camera: (!camera.is_empty()).then_some(camera),
        frames: (0..bracket.frames.len())
            .map(|j| frame(prepared, j))
            .collect(),
        exposure_check: Some(prepared.check.clone()),
        response: Some(prepared.response.clone()),
        noise: Some(noise(prepared)),
        map: Some(summary(map, bracket.frames.len())),
        wedge: measured.wedge,
        candidate: measured.candidate,
        calibration: measured.calibration,
        best_on_wedge: best_on_wedge(&measured.pictures),
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

/// Maker and model; many models begin with their maker, who is then not said twice.
fn camera(maker: &Option<String>, model: &Option<String>) -> String {
    let text = |t: &Option<String>| t.as_deref().unwrap_or_default().trim().to_owned();
    let (maker, model) = (text(maker), text(model));
    if model.to_lowercase().starts_with(&maker.to_lowercase()) {
        return model;
    }
    format!("{maker} {model}").trim().to_owned()
}

fn frame(prepared: &Prepared, index: usize) -> FrameEntry {
    let bracket = &prepared.bracket;
    let frame = &bracket.frames[index];
    let (clipped, crushed) = shares(prepared, frame);
    let placement = prepared
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

/// Shares of pixels whose measuring channel is clipped, and crushed.
fn shares(prepared: &Prepared, frame: &Frame) -> (f64, f64) {
    let pixels = &frame.picture.pixels;
    let (rows, columns, channels) = pixels.dim();
    let channel = channels / 2;
    let clip = prepared.clips[channel];
    // Every fourth row is enough for a share, and quick.
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

/// How many levels are clipped, and how many crushed.
fn beyond(levels: impl Iterator<Item = f32>, clip: Clip) -> (usize, usize) {
    levels.fold((0, 0), |(clipped, crushed), level| {
        (
            clipped + usize::from(f64::from(level) >= clip.clip_level - 1e-9),
            crushed + usize::from(f64::from(level) <= clip.floor_level + 1e-9),
        )
    })
}

fn noise(prepared: &Prepared) -> NoiseSummary {
    let source = if prepared.noise.assumed {
        "assumed: too few pixels were good in two frames at once"
    } else if prepared.bracket.findings.contains(&Finding::NoiseAsStated) {
        "stated by the raw file"
    } else {
        "differences between the frames of this bracket, by level"
    };
    let letters: &[&str] = if prepared.noise.channels.len() == 3 {
        &["R", "G", "B"]
    } else {
        &["Y"]
    };
    let mut terms = Vec::new();
    for (letter, model) in letters.iter().zip(&prepared.noise.channels) {
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

/// Pixels by bit of their flags, and by the frame with the largest weight.
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
