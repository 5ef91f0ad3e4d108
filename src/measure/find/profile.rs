//! Profile of the light across a side of a patch, and the positions where it changes.

/// Smallest change, stops.
const LEAST_CONTRAST: f64 = 0.06;
/// Smallest change in standard errors of the profile, and relative to the usual changes in it.
const SIGMAS: f64 = 4.0;
const USUAL: f64 = 2.5;
/// Number of samples to either side whose difference is a change.
const ARM: usize = 2;
/// Maximum number of changes returned.
const MOST: usize = 4;

/// log2 of the mean over parallel lines, sample by sample from inside the patch outwards, with its standard error in stops.
pub(super) struct Profile {
    log: Vec<f64>,
    error: Vec<f64>,
    independent: f64,
}

impl Profile {
    /// A profile of `samples` samples, each a mean of lines of which `independent` are independent.
    pub fn new(samples: usize, independent: f64) -> Self {
        Profile {
            independent: independent.max(1.0),
            log: Vec::with_capacity(samples),
            error: Vec::with_capacity(samples),
        }
    }

    /// Adds the next sample from its values on all lines; `None` if one of them lies outside the picture.
    pub fn push(&mut self, lines: impl Iterator<Item = Option<f64>>) -> Option<()> {
        let (mut n, mut sum, mut squares) = (0.0, 0.0, 0.0);
        for value in lines {
            let value = value?;
            n += 1.0;
            sum += value;
            squares += value * value;
        }
        let mean: f64 = sum / n;
        let variance = (squares / n - mean * mean).max(0.0);
        self.log.push(mean.max(1e-12).log2());
        self.error
            .push((variance / self.independent).sqrt() / mean.max(1e-12) / std::f64::consts::LN_2);
        Some(())
    }

    /// Positions of the significant changes, in samples to a fraction, the innermost first.
    pub fn changes(&self) -> Vec<f64> {
        if self.log.len() < 2 * ARM + 3 {
            return Vec::new();
        }
        let slope: Vec<f64> = (ARM..self.log.len() - ARM)
            .map(|i| (self.log[i + ARM] - self.log[i - ARM]).abs())
            .collect();
        let mut sorted = slope.clone();
        sorted.sort_by(f64::total_cmp);
        let least = LEAST_CONTRAST.max(USUAL * sorted[sorted.len() / 4]);
        let stands_out = |&i: &usize| {
            let near = &slope[i.saturating_sub(ARM + 1)..(i + ARM + 2).min(slope.len())];
            let highest = near.iter().all(|s| *s <= slope[i]);
            highest && slope[i] >= least.max(SIGMAS * self.error_of(i))
        };
        // A change at the very end is incomplete.
        (1..slope.len() - 1)
            .filter(stands_out)
            .take(MOST)
            .map(|i| centroid(&slope, i) + ARM as f64)
            .collect()
    }

    /// Standard error of the change at index `i` of the slope, from the samples just outside those it is made of.
    fn error_of(&self, i: usize) -> f64 {
        let (before, after) = (
            i.saturating_sub(1),
            (i + 2 * ARM + 1).min(self.log.len() - 1),
        );
        self.error[before].hypot(self.error[after])
    }
}

/// Centroid of the slope about a peak.
fn centroid(slope: &[f64], peak: usize) -> f64 {
    let reach = peak.min(slope.len() - 1 - peak).min(4);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (i, s) in slope
        .iter()
        .enumerate()
        .skip(peak - reach)
        .take(2 * reach + 1)
    {
        let w = (s - 0.3 * slope[peak]).max(0.0);
        sum += w * i as f64;
        weight += w;
    }
    sum / weight
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Light 1 inside, then a card, then surroundings, each on 30 samples, blurred over four.
    fn profile(card: f64, beyond: f64) -> Profile {
        let light = |x: f64| {
            let ramp = |at: f64| ((x - at) / 4.0 + 0.5).clamp(0.0, 1.0);
            1.0 + (card - 1.0) * ramp(30.0) + (beyond - card) * ramp(60.0)
        };
        let mut profile = Profile::new(90, 15.0);
        for x in 0..90 {
            profile
                .push((0..15).map(|_| Some(light(f64::from(x)))))
                .unwrap();
        }
        profile
    }

    #[test]
    fn the_patch_s_own_side_comes_first_and_the_card_s_edge_after_it() {
        let seen = profile(0.8, 8.0).changes();
        assert_eq!(seen.len(), 2, "{seen:?}");
        assert!(
            (seen[0] - 30.0).abs() < 0.3 && (seen[1] - 60.0).abs() < 1.0,
            "{seen:?}"
        );
        let same = profile(1.0, 8.0).changes();
        assert_eq!(same.len(), 1, "{same:?}");
        assert!(profile(1.0, 1.0).changes().is_empty());
    }

    #[test]
    fn noise_alone_is_no_change() {
        use rand::{Rng, SeedableRng};
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let mut seen = 0;
        for _ in 0..50 {
            let mut profile = Profile::new(60, 40.0);
            for _ in 0..60 {
                let mut noise = || Some(1.0 + 1.5 * (rng.random::<f64>() - 0.5));
                profile.push((0..40).map(|_| noise())).unwrap();
            }
            seen += profile.changes().len();
        }
        // Four deviations two-sided are 6e-5; 50 x 56 places, not independent.
        assert!(seen <= 3, "{seen}");
    }
}
