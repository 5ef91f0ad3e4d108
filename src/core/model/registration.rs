//! How the frames of a bracket lie against its reference frame.
use crate::finding::Finding;
use crate::raster::{Point, Transform};
use serde::{Deserialize, Serialize};

/// What one tile says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TileResidual {
    /// Centre of the tile in the reference frame.
    pub at: Point,
    /// Where it was found in the frame minus where the motion puts it, columns and rows, pixels.
    pub columns: f64,
    /// Rows, see `columns`.
    pub rows: f64,
    /// Standard uncertainty of the two from noise, root mean square, pixels.
    pub standard_uncertainty: f64,
    /// True if the motion was fitted to this tile; false for one that something moved in or that fits badly.
    pub used: bool,
}

/// How one frame lies against the reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// The motion found; identity for the reference itself and for a frame that could not be registered.
    pub model: MotionModel,
    /// Reference pixel -> this frame's pixel.
    pub transform: Transform,
    /// False if no motion could be established; the frame must not be merged.
    pub found: bool,
    /// Shift of the frame's centre in columns and rows (pixels), turn in degrees.
    pub movement: (f64, f64, f64),
    /// Standard uncertainty of a pixel's place, root mean square over the frame's corners, pixels.
    pub standard_uncertainty: f64,
    /// Root mean square of the residuals of the tiles used, both axes together, pixels; `None` without tiles.
    pub residual: Option<f64>,
    /// All tiles that were found.
    pub tiles: Vec<TileResidual>,
}

impl Placement {
    /// A frame that lies as the reference does.
    pub fn still() -> Self {
        Placement {
            model: MotionModel::Identity,
            transform: Transform::IDENTITY,
            found: true,
            movement: (0.0, 0.0, 0.0),
            standard_uncertainty: 0.0,
            residual: None,
            tiles: Vec::new(),
        }
    }

    /// A frame that could not be registered.
    pub fn lost() -> Self {
        Placement {
            found: false,
            ..Placement::still()
        }
    }
}

/// How all frames of a bracket lie against its reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    /// One placement a frame, in the bracket's order.
    pub placements: Vec<Placement>,
    /// Displacements and failures.
    pub findings: Vec<Finding>,
}

/// How a frame moved against the reference, from simple to general.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MotionModel {
    /// Not at all: pixels stay untouched.
    Identity,
    /// By whole pixels: pixels are moved but stay untouched.
    WholePixels,
    /// By a fraction of pixels.
    Shift,
    /// A shift and a turn.
    ShiftAndTurn,
    /// A plane seen from elsewhere: eight parameters.
    Homography,
}

impl MotionModel {
    /// Number of free parameters.
    pub fn parameters(self) -> usize {
        match self {
            MotionModel::Identity => 0,
            MotionModel::WholePixels | MotionModel::Shift => 2,
            MotionModel::ShiftAndTurn => 3,
            MotionModel::Homography => 8,
        }
    }
}
