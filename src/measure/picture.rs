//! Measurement of pictures: patches, levels and range of each subject.
use super::levels::{Criteria, count, joined, joined_because, pairs};
use super::misstated;
use super::oecf::against_merge;
use super::range::{RangeSettings, block_noise, usable_stops};
use super::subject::Subject;
use super::wedge::{PatchSample, evened, patches};
use stopspan_core::finding::Finding;
use stopspan_core::model::NoiseModel;
use stopspan_core::results::{
    LevelCounts, Measurement, PictureKind, PictureMeasurement, VisualWhite, WedgePlace,
};

/// Settings of the measurement.
#[derive(Debug, Clone, PartialEq)]
pub struct MeasureSettings {
    /// Luminance of display white for just-noticeable differences, cd/m^2.
    pub display_white: f64,
    /// Bit depth whose code is the step of the `code` criterion: 8 (the default), or the file's own.
    pub code_bits: u32,
    /// Thresholds and interval settings of the usable range.
    pub range: RangeSettings,
    /// Relative illumination of each step, lightest first, divided out of the linear figures of every picture; `None` for
    /// even light.
    pub light: Option<Vec<f64>>,
}

impl Default for MeasureSettings {
    fn default() -> Self {
        MeasureSettings {
            display_white: 250.0,
            code_bits: 8,
            range: RangeSettings::default(),
            light: None,
        }
    }
}

/// Measures every subject on the wedge. If a merge is among them, finished pictures are first linearised by their own curve
/// against the merge, measured on the wedge, so that separations are comparable between pictures.
pub fn measure(
    subjects: &[Subject],
    place: &WedgePlace,
    settings: &MeasureSettings,
) -> Measurement {
    let merge = subjects
        .iter()
        .find(|s| s.kind == PictureKind::Merge)
        .map(|s| patches(s, place).0)
        .filter(|p| !p.is_empty());
    subjects
        .iter()
        .map(|subject| match (&merge, subject.kind) {
            (Some(merge), PictureKind::CameraHdr | PictureKind::Rendered) => {
                one(&finished(subject, merge, place), place, settings)
            }
            _ => one(subject, place, settings),
        })
        .collect()
}

/// A finished picture linearised against the merge; unchanged where the wedge does not give its curve. Uneven light is left
/// in both, because codes follow the light that reached the sensor.
fn finished(subject: &Subject, merge: &[PatchSample], place: &WedgePlace) -> Subject {
    let plain =
        |samples: &[PatchSample]| samples.iter().map(|s| s.patch.clone()).collect::<Vec<_>>();
    let own = plain(&patches(subject, place).0);
    match against_merge(&own, &plain(merge)) {
        Some(curve) => subject.with_curve(&curve),
        None => subject.clone(),
    }
}

/// The patches with uneven light divided out of their linear figures; codes are unchanged.
fn in_even_light(
    subject: &Subject,
    place: &WedgePlace,
    settings: &MeasureSettings,
) -> (Vec<PatchSample>, Vec<Finding>) {
    let (samples, findings) = patches(subject, place);
    match &settings.light {
        Some(light) => (evened(samples, light), findings),
        None => (samples, findings),
    }
}

fn one(subject: &Subject, place: &WedgePlace, settings: &MeasureSettings) -> PictureMeasurement {
    let (samples, mut findings) = in_even_light(subject, place, settings);
    if samples.is_empty() {
        return empty(subject, settings, findings);
    }
    let list: Vec<_> = samples.iter().map(|s| s.patch.clone()).collect();
    let of_blocks = block_noise(subject, &samples);
    let criteria = criteria(subject, settings, of_blocks.as_deref());
    let pairs = pairs(&list, &criteria);
    let levels = count(&pairs);
    let (usable, noise, doubts) = usable_stops(subject, &samples, &settings.range);
    findings.extend(doubts);
    findings.extend(hidden(&levels));
    findings.extend(misstated::doubts(&subject.file, &list));
    if levels.chart_limited {
        findings.push(Finding::ChartLimited {
            picture: subject.file.clone(),
        });
    }
    PictureMeasurement {
        levels: Some(levels),
        joined: joined(&pairs),
        joined_because: joined_because(&pairs),
        usable_stops: usable,
        patches: list,
        pairs,
        noise,
        ..empty(subject, settings, findings)
    }
}

/// Finding for steps resolved only because the file lacks noise.
fn hidden(levels: &LevelCounts) -> Option<Finding> {
    let block = levels.block.filter(|&block| block < levels.noise)?;
    Some(Finding::LevelsFlattered {
        noise: levels.noise,
        block,
    })
}

fn criteria<'a>(
    subject: &Subject,
    settings: &MeasureSettings,
    block_noise: Option<&'a [f64]>,
) -> Criteria<'a> {
    let scale = f64::from(1u32.checked_shl(settings.code_bits).unwrap_or(256).max(2) - 1);
    Criteria {
        code_step: 255.0 / scale,
        display_white: settings.display_white,
        white: white(subject),
        block_noise,
    }
}

fn white(subject: &Subject) -> VisualWhite {
    match subject.levels {
        Some(_) => VisualWhite::FullScale,
        None => VisualWhite::LightestStep,
    }
}

fn empty(
    subject: &Subject,
    settings: &MeasureSettings,
    findings: Vec<Finding>,
) -> PictureMeasurement {
    PictureMeasurement {
        kind: subject.kind,
        file: subject.file.clone(),
        levels: None,
        joined: Vec::new(),
        joined_because: Vec::new(),
        usable_stops: Vec::new(),
        patches: Vec::new(),
        pairs: Vec::new(),
        visual_white: white(subject),
        display_white: settings.display_white,
        noise: None::<NoiseModel>,
        findings,
    }
}
