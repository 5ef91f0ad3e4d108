//! Levels of the wedge and usable range side by side, from what was measured on each picture.
use super::result::{Compared, Difference, Interval, Quantity};
use crate::measure::result::{Limit, Pair, Patch, PictureKind, PictureMeasurement};
use crate::statistics::bootstrap::random_stream;
use rand_distr::{Distribution, StandardNormal};

/// Draws of every pair of steps.
const DRAWS: usize = 400;

/// What is counted on a pair: its figure, the value it must reach, and whether it is told apart as measured.
type Counted = fn(&Pair) -> Option<(f64, bool)>;

/// Levels by three criteria, and range at SNR 1 and 10.
pub fn compare(measured: &[PictureMeasurement]) -> Vec<Compared> {
    let of_kind = |kind| measured.iter().find(|p| p.kind == kind);
    let Some(camera) = of_kind(PictureKind::CameraHdr) else {
        return Vec::new();
    };
    let merge = of_kind(PictureKind::Merge);
    let singles: Vec<&PictureMeasurement> = measured
        .iter()
        .filter(|p| p.kind == PictureKind::Frame)
        .collect();
    let counts: [(Quantity, Counted); 3] = [
        (Quantity::LevelsNoise, |p| Some((p.separation, p.by_noise))),
        (Quantity::LevelsCode, |p| {
            Some((p.code_difference?, p.by_code?))
        }),
        (Quantity::LevelsVisual, |p| {
            Some((p.lightness_difference, p.by_visual))
        }),
    ];
    let mut out: Vec<Compared> = counts
        .into_iter()
        .filter_map(|(quantity, counted)| {
            let camera = levels(camera, counted)?;
            let merge = merge.and_then(|m| levels(m, counted));
            let single = best(&singles, |p| levels(p, counted).map(|l| l.0));
            Some(row(quantity, "steps", camera.0, merge.map(|m| m.0), single))
        })
        .collect();
    for (quantity, snr) in [
        (Quantity::UsableStops1, 1.0),
        (Quantity::UsableStops10, 10.0),
    ] {
        if let Some(value) = range(camera, snr) {
            let single = best(&singles, |p| range(p, snr));
            out.push(row(
                quantity,
                "stops",
                value,
                merge.and_then(|m| range(m, snr)),
                single,
            ));
        }
    }
    out
}

fn row(
    quantity: Quantity,
    unit: &str,
    camera: Interval,
    merge: Option<Interval>,
    single: Option<(Interval, String)>,
) -> Compared {
    let less = |other: &Interval| {
        let known = camera.low95.is_some() && other.low95.is_some();
        known.then(|| Difference::of(&camera, other))
    };
    Compared {
        quantity,
        unit: unit.to_owned(),
        camera_hdr: Some(camera),
        merge,
        against_merge: merge.as_ref().and_then(less),
        against_single: single.as_ref().and_then(|s| less(&s.0)),
        single: single.as_ref().map(|s| s.0),
        single_file: single.map(|s| s.1),
    }
}

/// The frame with the largest figure.
fn best(
    singles: &[&PictureMeasurement],
    figure: impl Fn(&PictureMeasurement) -> Option<Interval>,
) -> Option<(Interval, String)> {
    singles
        .iter()
        .filter_map(|p| Some((figure(p)?, p.file.clone())))
        .reduce(|a, b| if b.0.value > a.0.value { b } else { a })
}

/// The range at an SNR; `None` too where the wedge ends first: a lower bound cannot be compared.
fn range(picture: &PictureMeasurement, snr: f64) -> Option<Interval> {
    let usable = picture.usable_stops.iter().find(|u| u.snr == snr)?;
    Some(Interval {
        value: usable.stops.filter(|_| usable.limited_by != Limit::Wedge)?,
        low95: usable.low95,
        high95: usable.high95,
    })
}

/// Levels told apart with an interval: every pair's figure is drawn anew with the uncertainty that the noise of its two
/// patches leaves it (independent samples as measured), pairs that are clipped or crushed stay as they are.
fn levels(picture: &PictureMeasurement, counted: Counted) -> Option<(Interval, usize)> {
    picture.levels?;
    let pairs: Vec<(f64, f64, bool, bool)> = picture
        .pairs
        .iter()
        .map(|pair| {
            let (figure, told) = counted(pair)?;
            let u = uncertainty(figure, pair, &picture.patches)?;
            let fixed = told != (figure >= 1.0);
            Some((figure, u, told, fixed))
        })
        .collect::<Option<_>>()?;
    let value = 1 + pairs.iter().filter(|p| p.2).count();
    let mut draws: Vec<f64> = Vec::with_capacity(DRAWS);
    for index in 0..DRAWS {
        let mut random = random_stream(24, index);
        let told = pairs.iter().filter(|&&(figure, u, told, fixed)| {
            let z: f64 = StandardNormal.sample(&mut random);
            if fixed { told } else { figure + u * z >= 1.0 }
        });
        draws.push(1.0 + told.count() as f64);
    }
    Some((Interval::of_replicates(value as f64, &draws), value))
}

/// Standard uncertainty of a pair's figure from the noise of its patches: of the difference of the means, and, as the
/// separation is in units of the deviation, of that deviation.
fn uncertainty(figure: f64, pair: &Pair, patches: &[Patch]) -> Option<f64> {
    let patch = |step: usize| patches.iter().find(|p| p.step == step);
    let (a, b) = (patch(pair.step)?, patch(pair.step + 1)?);
    let mean = |p: &Patch| p.linear_deviation.powi(2) / p.effective_samples.max(1.0);
    let difference = (a.linear - b.linear).abs();
    if difference == 0.0 {
        return Some(0.0);
    }
    let relative = (mean(a) + mean(b)) / (difference * difference);
    let samples = a.effective_samples + b.effective_samples;
    Some(figure.abs() * (relative + 0.5 / samples.max(2.0)).sqrt())
}
