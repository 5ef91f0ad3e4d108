//! Usable range in stops.
//!
//! In reading order: the noise model (`noise_model`), the closed form for a known sensor (`closed_form`), the fit to the
//! patches (`fit`), what it leaves (`departure`), the darkest radiance at an SNR (`threshold`), the SNR of an area (`area`), noise by block means
//! (`block_noise`), the scale of log radiance (`scale`), intervals by resampling (`interval`, `drawn_curves`), the ranges of one picture
//! (`fitted`, `usable`), and the gain of a bracket over its best frame (`gain`).
mod area;
mod block_noise;
mod closed_form;
mod departure;
mod drawn_curves;
mod fit;
mod fitted;
mod gain;
mod interval;
mod noise_model;
mod scale;
mod threshold;
mod usable;

pub use block_noise::block_noise;
pub use closed_form::{closed_form, predicted_gain};
pub use fit::{Observation, fit, observations};
pub use gain::gains;
pub use interval::Resampling;
pub use noise_model::Capture;
pub use threshold::darkest;
pub use usable::{RangeSettings, usable_stops, without_wedge};
