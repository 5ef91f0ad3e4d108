//! Location of the wedge in the picture, its grid of patches and their densities.
use crate::raster::Quad;
use serde::{Deserialize, Serialize};

/// Smallest confidence at which a found wedge is used; below it the user should give the corners.
pub const CONFIDENT: f64 = 0.5;

/// Location, grid and densities of the wedge.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WedgePlace {
    /// Outer corners in the reference frame, pixels: top-left, top-right, bottom-right, bottom-left of the wedge as a page.
    pub corners: Quad,
    /// Rows of patches.
    pub rows: usize,
    /// Columns of patches.
    pub columns: usize,
    /// Nominal density of each step in patch order (row by row), if known.
    pub densities: Option<Vec<f64>>,
    /// Standard uncertainty of each density, same order; `None` where not stated.
    pub density_uncertainty: Option<Vec<f64>>,
    /// True if patch order runs from dark to light.
    pub dark_first: bool,
    /// True if every second row runs backwards.
    pub boustrophedon: bool,
    /// Confidence of the automatic search, 0..=1; `None` where the corners were given.
    pub confidence: Option<f64>,
}

impl WedgePlace {
    /// Number of steps: the number of densities given, at most the cells of the grid; all cells without densities.
    pub fn steps(&self) -> usize {
        let cells = self.rows * self.columns;
        self.densities
            .as_ref()
            .map_or(cells, |d| d.len().min(cells))
    }

    /// Position in patch order (row by row, from 0) of step `step` (1 = lightest).
    pub fn position_of(&self, step: usize) -> usize {
        if self.dark_first {
            self.steps() - step
        } else {
            step - 1
        }
    }

    /// Nominal density of step `step` (1 = lightest), if known.
    pub fn density_of(&self, step: usize) -> Option<f64> {
        self.densities
            .as_ref()?
            .get(self.position_of(step))
            .copied()
    }

    /// Standard uncertainty of the density of step `step`, if stated.
    pub fn density_uncertainty_of(&self, step: usize) -> Option<f64> {
        self.density_uncertainty
            .as_ref()?
            .get(self.position_of(step))
            .copied()
    }

    /// Centre of step `step` (1 = lightest) on the wedge as a page: (column, row) relative to its middle, -0.5..=0.5.
    pub fn centre_of(&self, step: usize) -> (f64, f64) {
        let cell = self.unit_cell(self.position_of(step));
        (
            cell.left + cell.width / 2.0 - 0.5,
            cell.top + cell.height / 2.0 - 0.5,
        )
    }

    /// The cell at a position in patch order.
    pub fn unit_cell(&self, position: usize) -> UnitCell {
        let (row, mut column) = (position / self.columns, position % self.columns);
        if self.boustrophedon && row % 2 == 1 {
            column = self.columns - 1 - column;
        }
        let (w, h) = (1.0 / self.columns as f64, 1.0 / self.rows as f64);
        UnitCell {
            left: column as f64 * w,
            top: row as f64 * h,
            width: w,
            height: h,
        }
    }
}

/// One cell of a wedge as a page, in units of the whole wedge: 0..=1 both ways.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct UnitCell {
    /// Left edge.
    pub left: f64,
    /// Upper edge.
    pub top: f64,
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
}
