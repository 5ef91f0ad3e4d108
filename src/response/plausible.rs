//! Compares the steepness of a fitted curve with that of known curves.
//!
//! Pixels do not determine the exponent of a curve, which comes from the stated exposures (Grossberg and Nayar 2003). What the
//! exposures make of it can be held against the curves that cameras, film and standards have: if the stated span is twice the
//! true one, so are the stops between any two codes. The known curves are those of `gamma_basis`; between a quarter and three
//! quarters of full scale they have 2.55 stops, with a standard deviation of 0.69. The mean of the 201 measured curves of
//! Grossberg and Nayar (2004) has 2.44 there; a test holds it against the known curves.
use super::gamma_basis;
use super::smooth_table::TableFit;
use stopspan_core::units::Estimate;

/// Codes above the floor between which curves are compared, where they are supported.
const COMPARED: (f64, f64) = (64.0, 192.0);
/// Least distance of these codes.
const APART: f64 = 40.0;
/// Share of the mean of known curves below which a fit explains nothing.
const NOTHING: f64 = 0.2;
/// Standard deviations of known curves beyond their mean at which a span is not believed.
const BEYOND: f64 = 3.0;

/// Stops between two codes, by the fit and by known curves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Steepness {
    /// The codes.
    pub codes: (f64, f64),
    /// By the fit, stops.
    pub fitted: f64,
    /// Mean of known curves and their standard deviation, stops.
    pub known: Estimate,
}

impl Steepness {
    /// That of a fit; `None` if it is supported over too few codes.
    pub(super) fn of(fit: &TableFit) -> Option<Steepness> {
        let low = COMPARED.0.max(fit.supported.0).ceil();
        let high = COMPARED.1.min(fit.supported.1).floor();
        let fitted = fit.log2_exposure[high as usize] - fit.log2_exposure[low as usize];
        (high - low >= APART).then(|| Steepness {
            codes: (low, high),
            fitted,
            known: gamma_basis::usual().stops_between(low as usize, high as usize),
        })
    }

    /// True if the fit makes nearly all codes alike, so that it explains nothing.
    pub(super) fn explains_nothing(&self) -> bool {
        // Written so that a fit that is not a number explains nothing.
        let some = self.fitted >= NOTHING * self.known.value;
        !some
    }

    /// True if the fit is steeper than any known curve, so that the exposures must be further apart than they were.
    pub(super) fn beyond_known(&self) -> bool {
        self.fitted > self.most()
    }

    /// Most stops that are believed.
    pub(super) fn most(&self) -> f64 {
        self.known.value + BEYOND * self.known.standard_uncertainty
    }
}

/// The least steep of these fits, relative to known curves; `None` if none is supported over enough codes.
pub(super) fn least(fits: &[TableFit]) -> Option<Steepness> {
    ordered(fits).next()
}

/// The middle one of these fits by steepness relative to known curves: a cast makes one channel steeper, a false span all.
pub(super) fn middle(fits: &[TableFit]) -> Option<Steepness> {
    let all: Vec<Steepness> = ordered(fits).collect();
    all.get(all.len() / 2).copied()
}

/// By steepness relative to known curves, the least first.
fn ordered(fits: &[TableFit]) -> impl Iterator<Item = Steepness> {
    let mut all: Vec<Steepness> = fits.iter().filter_map(Steepness::of).collect();
    all.sort_by(|a, b| (a.fitted / a.known.value).total_cmp(&(b.fitted / b.known.value)));
    all.into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::blocks::BlockSamples;
    use crate::smooth_table;

    /// The mean of the measured curves of Grossberg and Nayar (2004): levels at equally spaced exposures.
    fn published() -> Vec<f64> {
        let table = include_str!("../../tests/published/measured_curves_mean.csv");
        let level = |row: &str| row.split(',').nth(1).unwrap().parse().unwrap();
        let levels: Vec<f64> = table.lines().skip(1).map(level).collect();
        assert_eq!(levels.len(), 1024);
        levels
    }

    /// log2 exposure of a code by that curve.
    fn log2_exposure(levels: &[f64], code: usize) -> f64 {
        let level = code as f64 / 255.0;
        let upper = levels.partition_point(|&l| l < level).max(1);
        let (a, b) = (levels[upper - 1], levels[upper]);
        ((upper as f64 - 1.0 + (level - a) / (b - a)) / 1023.0).log2()
    }

    #[test]
    fn the_mean_of_measured_curves_is_an_ordinary_known_curve() {
        let levels = published();
        for (low, high) in [(64, 192), (48, 208), (32, 240), (16, 240)] {
            let measured = log2_exposure(&levels, high) - log2_exposure(&levels, low);
            let known = gamma_basis::usual().stops_between(low, high);
            let off = (measured - known.value) / known.standard_uncertainty;
            assert!(off.abs() < 0.3, "{low} {high}: {measured} {known:?}");
        }
    }

    /// Blocks of light over seven stops through the published curve, in frames two stops apart.
    fn fit(stated: &[f64]) -> TableFit {
        let levels = published();
        let mut samples = BlockSamples {
            frames: 3,
            pixels: 64,
            ..Default::default()
        };
        for i in 0..2000 {
            for stop in [-2.0, 0.0, 2.0] {
                let light = (f64::from(i) / 2000.0 * 7.0 - 6.0 + stop).exp2().min(1.0);
                let at = light * 1023.0;
                let (node, t) = ((at as usize).min(1022), at.fract());
                let code = 255.0 * (levels[node] + t * (levels[node + 1] - levels[node]));
                samples.mean.push(code as f32);
                samples.peak.push(code.ceil() as f32);
                samples.variance.push(1.0);
            }
        }
        smooth_table::fit(&samples, stated, &[true, false, true], None).unwrap()
    }

    #[test]
    fn the_mean_of_measured_curves_is_recovered_and_believed() {
        let (fit, levels) = (fit(&[-2.0, 0.0, 2.0]), published());
        let off = |code: usize| {
            fit.log2_exposure[code] - log2_exposure(&levels, code) + log2_exposure(&levels, 128)
        };
        let worst = (20..=240).map(|c| off(c).abs()).fold(0.0, f64::max);
        assert!(worst < 0.03, "{worst}");
        let steepness = Steepness::of(&fit).unwrap();
        assert!(
            !steepness.beyond_known() && !steepness.explains_nothing(),
            "{steepness:?}"
        );
    }

    #[test]
    fn twice_the_span_is_beyond_known_curves() {
        let steepness = Steepness::of(&fit(&[-4.0, 0.0, 4.0])).unwrap();
        assert!(steepness.beyond_known(), "{steepness:?}");
    }

    #[test]
    fn a_grey_answer_explains_nothing() {
        let mut flat = fit(&[-2.0, 0.0, 2.0]);
        flat.log2_exposure.iter_mut().for_each(|g| *g *= 0.001);
        assert!(Steepness::of(&flat).unwrap().explains_nothing());
    }
}
