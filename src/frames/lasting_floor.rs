//! A floor above code 0: codes that do not fall when the exposure does.
//!
//! In frames of one scene corresponding levels have the same share of pixels below them, whatever the response (Grossberg and
//! Nayar 2003). From one frame to the next darker one a level of light falls by a share of itself that changes little over the
//! levels, and grows towards black where a curve has a linear toe. Levels at the dark end that fall by much less are not
//! light: the offset of a scanner or of lifted blacks, or the mean of noise that is cut off at code 0.
use super::clipping::Counts;

/// Ranks at which two frames are compared.
const RANKS: usize = 500;
/// Least step between two frames that are compared, stops.
const LEAST_STEP: f64 = 0.3;
/// Levels at which the usual fall is measured, 8-bit codes.
const MIDDLE: std::ops::RangeInclusive<f64> = 32.0..=160.0;
/// Levels below this are not compared: rounding hides how they fall. 8-bit codes.
const LOWEST: f64 = 3.0;
/// Highest floor, 8-bit codes (the offset of lifted blacks and scans; judgement).
const HIGHEST: f64 = 40.0;
/// Lowest floor: the margin of two codes that every frame has above its floor covers less, 8-bit codes.
const LEAST: f64 = 4.0;
/// Share of the usual fall below which a level belongs to the floor (judgement).
const SHARE: f64 = 0.35;

/// Levels of equal rank in two frames, 8-bit codes.
#[derive(Clone, Copy)]
struct Level {
    brighter: f64,
    /// Fall to the darker frame, as a share of the level, per stop of exposure.
    fall: f64,
}

/// The floor of one channel, a fraction of full scale; `None` without one. `frames` are the histograms of the frames, and
/// `stops` their stated exposures, log2, increasing.
pub(super) fn find(frames: &[&Counts], stops: &[f64]) -> Option<f64> {
    let ranked: Vec<Vec<f64>> = frames.iter().map(|f| ranks(f)).collect();
    let pairs: Vec<Vec<Level>> = (1..ranked.len())
        .filter(|&j| stops[j] - stops[j - 1] >= LEAST_STEP)
        .map(|j| levels(&ranked[j - 1], &ranked[j], stops[j] - stops[j - 1]))
        .collect();
    let middle = |levels: &[Level], share: f64| -> Option<f64> {
        let middle = levels.iter().filter(|l| MIDDLE.contains(&l.brighter));
        quantile(middle.map(|l| l.fall).collect(), share)
    };
    // Of frames whose exposures are equal nothing falls: they are no evidence, and do not count for what is usual.
    let usual = middle(&pairs.concat(), 0.75)?;
    let floors = pairs
        .iter()
        .filter(|pair| middle(pair, 0.5).is_none_or(|fall| fall > SHARE * usual))
        .filter_map(|pair| floor(pair, usual));
    floors.reduce(f64::max).map(|codes| codes / 255.0)
}

/// A quantile; `None` of nothing.
fn quantile(mut values: Vec<f64>, share: f64) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let last = values.len().checked_sub(1)?;
    values.get((share * last as f64).round() as usize).copied()
}

/// The highest of the levels from the darkest up that do not fall. `None` if there is none, or if the lighter levels of the
/// pair do not fall either: then its exposures are equal.
fn floor(pair: &[Level], usual: f64) -> Option<f64> {
    let lasting = pair.iter().take_while(|l| l.fall < SHARE * usual).count();
    let (floor, above) = pair.split_at(lasting);
    let falls = above.iter().filter(|l| l.fall >= SHARE * usual).count();
    let top = floor.last()?.brighter;
    (2 * falls > above.len() && !above.is_empty() && (LEAST..=HIGHEST).contains(&top))
        .then_some(top)
}

/// Levels of equal rank of two frames, from the darkest up, where neither frame clips.
fn levels(darker: &[f64], brighter: &[f64], step: f64) -> Vec<Level> {
    let both = darker.iter().zip(brighter);
    both.filter(|&(_, &brighter)| (LOWEST..250.0).contains(&brighter))
        .map(|(&darker, &brighter)| Level {
            brighter,
            fall: (brighter - darker) / (brighter * step),
        })
        .collect()
}

