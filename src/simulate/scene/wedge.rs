//! A transmission step wedge on a light panel behind a black card, drawn in the picture plane.
use super::noise::fractal;
use super::room::Colour;
use serde::{Deserialize, Serialize};
use stopspan_core::Error;
use stopspan_core::raster::{Point, Quad};

/// A wedge of one row, lightest step on the left. Lengths are shares of the picture's width.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct WedgePlan {
    /// Number of steps, 2..=64.
    pub steps: usize,
    /// Density of the lightest step.
    pub first_density: f64,
    /// Density between neighbours, 0.01..=1.
    pub density_step: f64,
    /// Radiance of the panel behind density 0; 1 just saturates the nominal frame.
    pub panel: f64,
    /// Radiance of the black card.
    pub card: f64,
    /// Centre of the wedge: share of the width, share of the height.
    pub centre: (f64, f64),
    /// Length of the wedge.
    pub length: f64,
    /// Height of the steps.
    pub height: f64,
    /// Width of the card around the wedge.
    pub border: f64,
    /// Clockwise rotation, degrees, -10..=10.
    pub turn: f64,
}

impl Default for WedgePlan {
    fn default() -> Self {
        WedgePlan {
            steps: 21,
            first_density: 0.05,
            density_step: 0.15,
            panel: 1.46,
            card: 0.012,
            centre: (0.5, 0.865),
            length: 0.84,
            height: 0.07,
            border: 0.025,
            turn: 0.7,
        }
    }
}

impl WedgePlan {
    /// Density of each step, lightest first.
    pub fn densities(&self) -> Vec<f64> {
        (0..self.steps)
            .map(|i| self.first_density + self.density_step * i as f64)
            .collect()
    }

    /// Radiance of step `index` (0 = lightest).
    pub fn radiance(&self, index: usize) -> f64 {
        let density = self.first_density + self.density_step * index as f64;
        self.panel * libm::pow(10.0, -density)
    }

    /// Outer corners in pixels of a picture of the given size: top-left, top-right, bottom-right, bottom-left.
    pub fn corners(&self, rows: usize, columns: usize) -> Quad {
        self.part(rows, columns, 0.0, 1.0)
    }

    /// Corners of step `index` in pixels.
    pub fn patch(&self, rows: usize, columns: usize, index: usize) -> Quad {
        let steps = self.steps as f64;
        self.part(
            rows,
            columns,
            index as f64 / steps,
            (index + 1) as f64 / steps,
        )
    }

    fn part(&self, rows: usize, columns: usize, from: f64, to: f64) -> Quad {
        let width = columns as f64;
        let (sine, cosine) = libm::sincos(self.turn.to_radians());
        let place = |share: f64, side: f64| {
            let (a, b) = (
                (share - 0.5) * self.length * width,
                side * self.height * width / 2.0,
            );
            Point {
                x: self.centre.0 * width + cosine * a - sine * b,
                y: self.centre.1 * rows as f64 + sine * a + cosine * b,
            }
        };
        [
            place(from, -1.0),
            place(to, -1.0),
            place(to, 1.0),
            place(from, 1.0),
        ]
    }

    /// Radiance at (x, y), both in shares of the width, of a picture `aspect` wide and 1 high; `None` outside the card.
    pub fn paint(&self, x: f64, y: f64, aspect: f64) -> Option<Colour> {
        let (sine, cosine) = libm::sincos(self.turn.to_radians());
        let (dx, dy) = (x - self.centre.0, y - self.centre.1 / aspect);
        let (a, b) = (cosine * dx + sine * dy, cosine * dy - sine * dx);
        let (half_a, half_b) = (self.length / 2.0, self.height / 2.0);
        let (out_a, out_b) = (a.abs() - half_a, b.abs() - half_b);
        if out_a.max(out_b) > self.border {
            return None;
        }
        if out_a < 0.0 && out_b < 0.0 {
            let share = (a + half_a) / self.length * self.steps as f64;
            let index = (share as usize).min(self.steps.saturating_sub(1));
            return Some([self.radiance(index); 3]);
        }
        // Card: a thin lit edge above and left, otherwise black paper.
        let edge = out_a.max(out_b) > self.border - 0.0015;
        let lit = if edge && (b < 0.0 || a < -half_a) {
            3.0
        } else {
            1.0
        };
        let paper = 1.0 + 0.10 * fractal(x * 260.0, y * 260.0, 3, 83) + 0.12 * (0.5 - x);
        Some([
            self.card * lit * paper * 1.02,
            self.card * lit * paper,
            self.card * lit * paper * 0.96,
        ])
    }

    /// Checks the numbers against the ranges stated on the fields.
    ///
    /// # Errors
    /// [`Error::Scenario`] for a number out of range.
    pub fn check(&self) -> Result<(), Error> {
        let ranges = [
            ("steps", self.steps as f64, 2.0, 64.0),
            ("first_density", self.first_density, 0.0, 5.0),
            ("density_step", self.density_step, 0.01, 1.0),
            ("panel", self.panel, 1e-6, 1e6),
            ("card", self.card, 0.0, 1e6),
            ("centre[0]", self.centre.0, 0.0, 1.0),
            ("centre[1]", self.centre.1, 0.0, 1.0),
            ("length", self.length, 0.05, 1.0),
            ("height", self.height, 0.005, 1.0),
            ("border", self.border, 0.0, 0.5),
            ("turn", self.turn, -10.0, 10.0),
        ];
        for (field, value, low, high) in ranges {
            if !(low..=high).contains(&value) {
                let problem = format!("{value} is not within {low}..={high}");
                return Err(Error::scenario(format!("scene.wedge.{field}"), problem));
            }
        }
        Ok(())
    }
}
