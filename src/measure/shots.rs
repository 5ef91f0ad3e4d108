//! Shots of several cameras compared at the same places of one subject: which is brightest, cleanest and most neutral.
use crate::compare::{D65, lab, xyz};
use std::f64::consts::SQRT_2;
use stopspan_core::results::{
    ComparedShot, Interval, NotRanked, Patch, SamePlaces, ShotComparison, ShotStanding, Undecided,
};
use stopspan_core::statistics::moments::moments;
use stopspan_core::statistics::significance::student_t_factor;
use stopspan_core::units::{ExposureSettings, srgb_exposure};

/// 97.5 % point of the normal distribution.
const NORMAL95: f64 = 1.959_964;
/// Fewest places that two shots must share.
const FEWEST: usize = 3;
/// Largest share of clipped pixels of a place.
const CLIPPED: f64 = 0.01;
/// Least SNR of one pixel of a place (judgement): what noise adds to the light of a mean code is 0.02 stops here, and known.
pub(crate) const LEAST_SNR: f64 = 5.0;

/// Standard uncertainty of the light of a shot that all its places share, stops: light that falls off over the picture, by 0.02 density
/// (0.066 stops) from end to end, evenly distributed (common practice, no source).
const SHARED: f64 = 0.0664 / 3.464;

/// One place in one shot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Number of the place, the same for the same place in every shot.
    pub number: usize,
    /// Light of the displayed picture (IEC 61966-2-1), 0..=1, > 0: the camera's rendering is in it, no recovered response is.
    pub light: f64,
    /// SNR of one pixel.
    pub snr: f64,
    /// CIE 1976 chroma C*ab of the mean code on an sRGB display; `None` without colour.
    pub chroma: Option<f64>,
}

impl Place {
    /// A step of the wedge; `None` where it is clipped, black or lost in noise.
    pub fn of_patch(patch: &Patch) -> Option<Self> {
        let code = patch.code?;
        let light = light_of_noisy(code[1], patch.code_deviation.unwrap_or(0.0));
        let sound = patch.clipped_share < CLIPPED
            && patch.crushed_share < 0.5
            && light > 0.0
            && patch.snr >= LEAST_SNR;
        sound.then(|| Place {
            number: patch.step,
            light,
            snr: patch.snr,
            chroma: Some(chroma(code)),
        })
    }
}

/// Mean light of codes of a mean and a deviation, 0..=255: that of the mean code and, because the transfer function bends, what noise
/// adds to it (to second order).
fn light_of_noisy(mean: f64, deviation: f64) -> f64 {
    let at = |code: f64| srgb_exposure((code / 255.0).max(0.0));
    let step = deviation.clamp(1e-3, mean.max(1e-3));
    (at(mean + step) + at(mean - step)) / 2.0
}

/// C*ab of a mean code, 0..=255.
fn chroma(code: [f64; 3]) -> f64 {
    let [_, a, b] = lab(xyz(code.map(|v| srgb_exposure(v / 255.0))), D65);
    a.hypot(b)
}

/// A shot to be compared.
#[derive(Debug, Clone, PartialEq)]
pub struct Shot {
    /// Camera, else the file name.
    pub camera: String,
    /// File name.
    pub file: String,
    /// Settings.
    pub settings: ExposureSettings,
    /// The places it shows well.
    pub places: Vec<Place>,
}

/// Compares shots; `None` with fewer than two, or where no two share three places.
pub fn compare_shots(shots: &[Shot], places: SamePlaces) -> Option<ShotComparison> {
    let first = shots.first()?;
    let pairs = shots
        .iter()
        .enumerate()
        .flat_map(|(i, a)| shots[i + 1..].iter().map(move |b| shared(a, b).len()));
    if pairs.max()? < FEWEST {
        return None;
    }
    let grey = places == SamePlaces::Wedge;
    let of = |shot: &Shot| {
        let both = shared(shot, first);
        let against = |what: Quantity| -> Option<Interval> {
            let each = both.iter();
            let each = each.filter_map(|(a, b)| Some((what.of)(a)? - (what.of)(b)?));
            mean(&each.collect::<Vec<_>>(), what.shared)
        };
        let by = |what: Quantity, sign: f64| standing(shots, shot, what, sign);
        let own: Vec<f64> = shot.places.iter().filter_map(|p| p.chroma).collect();
        let expected = expected(&first.settings, &shot.settings);
        ComparedShot {
            camera: shot.camera.clone(),
            file: shot.file.clone(),
            settings: shot.settings,
            shared: both.len(),
            expected_stops: expected,
            light_stops: against(LIGHT),
            snr_stops: against(SNR),
            chroma: mean(&own, 0.0).filter(|_| grey),
            brightest: by(LIGHT, 1.0),
            above_settings: above_settings(shots, shot),
            cleanest: by(SNR, 1.0),
            most_neutral: by(CHROMA, -1.0).filter(|_| grey),
        }
    };
    let settings = |s: &Shot| (s.settings.time, s.settings.aperture, s.settings.speed);
    Some(ShotComparison {
        places,
        equal_settings: shots.iter().all(|s| settings(s) == settings(first)),
        shots: shots.iter().map(of).collect(),
    })
}

