//! Usable range in stops, in reading order: the noise model and what it predicts, the closed form for a known sensor, the
//! fit to the patches, the darkest radiance at an SNR, the interval by resampling, the figures together.
mod closed_form;
mod fit;
mod interval;
mod noise_model;
mod threshold;
mod usable;

pub use closed_form::{closed_form, predicted_gain};
pub use fit::{Observation, fit, observations};
pub use interval::Resampling;
pub use noise_model::{Capture, NoiseModel};
pub use threshold::darkest;
pub use usable::{RangeSettings, usable_stops, without_wedge};
