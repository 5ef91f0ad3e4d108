//! Numbers in, numbers out: robust location and scale, weighted fits, monotone curves, bootstrap.
//!
//! In reading order: [`moments`] (mean and deviation), [`robust`] (the same when some values are wrong), [`fit`] (least
//! squares with its covariance, robust and non-negative), [`isotonic`] (monotone curves), [`bootstrap`] (intervals by
//! resampling), [`autocorrelation`] (how many independent samples a noise field amounts to), [`significance`] (is a
//! difference real).
//!
//! Rules of the room: nothing panics and no NaN leaves. A routine that is given too few values, values that are not
//! finite, or lists whose lengths do not match returns `None`. Slices may be of `f32` or `f64`; arithmetic is in `f64`.
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
