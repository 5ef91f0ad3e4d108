//! What a raw file states of its samples: black and white levels, colour filters, the camera's colours, noise.
use crate::raster::Mosaic;

/// Meaning of raw samples. They are linear in light between `black` and `white` and keep their black offset, so that
/// noise below black is preserved.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Raw {
    /// Colour filter mosaic of a picture of one channel, upright; `None` if every pixel has all channels or there is
    /// no filter.
    pub mosaic: Option<Mosaic>,
    /// Black level, fraction of full scale: one for each plane of the mosaic (red, green, green, blue), else one a
    /// channel.
    pub black: Vec<f64>,
    /// White level (saturation) as the file states it; same order and unit as `black`.
    pub white: Vec<f64>,
    /// Size of one code of the file, fraction of full scale.
    pub code: f64,
    /// Colour calibration of the camera.
    pub colour: CameraColour,
    /// NoiseProfile: pairs (S, O), one for each colour. A sample `x`, 0 at black and 1 at white, has the variance `S
    /// x + O`.
    pub noise_profile: Vec<(f64, f64)>,
    /// BaselineExposure, stops: how much lighter than the raw samples the file asks to be rendered.
    pub baseline_exposure: Option<f64>,
    /// True once black and white levels have been checked against pixels.
    pub settled: bool,
    /// Names of corrections the file asks for that are not applied.
    pub corrections: Vec<String>,
}

impl Raw {
    /// White balance: factors, one a plane or channel, that make the samples of a neutral surface equal; green has 1.
    /// All 1 if the file does not state what neutral is.
    pub fn gains(&self) -> Vec<f64> {
        let [red, green, blue] = self.colour.neutral.unwrap_or([1.0; 3]);
        match self.black.len() {
            4 => vec![green / red, 1.0, 1.0, green / blue],
            3 => vec![green / red, 1.0, green / blue],
            n => vec![1.0; n],
        }
    }
}

/// Colour tags of the DNG specification as the file states them. `stopspan_frames::camera_colour` derives a matrix
/// from them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CameraColour {
    /// AsShotNeutral: red, green, blue samples of a neutral surface.
    pub neutral: Option<[f64; 3]>,
    /// AsShotWhiteXY: chromaticity of the illuminant, CIE 1931 x, y.
    pub white: Option<[f64; 2]>,
    /// AnalogBalance, red, green, blue.
    pub balance: Option<[f64; 3]>,
    /// Matrices for one or two illuminants, in the file's order.
    pub calibrations: Vec<ColourCalibration>,
}

/// Matrices for one illuminant, each row by row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ColourCalibration {
    /// CalibrationIlluminant: a LightSource value of EXIF.
    pub illuminant: u64,
    /// ColorMatrix: CIE XYZ to the camera's red, green, blue.
    pub from_xyz: [f64; 9],
    /// CameraCalibration: from colours of the camera model to those of this individual camera.
    pub calibration: Option<[f64; 9]>,
    /// ForwardMatrix: white-balanced camera colours to CIE XYZ under D50.
    pub forward: Option<[f64; 9]>,
}
