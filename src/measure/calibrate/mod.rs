//! Calibration against known densities: exposure span, veiling glare, evenness of the illumination.
//!
//! In reading order: the light of each step over all frames (`light`), the fall-off of the illumination (`evenness`), the
//! model fitted to both (`model`), glare in closed form (`glare`), the conclusions (`conclude`), and a bracket corrected by
//! them (`by_densities`).
mod by_densities;
mod conclude;
mod evenness;
mod glare;
mod light;
mod model;

pub use by_densities::{CalibrationOutcome, by_densities, corrected};
pub use conclude::{CalibrationSettings, Concluded, calibrate};
pub use evenness::FlatField;
pub use glare::{apparent_density, ceiling_stops, scene_ranges};
pub use light::{StepLight, step_lights};
pub use model::{Fitted, fit_densities};

pub(crate) use by_densities::ranges_under_glare;
