//! Levels of the wedge and usable range side by side, from the measurement of each picture.
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use stopspan_core::results::{Compared, Difference, Interval, Quantity};
use stopspan_core::results::{Limit, Measurement, Pair, Patch, PictureMeasurement};
use stopspan_core::statistics::bootstrap::random_stream;

/// Number of bootstrap draws.
const DRAWS: usize = 400;

/// Criterion on a pair: its figure, which resolves the pair from 1 up, and whether the pair is resolved as measured.
type Counted = fn(&Pair) -> Option<(f64, bool)>;

/// Levels by three criteria, and usable range at SNR 1 and 10, against the frame of file `single`, or against the best by each.
pub fn compare(measured: &Measurement, single: Option<&str>) -> Vec<Compared> {
    let Some(camera) = &measured.camera else {
        return Vec::new();
    };
    let merge = measured.merge.as_ref();
    let singles = || {
        let frames = measured.frames.iter();
        frames.filter(|p| single.is_none_or(|file| p.file == file))
    };
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
            let count = |p: &PictureMeasurement| Counts::of(p, counted);
            let single = singles()
                .filter_map(|p| Some((count(p)?, p.file.clone())))
                .reduce(|a, b| if b.0.value > a.0.value { b } else { a });
            Some(counted_row(
                quantity,
                &count(camera)?,
                merge.and_then(count),
                single,
            ))
        })
        .collect();
    for (quantity, snr) in [
        (Quantity::UsableStops1, 1.0),
        (Quantity::UsableStops10, 10.0),
    ] {
        if let Some(value) = range(camera, snr) {
            let single = best(singles(), |p| range(p, snr));
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
fn best<'p>(
    singles: impl Iterator<Item = &'p PictureMeasurement>,
    figure: impl Fn(&PictureMeasurement) -> Option<Interval>,
) -> Option<(Interval, String)> {
    singles
        .filter_map(|p| Some((figure(p)?, p.file.clone())))
        .reduce(|a, b| if b.0.value > a.0.value { b } else { a })
}

/// The range at an SNR; `None` also where the wedge ends first, because a lower bound cannot be compared.
fn range(picture: &PictureMeasurement, snr: f64) -> Option<Interval> {
    let usable = picture.usable_stops.iter().find(|u| u.snr == snr)?;
    Some(Interval {
        value: usable.stops.filter(|_| usable.limited_by != Limit::Wedge)?,
        low95: usable.low95,
        high95: usable.high95,
    })
}

/// Number of steps resolved as measured, and in every draw.
struct Counts {
    value: f64,
    draws: Vec<f64>,
}

impl Counts {
    /// Parametric bootstrap: the mean and deviation of each patch are drawn within the uncertainty of its independent
    /// samples, jointly for both pairs that share it, and the pairs are counted again. Pairs that are clipped, black or out
    /// of order do not change. `None` without a wedge, or if the criterion does not apply.
    fn of(picture: &PictureMeasurement, counted: Counted) -> Option<Self> {
        picture.levels?;
        let pairs: Vec<Drawn> = picture
            .pairs
            .iter()
            .map(|pair| Drawn::of(pair, &picture.patches, counted))
            .collect::<Option<_>>()?;
        let count = |told: usize| 1.0 + told as f64;
        let patches = &picture.patches;
        let draws = (0..DRAWS).map(|index| {
            let mut random = random_stream(24, index);
            let moved: Vec<(f64, f64)> = patches.iter().map(|p| draw(p, &mut random)).collect();
            count(pairs.iter().filter(|p| p.told_in(&moved)).count())
        });
        Some(Counts {
            value: count(pairs.iter().filter(|p| p.told).count()),
            draws: draws.collect(),
        })
    }

    fn interval(&self) -> Interval {
        Interval::of_replicates(self.value, &self.draws)
    }

    /// Difference from another count with independent draws.
    fn less(&self, other: &Counts) -> Difference {
        let draws: Vec<f64> = self
            .draws
            .iter()
            .zip(other.draws.iter().cycle().skip(1))
            .map(|(a, b)| a - b)
            .collect();
        Difference::from(Interval::of_replicates(self.value - other.value, &draws))
    }
}

/// A random mean and deviation of a patch.
fn draw(patch: &Patch, random: &mut impl Rng) -> (f64, f64) {
    let samples = patch.effective_samples.max(2.0);
    let [mean, spread]: [f64; 2] = [(); 2].map(|()| StandardNormal.sample(random));
    let deviation = patch.linear_deviation;
    (
        patch.linear + mean * deviation / samples.sqrt(),
        deviation * (1.0 + spread / (2.0 * samples).sqrt()).max(0.1),
    )
}

/// A pair that is redrawn.
struct Drawn {
    /// Indices of its patches in the list.
    patches: (usize, usize),
    figure: f64,
    /// Difference of the means, and the deviation it is compared with.
    difference: f64,
    deviation: f64,
    /// True if the figure is a separation, which falls as the deviation grows.
    in_deviations: bool,
    told: bool,
}

impl Drawn {
    fn of(pair: &Pair, patches: &[Patch], counted: Counted) -> Option<Self> {
        let (figure, told) = counted(pair)?;
        let place = |step: usize| patches.iter().position(|p| p.step == step);
        let (first, second) = (place(pair.step)?, place(pair.step + 1)?);
        let (a, b) = (&patches[first], &patches[second]);
        Some(Drawn {
            patches: (first, second),
            figure,
            difference: a.linear - b.linear,
            deviation: pooled(a.linear_deviation, b.linear_deviation),
            in_deviations: figure == pair.separation,
            told,
        })
    }

    fn told_in(&self, moved: &[(f64, f64)]) -> bool {
        let decided_otherwise = self.told != (self.figure >= 1.0);
        let ((a, s), (b, t)) = (moved[self.patches.0], moved[self.patches.1]);
        let noise = pooled(s, t);
        if decided_otherwise || self.difference == 0.0 || noise == 0.0 {
            return self.told;
        }
        let spread = if self.in_deviations {
            self.deviation / noise
        } else {
            1.0
        };
        self.figure * (a - b) / self.difference * spread >= 1.0
    }
}

fn pooled(a: f64, b: f64) -> f64 {
    ((a * a + b * b) / 2.0).sqrt()
}

fn counted_row(
    quantity: Quantity,
    camera: &Counts,
    merge: Option<Counts>,
    single: Option<(Counts, String)>,
) -> Compared {
    Compared {
        quantity,
        unit: "steps".to_owned(),
        camera_hdr: Some(camera.interval()),
        against_merge: merge.as_ref().map(|m| camera.less(m)),
        merge: merge.as_ref().map(Counts::interval),
        against_single: single.as_ref().map(|s| camera.less(&s.0)),
        single: single.as_ref().map(|s| s.0.interval()),
        single_file: single.map(|s| s.1),
    }
}
