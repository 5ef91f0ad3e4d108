//! Usable range in stops, in reading order: the noise model and what it predicts, the closed form for a known sensor, the
//! fit to the patches, the darkest radiance at an SNR, the SNR of an area, the noise that block means show, the scale of log radiance, the interval by
//! resampling, the figures together, and what a bracket gains over its best frame.
mod area;
mod block_noise;
mod closed_form;
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
