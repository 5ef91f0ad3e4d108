//! Truth of a simulated bracket, as written to `truth.json`.
use super::expected::{Expected, FrameExposure, expected};
use super::optics;
use super::scenario::Scenario;
use super::scene::wedge::WedgePlan;
use ndarray::{Array3, s};
use serde::{Deserialize, Serialize};
use stopspan_core::model::main_channel;
use stopspan_core::raster::{Quad, Region};

/// The truth of one bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// The frames, in the scenario's order.
    pub frames: Vec<FrameTruth>,
    /// File of the camera's own HDR picture, if made.
    pub camera_hdr: Option<String>,
    /// Index of the reference frame, which gives the truth its geometry and moment.
    pub reference: usize,
    /// The wedge, if the scene has one.
    pub wedge: Option<WedgeTruth>,
    /// Levels expected in the inverse-variance merge of all frames, assuming perfect registration.
    pub merge: Option<Expected>,
    /// File of the scene's radiance (before the optics), if written.
    pub radiance: Option<String>,
    /// Smallest and largest radiance of the scene's green channel, and the stops between them.
    pub scene_range: (f64, f64, f64),
}

/// The truth of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FrameTruth {
    /// File name.
    pub file: String,
    /// File of the same shot as raw, if written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<String>,
    /// Stated exposure relative to the nominal frame, stops.
    pub stated_ev: f64,
    /// Real exposure relative to the nominal frame, a factor of light.
    pub relative_exposure: f64,
    /// Stated exposure time, seconds.
    pub exposure_time: f64,
    /// Seed of the frame's noise.
    pub seed: u64,
    /// Levels of the wedge expected in this frame by the noise model.
    pub expected: Option<Expected>,
}

/// The truth of the wedge, in pixels of the reference frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WedgeTruth {
    /// Outer corners: top-left, top-right, bottom-right, bottom-left.
    pub corners: Quad,
    /// Rows of steps.
    pub rows: usize,
    /// Columns of steps.
    pub columns: usize,
    /// Density of each step, lightest first.
    pub densities: Vec<f64>,
    /// Mean light on the sensor over the central part of each step (optics included); 1 saturates the nominal frame.
    pub light: Vec<f64>,
    /// Corners of each step.
    pub patches: Vec<Quad>,
}

impl Truth {
    /// The truth of `scenario`; `radiance` is the whole picture of its reference frame.
    pub fn of(scenario: &Scenario, radiance: &Array3<f32>) -> Truth {
        let light = optics::irradiance(radiance, &scenario.sensor);
        let wedge = scenario
            .scene
            .wedge()
            .map(|plan| wedge_truth(plan, scenario, &light));
        let sensors: Vec<_> = (0..scenario.frames.len())
            .map(|i| scenario.sensor_of(i))
            .collect();
        let exposures: Vec<_> = sensors
            .iter()
            .enumerate()
            .map(|(i, sensor)| FrameExposure {
                sensor,
                relative_exposure: scenario.relative_exposure(i),
            })
            .collect();
        let levels = |part: &[FrameExposure]| wedge.as_ref().map(|w| expected(&w.light, part));
        let frames = (0..scenario.frames.len()).map(|i| FrameTruth {
            file: scenario.file_name(&scenario.frames[i].name),
            raw: scenario.raw_name(&scenario.frames[i].name),
            stated_ev: scenario.frames[i].ev,
            relative_exposure: scenario.relative_exposure(i),
            exposure_time: scenario.settings(i).time.map_or(0.0, |t| t.0),
            seed: scenario.seed_of(i),
            expected: levels(&exposures[i..=i]),
        });
        Truth {
            frames: frames.collect(),
            camera_hdr: scenario.camera_hdr.then(|| scenario.file_name("hdr")),
            reference: scenario.reference(),
            merge: levels(&exposures),
            radiance: scenario.truth_map.then(|| "truth.exr".to_owned()),
            scene_range: range(radiance),
            wedge,
        }
    }
}

fn wedge_truth(plan: &WedgePlan, scenario: &Scenario, light: &Array3<f32>) -> WedgeTruth {
    let (columns, rows) = scenario.size;
    let patches: Vec<Quad> = (0..plan.steps)
        .map(|i| plan.patch(rows, columns, i))
        .collect();
    WedgeTruth {
        corners: plan.corners(rows, columns),
        rows: 1,
        columns: plan.steps,
        densities: plan.densities(),
        light: patches
            .iter()
            .map(|quad| middle_mean(quad, light))
            .collect(),
        patches,
    }
}

/// Mean green light of the upright rectangle half as wide and high as the patch, about its centre.
fn middle_mean(quad: &Quad, light: &Array3<f32>) -> f64 {
    let centre =
        |f: fn(&stopspan_core::raster::Point) -> f64| quad.iter().map(f).sum::<f64>() / 4.0;
    let (x, y) = (centre(|p| p.x), centre(|p| p.y));
    let half = quad.map(|p| stopspan_core::raster::Point {
        x: x + (p.x - x) / 2.0,
        y: y + (p.y - y) / 2.0,
    });
    let (rows, columns, channels) = light.dim();
    let Some(region) = Region::around(&half, rows, columns) else {
        return 0.0;
    };
    let part = light.slice(s![region.rows(), region.columns(), main_channel(channels)]);
    part.iter().map(|&v| f64::from(v)).sum::<f64>() / part.len() as f64
}

fn range(radiance: &Array3<f32>) -> (f64, f64, f64) {
    let green = radiance.slice(s![.., .., main_channel(radiance.dim().2)]);
    let low = green.iter().copied().fold(f32::INFINITY, f32::min);
    let high = green.iter().copied().fold(0.0, f32::max);
    let stops = if low > 0.0 {
        libm::log2(f64::from(high / low))
    } else {
        0.0
    };
    (f64::from(low), f64::from(high), stops)
}
