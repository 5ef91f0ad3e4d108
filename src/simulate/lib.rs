//! Sensor and scene simulator with known truth: makes the samples, serves tests and what-if questions.
//!
//! In reading order: [`random`] (draws that are the same everywhere), [`camera_curve`] and [`Sensor`] (the camera as
//! numbers), [`optics`] (light on the sensor), [`capture()`] (one exposure), [`finish`] (in-camera processing),
//! [`scene`] (what stands before the camera), [`Scenario`] (all of it as data), [`expected()`] and [`Truth`] (what must
//! come out), `metadata`, `lossless`, `raw_file` and [`run`] (files).
//!
//! # A scenario as JSON
//!
//! A scenario is one JSON object. `name`, `seed`, `size` (columns, rows), `scene` and `frames` are needed, everything
//! else has a default (see [`Sensor`], [`Camera`], [`FileKind`]); a field that is not known is refused. Radiance is in
//! units of which 1 just saturates a frame of `ev` 0.
//!
//! ```
//! # use stopspan_simulate::Scenario;
//! let text = r#"{
//!   "name": "what-if",
//!   "seed": 1,
//!   "size": [640, 480],
//!   "scene": { "kind": "bench", "wedge": { "steps": 41, "density_step": 0.1 } },
//!   "sensor": { "full_well": 3000, "read_noise": 8, "glare": 0.002, "response": { "name": "srgb" } },
//!   "frames": [ { "name": "under", "ev": -2 }, { "name": "normal", "ev": 0 }, { "name": "over", "ev": 2 } ],
//!   "files": { "kind": "jpeg", "quality": 90, "half_chroma": false }
//! }"#;
//! let scenario: Scenario = serde_json::from_str(text).unwrap();
//! scenario.check().unwrap();
//! ```
//!
//! Scenes: `bench` (with `wedge`), `valley` (with `light`), `chart` (with `wedge` and `grey`), `flat` (with
//! `radiance`). Responses: `srgb`, `gamma`, `contrast`, `shoulder`, `linear`, `table`. A frame may also have `speed`,
//! `aperture`, `exposure_error` (stops that the metadata does not tell), `pose` and `disc` (something that moves).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod camera_curve;
mod capture;
mod expected;
mod files;
pub mod finish;
mod lossless;
mod metadata;
pub mod optics;
pub mod random;
mod raw_file;
mod scenario;
pub mod scene;
mod sensor;
mod truth;

pub use camera_curve::CameraCurve;
pub use capture::{Shot, capture, capture_light, raw_codes};
pub use expected::{Expected, Join, expected};
pub use files::{frame_rows, run, write_scenario};
pub use scenario::{Camera, FileKind, FramePlan, Scenario, ScenarioSource, names};
pub use sensor::{Sensor, Sharpening};
pub use truth::{FrameTruth, Truth, WedgeTruth};