/// Levels at equally spaced ranks, interpolated within a code, 8-bit codes.
fn ranks(counts: &Counts) -> Vec<f64> {
    let unit = 255.0 / (counts.codes.len().max(2) - 1) as f64;
    let total: f64 = counts.codes.iter().map(|c| f64::from(*c)).sum();
    let mut out = Vec::with_capacity(RANKS);
    let mut below = 0.0;
    for (code, &count) in counts.codes.iter().enumerate() {
        let count = f64::from(count);
        while out.len() + 1 < RANKS
            && (out.len() + 1) as f64 * total <= (below + count) * RANKS as f64
        {
            let within = ((out.len() + 1) as f64 * total / RANKS as f64 - below) / count.max(1.0);
            out.push((code as f64 - 0.5 + within).max(0.0) * unit);
        }
        below += count;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Histograms of frames at these exposures of 200 000 pixels of light over twelve stops: `encode` gives the code.
    fn counts(stops: &[f64], encode: impl Fn(f64, usize) -> f64) -> Vec<Counts> {
        let frame = |stop: &f64| {
            let mut counts = Counts::new(256);
            for i in 0..200_000usize {
                let light = (i as f64 / 200_000.0 * 12.0 - 13.0 + stop).exp2().min(1.0);
                counts.codes[encode(light, i).round().clamp(0.0, 255.0) as usize] += 1;
            }
            counts
        };
        stops.iter().map(frame).collect()
    }

    fn floor_of(stops: &[f64], encode: impl Fn(f64, usize) -> f64) -> Option<f64> {
        let counts = counts(stops, encode);
        let frames: Vec<&Counts> = counts.iter().collect();
        find(&frames, stops).map(|level| level * 255.0)
    }

    const STOPS: [f64; 5] = [-2.0, -1.0, 0.0, 1.0, 2.0];

    /// Pixels of an even spread between -1 and 1 that repeats itself (Weyl's sequence).
    fn jitter(i: usize) -> f64 {
        2.0 * (i as f64 * 0.618_033_988_749_895).fract() - 1.0
    }

    #[test]
    fn curves_that_start_at_black_have_no_floor() {
        for power in [1.0, 1.8, 2.2, 2.6] {
            let floor = floor_of(&STOPS, |light, _| 255.0 * light.powf(1.0 / power));
            assert_eq!(floor, None, "{power}");
        }
        let srgb = |light: f64, _| 255.0 * stopspan_core::units::srgb_level(light);
        assert_eq!(floor_of(&STOPS, srgb), None);
    }

    #[test]
    fn the_offset_of_a_scan_is_a_floor() {
        let scan = |light: f64, i: usize| 15.0 + 240.0 * light.powf(1.0 / 2.2) + jitter(i);
        let floor = floor_of(&[-9.0, -8.0, -7.0, -4.0, -3.0, -2.0, -1.0, 0.0], scan).unwrap();
        assert!((15.0..25.0).contains(&floor), "{floor}");
    }

    #[test]
    fn noise_cut_off_at_black_is_a_floor() {
        let noisy = |light: f64, i: usize| {
            let code = 255.0 * stopspan_core::units::srgb_level(light);
            (code * code + 64.0 * (1.0 + jitter(i)).powi(2)).sqrt()
        };
        let floor = floor_of(&[-9.0, -8.0, -7.0, -4.0, -3.0, -2.0, -1.0, 0.0], noisy).unwrap();
        assert!((8.0..24.0).contains(&floor), "{floor}");
    }

    #[test]
    fn equal_frames_are_no_floor() {
        // The list states a stop where the exposure did not change.
        let stated = [-2.0, -1.0, 0.0, 1.0, 2.0];
        let counts = counts(&[-1.0, 0.0, 0.0, 0.0, 1.0], |light, _| {
            255.0 * light.powf(1.0 / 2.2)
        });
        let frames: Vec<&Counts> = counts.iter().collect();
        assert_eq!(find(&frames, &stated), None);
    }
}
