//! What known densities say of the exposures, of veiling glare and of the evenness of the light, in reading order: the
//! result, the light of each step over all frames, the fall-off of the light (from a flat field or with the densities), the
//! model fitted to both, glare in closed form, and what is concluded.
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
