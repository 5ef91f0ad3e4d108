//! What a raw file knows of its samples: where light begins and ends, colour filters, the camera's colours, its noise.
use crate::raster::Mosaic;

/// A raw picture's knowledge of itself. Samples are linear in light between `black` and `white`, and keep their black
/// offset, so that noise below it survives.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Raw {
    /// Colour filters of a picture of one channel, upright; `None` where every pixel has all channels, or has no filter.
    pub mosaic: Option<Mosaic>,
    /// Level of no light, fraction of full scale: one a plane of the mosaic (red, green, green, blue), else one a channel.
    pub black: Vec<f64>,
    /// Level at which the file says samples saturate, same order and unit.
    pub white: Vec<f64>,
    /// One code of the file, fraction of full scale.
    pub code: f64,
    /// How the camera sees colour.
    pub colour: CameraColour,
    /// NoiseProfile: (S, O), one pair a colour: variance `S x + O` of a sample `x` that is 0 at black and 1 at white.
    pub noise_profile: Vec<(f64, f64)>,
    /// BaselineExposure, stops: how much brighter a finished picture is meant to look.
    pub baseline_exposure: Option<f64>,
    /// True if black and white were held against pixels already.
    pub settled: bool,
    /// Corrections the file asks for and that are not carried out, by name.
    pub corrections: Vec<String>,
}

impl Raw {
    /// White balance: what red, green and blue are multiplied by to make a neutral thing equal in all, green by 1; one a
    /// plane or channel. All 1 where the file does not say what neutral is.
    pub fn gains(&self) -> Vec<f64> {
        let [red, green, blue] = self.colour.neutral.unwrap_or([1.0; 3]);
        match self.black.len() {
            4 => vec![green / red, 1.0, 1.0, green / blue],
            3 => vec![green / red, 1.0, green / blue],
            n => vec![1.0; n],
        }
    }
}

/// Colour tags of the DNG specification as the file states them; [`stopspan_frames::colour`] makes a matrix of them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CameraColour {
    /// AsShotNeutral: what a neutral thing gives in red, green, blue.
    pub neutral: Option<[f64; 3]>,
    /// AsShotWhiteXY: chromaticity of the light, CIE 1931 x, y.
    pub white: Option<[f64; 2]>,
    /// AnalogBalance, red, green, blue.
    pub balance: Option<[f64; 3]>,
    /// One set of matrices an illuminant, at most two, in the file's order.
    pub calibrations: Vec<ColourCalibration>,
}

/// Matrices for one illuminant, row by row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourCalibration {
    /// CalibrationIlluminant, a LightSource of EXIF.
    pub illuminant: u64,
    /// ColorMatrix: CIE XYZ to the camera's red, green, blue.
    pub from_xyz: [f64; 9],
    /// CameraCalibration: from the model's colours to this very camera's.
    pub calibration: Option<[f64; 9]>,
    /// ForwardMatrix: white-balanced camera colours to CIE XYZ under D50.
    pub forward: Option<[f64; 9]>,
}
