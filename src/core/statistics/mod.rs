//! Statistics: robust location and scale, weighted fits, monotone curves, bootstrap, tests of significance.
//!
//! In reading order: [`moments`] (mean and deviation), [`robust`] (their counterparts in the presence of outliers),
//! [`fit`] (least squares with covariance, robust and non-negative), [`isotonic`] (monotone curves), [`bootstrap`]
//! (confidence intervals by resampling), [`autocorrelation`] (effective sample size of correlated noise),
//! [`significance`] (tests).
//!
//! Conventions: nothing panics and no result is NaN. A routine given too few values, values that are not finite, or
//! lists of different lengths returns `None`. Slices may be of `f32` or `f64`; arithmetic is in `f64`.
pub mod autocorrelation;
pub mod bootstrap;
pub mod fit;
pub mod isotonic;
pub mod moments;
pub mod robust;
pub mod significance;

/// The values as `f64`, or `None` if there are none or one is not finite.
fn finite<T: Copy + Into<f64>>(values: &[T]) -> Option<Vec<f64>> {
    let values: Vec<f64> = values.iter().map(|&v| v.into()).collect();
    (!values.is_empty() && values.iter().all(|v| v.is_finite())).then_some(values)
}
