//! Invented scenes, drawn from formulas at any size: radiance with known truth.
//!
//! In reading order: [`noise`] (texture), [`wedge`] (the step wedge), [`solids`] and [`room`] (rays and light), `bench` and
//! `bench_surfaces` (the potter's workbench), `valley` with `valley_things` (outdoors). A scene is a pure function of
//! position, so any of its rows can be drawn alone, and a moved camera is drawn anew instead of resampled.
mod bench;
mod bench_surfaces;
pub mod noise;
pub mod room;
pub mod solids;
mod valley;
mod valley_things;
pub mod wedge;

use ndarray::{Array3, Axis};
use rayon::prelude::*;
use room::Colour;
use serde::{Deserialize, Serialize};
use stopspan_core::Error;
use wedge::WedgePlan;

/// A scene and its parameters.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "kebab-case", deny_unknown_fields)]
pub enum ScenePlan {
    /// A potter's workbench with a step wedge on a light panel.
    Bench {
        /// The wedge.
        #[serde(default)]
        wedge: WedgePlan,
    },
    /// A valley with terraced fields, a stone hut with an open door, water and a low sun.
    Valley {
        /// Factor on all radiances; 1 saturates the nominal frame.
        #[serde(default = "one")]
        light: f64,
    },
    /// The wedge alone on textured grey.
    Chart {
        /// The wedge.
        #[serde(default)]
        wedge: WedgePlan,
        /// Mean radiance of the grey around it.
        grey: f64,
    },
    /// The same radiance everywhere.
    Flat {
        /// Radiance of red, green, blue.
        radiance: [f64; 3],
    },
}

fn one() -> f64 {
    1.0
}

/// Camera position relative to the reference: a shift in pixels, and a rotation about the picture's centre in degrees.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Pose {
    /// Shift of the content to the right and down, pixels.
    pub shift: (f64, f64),
    /// Clockwise rotation of the content, degrees.
    pub turn: f64,
}

/// A moving object: a matt disc, in pixels of the reference frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Disc {
    /// Centre, pixels.
    pub centre: (f64, f64),
    /// Radius, pixels.
    pub radius: f64,
    /// Radiance of red, green, blue.
    pub radiance: [f64; 3],
}

/// The picture to draw: its size, the rows to draw, and the sampling.
#[derive(Debug, Clone, PartialEq)]
pub struct Canvas {
    /// Rows of the whole picture.
    pub rows: usize,
    /// Columns of the whole picture.
    pub columns: usize,
    /// Rows to draw.
    pub part: std::ops::Range<usize>,
    /// Camera position.
    pub pose: Pose,
    /// Moving disc.
    pub disc: Option<Disc>,
    /// Samples across a pixel, 1..=8; each pixel is the mean of their square.
    pub samples: usize,
}

impl Canvas {
    /// The whole picture from the reference position, 2 x 2 samples per pixel.
    pub fn whole(rows: usize, columns: usize) -> Self {
        Canvas {
            rows,
            columns,
            part: 0..rows,
            pose: Pose::default(),
            disc: None,
            samples: 2,
        }
    }
}

impl ScenePlan {
    /// The wedge in the scene, if there is one.
    pub fn wedge(&self) -> Option<&WedgePlan> {
        match self {
            ScenePlan::Bench { wedge } | ScenePlan::Chart { wedge, .. } => Some(wedge),
            ScenePlan::Valley { .. } | ScenePlan::Flat { .. } => None,
        }
    }

    /// Checks the numbers.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a number out of range, with the name of the field.
    pub fn check(&self) -> Result<(), Error> {
        let light = |value: f64, field: &str| {
            if (0.0..=1e6).contains(&value) {
                Ok(())
            } else {
                Err(Error::scenario(
                    field,
                    format!("{value} is not within 0..=1e6"),
                ))
            }
        };
        match self {
            ScenePlan::Bench { wedge } => wedge.check(),
            ScenePlan::Chart { wedge, grey } => {
                light(*grey, "scene.grey").and_then(|()| wedge.check())
            }
            ScenePlan::Valley { light: factor } => light(*factor, "scene.light"),
            ScenePlan::Flat { radiance } => radiance
                .iter()
                .try_for_each(|&v| light(v, "scene.radiance")),
        }
    }
}

