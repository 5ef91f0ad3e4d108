//! Compares the steepness of a fitted curve with that of known curves.
//!
//! Pixels do not determine the exponent of a curve, which comes from the stated exposures (Grossberg and Nayar 2003). What the
//! exposures make of it can be held against the curves that cameras, film and standards have: if the stated span is twice the
//! true one, so are the stops between any two codes. The known curves are those of `gamma_basis`; between a quarter and three
//! quarters of full scale they have 2.55 stops, with a standard deviation of 0.69. The mean of the 201 measured curves of
//! Grossberg and Nayar (2004) has 2.63 there, which a test holds.
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