/// What is compared.
#[derive(Clone, Copy)]
struct Quantity {
    of: fn(&Place) -> Option<f64>,
    /// Standard uncertainty of a difference between two shots that all places share.
    shared: f64,
}

const LIGHT: Quantity = Quantity {
    of: |p| Some(p.light.log2()),
    shared: SHARED * SQRT_2,
};
/// Photon noise: SNR follows the square root of light.
const SNR: Quantity = Quantity {
    of: |p| Some(p.snr.log2()),
    shared: SHARED * SQRT_2 / 2.0,
};
const CHROMA: Quantity = Quantity {
    of: |p| p.chroma,
    shared: 0.0,
};

/// The places that two shots share.
fn shared<'a>(one: &'a Shot, other: &'a Shot) -> Vec<(&'a Place, &'a Place)> {
    let same = |p: &&'a Place| {
        let place = *p;
        let found = other.places.iter().find(|q| q.number == place.number)?;
        Some((place, found))
    };
    one.places.iter().filter_map(|p| same(&p)).collect()
}

/// Mean with its 95 % interval: Student's t over the values, and a standard uncertainty that they share; without an interval for fewer
/// than [`FEWEST`] values, `None` without any.
fn mean(values: &[f64], shared: f64) -> Option<Interval> {
    let found = moments(values)?;
    let value = found.mean;
    let factor = student_t_factor(0.95, values.len() as f64 - 1.0);
    let half = factor.map(|k| (k * found.standard_uncertainty()).hypot(NORMAL95 * shared));
    let half = half.filter(|h| values.len() >= FEWEST && h.is_finite());
    Some(Interval {
        value,
        low95: half.map(|h| value - h),
        high95: half.map(|h| value + h),
    })
}

/// log2 of `t S / N^2`, second over first, stops.
fn expected(first: &ExposureSettings, second: &ExposureSettings) -> Option<f64> {
    let light = |s: &ExposureSettings| {
        let (time, number, speed) = (s.time?.0, s.aperture?.0, s.speed?.0);
        Some((time * speed / (number * number)).log2())
    };
    Some(light(second)? - light(first)?)
}

/// Standing by a value; `sign` is 1 if larger is first, -1 if smaller is.
fn standing(shots: &[Shot], shot: &Shot, what: Quantity, sign: f64) -> Option<ShotStanding> {
    let difference = |other: &Shot| {
        let both = shared(other, shot);
        let list: Vec<f64> = both
            .iter()
            .filter_map(|(a, b)| Some(sign * ((what.of)(a)? - (what.of)(b)?)))
            .collect();
        Some(list)
    };
    stand((shots, shot), what.shared, difference)
}

/// Standing by light less the light that the settings predict. `None` where a setting is unknown.
fn above_settings(shots: &[Shot], shot: &Shot) -> Option<ShotStanding> {
    stand((shots, shot), LIGHT.shared, |other| {
        let predicted = expected(&shot.settings, &other.settings)?;
        let both = shared(other, shot);
        let each = both
            .iter()
            .map(|(a, b)| (a.light / b.light).log2() - predicted);
        Some(each.collect())
    })
}