/// Draws a scene: radiance of shape (rows of the part, columns, 3); 1 saturates the nominal frame.
///
/// # Errors
/// [`Error::Scenario`] if a number of the plan or canvas is out of range.
pub fn render(plan: &ScenePlan, canvas: &Canvas) -> Result<Array3<f32>, Error> {
    plan.check()?;
    let fits = canvas.part.start < canvas.part.end && canvas.part.end <= canvas.rows;
    if !fits || canvas.columns == 0 || !(1..=8).contains(&canvas.samples) {
        let problem = format!(
            "rows {:?} of {} x {} pixels at {} samples cannot be drawn",
            canvas.part, canvas.columns, canvas.rows, canvas.samples
        );
        return Err(Error::scenario("size", problem));
    }
    let painter = Painter::new(plan, canvas);
    let mut out = Array3::zeros((canvas.part.len(), canvas.columns, 3));
    out.axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(row, mut line)| {
            for (column, mut pixel) in line.axis_iter_mut(Axis(0)).enumerate() {
                let colour = painter.pixel(row + canvas.part.start, column);
                for (to, from) in pixel.iter_mut().zip(colour) {
                    *to = from as f32;
                }
            }
        });
    Ok(out)
}

struct Painter<'a> {
    plan: &'a ScenePlan,
    canvas: &'a Canvas,
    room: Option<room::Room>,
    aspect: f64,
    turn: (f64, f64),
}

impl<'a> Painter<'a> {
    fn new(plan: &'a ScenePlan, canvas: &'a Canvas) -> Self {
        Painter {
            plan,
            canvas,
            room: matches!(plan, ScenePlan::Bench { .. }).then(bench::room),
            aspect: canvas.columns as f64 / canvas.rows as f64,
            turn: libm::sincos(canvas.pose.turn.to_radians()),
        }
    }

    /// Mean over the pixel's sample points.
    fn pixel(&self, row: usize, column: usize) -> Colour {
        let n = self.canvas.samples;
        let mut sum = [0.0; 3];
        for sample in 0..n * n {
            let x = column as f64 + ((sample % n) as f64 + 0.5) / n as f64;
            let y = row as f64 + ((sample / n) as f64 + 0.5) / n as f64;
            let colour = self.point(x, y, sample);
            for (total, value) in sum.iter_mut().zip(colour) {
                *total += value;
            }
        }
        sum.map(|v| v / (n * n) as f64)
    }

    /// Radiance at a point in pixels of the posed frame.
    fn point(&self, x: f64, y: f64, phase: usize) -> Colour {
        let (cx, cy) = (
            self.canvas.columns as f64 / 2.0,
            self.canvas.rows as f64 / 2.0,
        );
        let pose = &self.canvas.pose;
        let (dx, dy) = (x - pose.shift.0 - cx, y - pose.shift.1 - cy);
        let (sine, cosine) = self.turn;
        let (x, y) = (cx + cosine * dx + sine * dy, cy + cosine * dy - sine * dx);
        if let Some(disc) = &self.canvas.disc
            && (x - disc.centre.0).powi(2) + (y - disc.centre.1).powi(2) < disc.radius * disc.radius
        {
            return disc.radiance;
        }
        let (width, height) = (self.canvas.columns as f64, self.canvas.rows as f64);
        self.scene(x / width, y / height, phase)
    }

    /// Radiance at a point in shares of width and height.
    fn scene(&self, x: f64, y: f64, phase: usize) -> Colour {
        let painted = self
            .plan
            .wedge()
            .and_then(|w| w.paint(x, y / self.aspect, self.aspect));
        if let Some(colour) = painted {
            return colour;
        }
        match (self.plan, &self.room) {
            (ScenePlan::Bench { .. }, Some(room)) => {
                room.radiance(&bench::ray(x * self.aspect, y, self.aspect), phase)
            }
            (ScenePlan::Valley { light }, _) => {
                valley::radiance(x * self.aspect, y, self.aspect).map(|v| v * light)
            }
            (ScenePlan::Chart { grey, .. }, _) => {
                let texture = noise::fractal(x * 20.0, y / self.aspect * 20.0, 5, 3);
                [grey * libm::exp2(texture); 3]
            }
            (ScenePlan::Flat { radiance }, _) => *radiance,
            // A bench always has its room.
            (ScenePlan::Bench { .. }, None) => [0.0; 3],
        }
    }
}
