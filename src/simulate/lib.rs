//! Sensor and scene simulator with known truth, for samples, tests and what-if questions.
//!
//! In reading order: [`random`] (reproducible random numbers), [`camera_curve`] and [`Sensor`] (the camera), [`optics`]
//! (light on the sensor), [`capture()`] (one exposure), [`finish`] and [`Processing`] (in-camera processing), [`scene`] (the scene),
//! [`Scenario`] (all of it as data), [`expected()`] and [`Truth`] (expected results), `metadata`, `lossless`, `raw_file`
//! and [`run`] (files).
//!
//! # A scenario as JSON
//!
//! A scenario is one JSON object. `name`, `seed`, `size` (columns, rows), `scene` and `frames` are required; everything
//! else has a default (see [`Sensor`], [`Camera`], [`FileKind`]). Unknown fields are refused. A radiance of 1 just
//! saturates a frame of `ev` 0.
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
//! Scenes: `bench` (with `wedge`), `valley` (with `light`), `chart` (with `wedge` and `grey`), `flat` (with `radiance`).
//! `sensor.processing` puts a maker's colour matrix, saturation and black between sensor and file (see [`Processing`]).
//! Responses: `srgb`, `gamma`, `contrast`, `shoulder`, `linear`, `table`. A frame may also have `speed`, `aperture`,
//! `exposure_error` (stops, not in the metadata), `pose` and `disc` (a moving object).
#![cfg_attr(test, allow(clippy::unwrap_used, clippy::expect_used))]
pub mod camera_curve;
mod capture;
mod expected;
mod files;
pub mod finish;
mod lossless;
mod metadata;
pub mod optics;
mod processing;
pub mod random;
mod raw_file;
mod scenario;
pub mod scene;
mod sensor;
mod truth;

pub use camera_curve::CameraCurve;
pub use capture::{Shot, capture, capture_light, raw_codes};
pub use expected::{Expected, FrameExposure, Join, expected};
pub use files::{frame_rows, run, write_scenario};
pub use processing::Processing;
pub use scenario::{Camera, FileKind, FramePlan, Scenario, ScenarioSource, names};
pub use sensor::{Sensor, Sharpening};
pub use truth::{FrameTruth, Truth, WedgeTruth};