/// Ranks a shot by the differences of the others from it, place by place, with the standard uncertainty that the places share.
fn stand(
    (shots, shot): (&[Shot], &Shot),
    shared: f64,
    difference: impl Fn(&Shot) -> Option<Vec<f64>>,
) -> Option<ShotStanding> {
    let mut out = ShotStanding::default();
    let mut above = 0;
    for other in shots.iter().filter(|s| !std::ptr::eq(*s, shot)) {
        let found = mean(&difference(other)?, shared);
        match found.and_then(|d| Some((d.low95?, d.high95?))) {
            Some((low, _)) if low > 0.0 => above += 1,
            Some((_, high)) if high < 0.0 => {}
            Some(_) => out.tied.push(other.camera.clone()),
            None => out.undecided.push(Undecided {
                bracket: other.camera.clone(),
                reason: NotRanked::TooFewPlaces,
            }),
        }
    }
    out.rank = out.undecided.is_empty().then_some(above + 1);
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, Normal};
    use stopspan_core::units::{ExposureTime, FNumber, IsoSpeed};

    /// A camera whose light, SNR and chroma differ from the subject's by known factors, with a little scatter per place.
    fn shot(name: &str, seed: u64, (light, snr, chroma): (f64, f64, f64)) -> Shot {
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(seed);
        let scatter = Normal::new(0.0, 0.02).unwrap();
        Shot {
            camera: name.into(),
            file: format!("{name}.jpg"),
            settings: ExposureSettings {
                time: Some(ExposureTime(0.25)),
                aperture: Some(FNumber(2.8)),
                speed: Some(IsoSpeed(6400.0)),
            },
            places: (1..=12)
                .map(|number| {
                    let mut off = || f64::exp2(scatter.sample(&mut random));
                    let own = f64::exp2(-0.5 * number as f64);
                    Place {
                        number,
                        light: 0.8 * own * light * off(),
                        snr: 60.0 * own.sqrt() * snr * off(),
                        chroma: Some((chroma * off()).abs()),
                    }
                })
                .collect(),
        }
    }

    #[test]
    fn known_differences_come_back_and_ranks_follow_them() {
        let mut dark = shot("B", 2, (0.5, 1.0, 1.0));
        dark.settings.speed = Some(IsoSpeed(3200.0));
        let shots = [
            shot("A", 1, (1.0, 1.0, 2.0)),
            dark,
            shot("C", 3, (1.0, 1.5, 6.0)),
        ];
        let found = compare_shots(&shots, SamePlaces::Wedge).unwrap();
        assert!(!found.equal_settings && found.shots.len() == 3);
        let [a, b, c] = &found.shots[..] else {
            panic!("{found:?}");
        };
        let light = b.light_stops.unwrap();
        assert!((light.value + 1.0).abs() < 0.03, "{light:?}");
        assert!(light.low95.unwrap() < -1.0 + 0.03 && light.high95.unwrap() > -1.0 - 0.03);
        assert_eq!(b.expected_stops, Some(-1.0));
        let rank = |s: &Option<ShotStanding>| s.as_ref().unwrap().rank;
        assert_eq!(
            [a, b, c].map(|s| rank(&s.brightest)),
            [Some(1), Some(3), Some(1)]
        );
        assert_eq!(a.brightest.as_ref().unwrap().tied, ["C"]);
        // Half the speed explains half the light: by the settings no camera is brighter than another.
        assert_eq!([a, b, c].map(|s| rank(&s.above_settings)), [Some(1); 3]);
        let snr = c.snr_stops.unwrap().value;
        assert!((snr - 1.5f64.log2()).abs() < 0.03, "{snr}");
        assert_eq!(
            [a, b, c].map(|s| rank(&s.cleanest)),
            [Some(2), Some(2), Some(1)]
        );
        assert_eq!(
            [a, b, c].map(|s| rank(&s.most_neutral)),
            [Some(2), Some(1), Some(3)]
        );
    }

    /// Of cameras that are alike but for what their lenses lose, 95 of 100 pairs are a tie.
    #[test]
    fn alike_cameras_tie_as_often_as_the_interval_says() {
        let tied = (0..400).filter(|i| {
            let lens = |seed: u64| {
                let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(9000 + seed);
                f64::exp2(Normal::new(0.0, SHARED).unwrap().sample(&mut random))
            };
            let shots = [
                shot("A", 2 * i + 1, (lens(2 * i + 1), 1.0, 1.0)),
                shot("B", 2 * i + 2, (lens(2 * i + 2), 1.0, 1.0)),
            ];
            let found = compare_shots(&shots, SamePlaces::Wedge).unwrap();
            found.shots[0].brightest.as_ref().unwrap().tied.len() == 1
        });
        // Binomial, n = 400, p = 0.95: 366 to 393 within three deviations.
        let tied = tied.count();
        assert!((367..=393).contains(&tied), "{tied} of 400");
    }

    #[test]
    fn shots_that_share_too_little_are_not_ranked() {
        let (mut one, mut other) = (shot("A", 1, (1.0, 1.0, 1.0)), shot("B", 2, (0.5, 1.0, 1.0)));
        one.places.truncate(7);
        other.places.drain(..5);
        assert!(compare_shots(&[one.clone(), other.clone()], SamePlaces::Wedge).is_none());
        let third = shot("C", 3, (2.0, 1.0, 1.0));
        let found = compare_shots(&[one, other, third], SamePlaces::Wedge).unwrap();
        let brightest = found.shots[0].brightest.as_ref().unwrap();
        assert_eq!(brightest.rank, None);
        assert_eq!(brightest.undecided[0].reason, NotRanked::TooFewPlaces);
    }
}
