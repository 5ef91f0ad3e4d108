//! How frames are displaced against the reference frame.
use crate::finding::Finding;
use crate::raster::{Point, Transform};
use serde::{Deserialize, Serialize};

/// Residual displacement of one tile after registration.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TileResidual {
    /// Centre of the tile in the reference frame.
    pub at: Point,
    /// Measured minus modelled position in the frame, along columns, pixels.
    pub columns: f64,
    /// The same along rows, pixels.
    pub rows: f64,
    /// Standard uncertainty of the residual from noise, root mean square of both axes, pixels.
    pub standard_uncertainty: f64,
    /// True if the tile took part in the fit; false if something moved in it or it fits badly.
    pub used: bool,
}

/// Registration of one frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Placement {
    /// Motion model chosen; identity for the reference frame and for a frame that could not be registered.
    pub model: MotionModel,
    /// Maps reference-frame pixels to pixels of this frame.
    pub transform: Transform,
    /// False if no motion could be established; the frame must not be merged then.
    pub found: bool,
    /// Shift of the frame's centre along columns and rows, pixels, and rotation, degrees.
    pub movement: (f64, f64, f64),
    /// Standard uncertainty of a pixel's position, root mean square over the frame's corners, pixels.
    pub standard_uncertainty: f64,
    /// Root mean square residual of the tiles used, both axes together, pixels; `None` without tiles.
    pub residual: Option<f64>,
    /// Residuals of all tiles that were matched.
    pub tiles: Vec<TileResidual>,
}

impl Placement {
    /// Registration of a frame without displacement.
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

    /// Registration of a frame for which no motion could be established.
    pub fn lost() -> Self {
        Placement {
            found: false,
            ..Placement::still()
        }
    }
}

/// Registration of the frames of a bracket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Registration {
    /// One a frame, in the bracket's order.
    pub placements: Vec<Placement>,
    /// Displacements and failures.
    pub findings: Vec<Finding>,
}

/// Motion of a frame against the reference frame, from simple to general.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MotionModel {
    /// No motion; pixels are used as they are.
    Identity,
    /// Shift by whole pixels; pixels are used without interpolation.
    WholePixels,
    /// Shift by fractions of a pixel.
    Shift,
    /// Shift and rotation.
    ShiftAndTurn,
    /// Shift, rotation and scale: four parameters.
    Similarity,
    /// Homography: eight parameters.
    Homography,
}

impl MotionModel {
    /// Number of free parameters.
    pub fn parameters(self) -> usize {
        match self {
            MotionModel::Identity => 0,
            MotionModel::WholePixels | MotionModel::Shift => 2,
            MotionModel::ShiftAndTurn => 3,
            MotionModel::Similarity => 4,
            MotionModel::Homography => 8,
        }
    }
}
