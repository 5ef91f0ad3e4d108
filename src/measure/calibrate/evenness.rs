//! Fall-off of the illumination over the wedge: from a flat field, or fitted with the densities where the layout allows it.
use super::light::StepLight;
use crate::wedge::interior_of;
use std::path::PathBuf;
use stopspan_core::model::ResponseCurve;
use stopspan_core::model::{Homography, contains, main_channel};
use stopspan_core::raster::{Pixels, Point, Region};
use stopspan_core::results::WedgePlace;

/// Largest factor by which fall-off terms may increase the variance of the exponent and still be separable from it.
const SEPARATED: f64 = 4.0;

/// A frame of an even source taken as the bracket was: same size, lens, aperture and focus.
#[derive(Debug, Clone)]
pub struct FlatField {
    /// Its file.
    pub file: PathBuf,
    /// Its pixels, upright.
    pub pixels: Pixels,
}

impl FlatField {
    /// Relative illumination of each step (mean 1 over the steps), lightest first, from means over the patch interiors.
    /// `None` if a patch has a clipped pixel, no light, or fewer than 16 pixels.
    pub fn factors(&self, place: &WedgePlace, curve: &ResponseCurve) -> Option<Vec<f64>> {
        let light: Vec<f64> = (1..=place.steps())
            .map(|step| self.light(place, step, curve))
            .collect::<Option<_>>()?;
        let mean = light.iter().sum::<f64>() / light.len() as f64;
        Some(light.iter().map(|v| v / mean).collect())
    }

    fn light(&self, place: &WedgePlace, step: usize, curve: &ResponseCurve) -> Option<f64> {
        let (rows, columns, channels) = self.pixels.dim();
        let quad = interior_of(place, step, &Homography::identity())?;
        let region = Region::around(&quad, rows, columns)?;
        let channel = main_channel(channels);
        let (mut sum, mut count) = (0.0, 0usize);
        for row in region.rows() {
            for column in region.columns() {
                let centre = Point {
                    x: column as f64 + 0.5,
                    y: row as f64 + 0.5,
                };
                if contains(&quad, centre) {
                    let level = f64::from(self.pixels.level(row, column, channel));
                    if level >= curve.clip_level {
                        return None;
                    }
                    sum += curve.exposure_at(level);
                    count += 1;
                }
            }
        }
        (count >= 16 && sum > 0.0).then(|| sum / count as f64)
    }
}

/// A fall-off term: exponents of column and row.
pub(super) type Term = (i32, i32);

/// Value of a term at a position.
pub(super) fn value((i, j): Term, (x, y): (f64, f64)) -> f64 {
    x.powi(i) * y.powi(j)
}

/// The largest low-order polynomial (without constant) that the layout separates from density: a quadratic, else a plane,
/// else none. Judged by the increase in the variance of a slope in density.
pub(super) fn terms(lights: &[StepLight]) -> Vec<Term> {
    const PLANE: [Term; 2] = [(1, 0), (0, 1)];
    const CURVED: [Term; 5] = [(1, 0), (0, 1), (2, 0), (1, 1), (0, 2)];
    let alone = spread_left(lights, &[]);
    for set in [&CURVED[..], &PLANE[..]] {
        let enough = lights.len() >= set.len() + 6;
        if enough && spread_left(lights, set) * SEPARATED >= alone {
            return set.to_vec();
        }
    }
    Vec::new()
}

/// Residual sum of squares of density after fitting a constant and the terms; the variance of a slope is its inverse.
fn spread_left(lights: &[StepLight], set: &[Term]) -> f64 {
    let columns = set.len() + 1;
    let design = nalgebra::DMatrix::from_fn(lights.len(), columns, |row, column| match column {
        0 => 1.0,
        k => value(set[k - 1], lights[row].place),
    });
    let densities: Vec<f64> = lights.iter().map(|l| l.density).collect();
    let weights = vec![1.0; lights.len()];
    // Linearly dependent columns (a single row has no second direction) separate nothing.
    stopspan_core::statistics::fit::least_squares(&design, &densities, &weights)
        .map_or(0.0, |fit| fit.chi_square)
}
