//! A decoded picture: upright pixels, and metadata as the file states it, unchecked.
use super::{Footprint, ReferenceTones};
use crate::model::Raw;
use crate::raster::Pixels;
use crate::units::Primaries;
use serde::{Deserialize, Serialize};
use std::path::PathBuf;

/// A file format, recognised by content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Format {
    /// JPEG (ITU-T T.81).
    Jpeg,
    /// PNG.
    Png,
    /// TIFF 6.0 or BigTIFF.
    Tiff,
    /// DNG, raw samples.
    Dng,
    /// OpenEXR.
    OpenExr,
    /// Radiance RGBE.
    Rgbe,
}

/// How the samples were compressed, which decides how noise can be measured on them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Compression {
    /// Samples are as the camera wrote them.
    Lossless,
    /// JPEG, with what its luminance quantisation table loses.
    Jpeg {
        /// Bound on the r.m.s. quantisation error, `sqrt(mean(q^2)/12)` over the luminance table, 8-bit codes.
        quantisation_rms: f64,
        /// The luminance table: quantisation steps of the coefficients, codes, by vertical and horizontal frequency.
        luminance_steps: [[u16; 8]; 8],
        /// True if the chroma planes are smaller than the luminance plane.
        chroma_subsampled: bool,
    },
}

/// Limits on what a file may claim, checked before memory is allocated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Limits {
    /// Largest number of pixels (rows x columns).
    pub pixels: u64,
    /// Largest memory that a job may take by its estimate, bytes. No figure depends on it, so it is not recorded. By default there is
    /// no limit; the program sets a share of what the machine has.
    #[serde(skip)]
    pub memory: u64,
    /// Decode damaged files as far as possible instead of refusing them.
    pub accept_damaged: bool,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            pixels: 400_000_000,
            memory: u64::MAX,
            accept_damaged: false,
        }
    }
}

/// A rational number as a tag states it. Keeping numerator and denominator leaves 0/0 recognisable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rational {
    /// Numerator.
    pub numerator: i64,
    /// Denominator; 0 in files whose writer did not know the value.
    pub denominator: i64,
}

impl Rational {
    /// The quotient; not finite if the denominator is zero.
    pub fn value(&self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }
}

/// Metadata of a picture as the file states it, unchecked. Every field may be missing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Header {
    /// Columns after orientation, i.e. upright; 0 if the header does not tell.
    pub columns: usize,
    /// Rows after orientation.
    pub rows: usize,
    /// Memory that the picture takes.
    pub footprint: Footprint,
    /// EXIF orientation 1..=8 as stored. The pixels of a [`Picture`] have it applied already.
    pub orientation: Option<u32>,
    /// ExposureTime (0x829A), seconds.
    pub exposure_time: Option<Rational>,
    /// ShutterSpeedValue (0x9201), APEX.
    pub shutter_speed_value: Option<Rational>,
    /// FNumber (0x829D).
    pub f_number: Option<Rational>,
    /// ApertureValue (0x9202), APEX.
    pub aperture_value: Option<Rational>,
    /// PhotographicSensitivity (0x8827), or the 32-bit tags where that is 65535; ISO speed.
    pub sensitivity: Option<f64>,
    /// ExposureBiasValue (0x9204), EV.
    pub exposure_bias: Option<Rational>,
    /// BrightnessValue (0x9203), APEX.
    pub brightness_value: Option<Rational>,
    /// Tones of the reference frame of a map.
    pub reference_tones: Option<ReferenceTones>,
    /// CustomRendered (0xA401).
    pub custom_rendered: Option<u32>,
    /// CompositeImage (0xA460).
    pub composite_image: Option<u32>,
    /// SourceImageNumberOfCompositeImage (0xA461): number of source pictures.
    pub composite_sources: Option<u32>,
    /// ColorSpace (0xA001): 1 sRGB, 65535 uncalibrated.
    pub color_space: Option<u32>,
    /// InteroperabilityIndex, "R98" or "R03" (Adobe RGB).
    pub interoperability: Option<String>,
    /// DateTimeOriginal (or DateTime) "YYYY:MM:DD HH:MM:SS".
    pub captured: Option<String>,
    /// SubSecTimeOriginal digits.
    pub sub_seconds: Option<String>,
    /// OffsetTimeOriginal "+01:00".
    pub utc_offset: Option<String>,
    /// Make.
    pub maker: Option<String>,
    /// Model.
    pub model: Option<String>,
    /// BodySerialNumber.
    pub serial: Option<String>,
    /// LensModel.
    pub lens: Option<String>,
    /// FocalLength, mm.
    pub focal_length: Option<Rational>,
    /// White balance (0xA403): 0 auto, 1 manual.
    pub white_balance: Option<u32>,
    /// Copyright.
    pub copyright: Option<String>,
    /// Chromaticities that an OpenEXR or RGBE file states.
    pub primaries: Option<Primaries>,
    /// ICC profile bytes.
    pub icc_profile: Option<Vec<u8>>,
    /// Raw EXIF block (TIFF structure), to be copied into files written.
    pub exif: Option<Vec<u8>>,
}

/// One decoded picture, upright.
#[derive(Debug, Clone)]
pub struct Picture {
    /// The file it was read from.
    pub file: PathBuf,
    /// Format recognised.
    pub format: Format,
    /// Samples, orientation applied.
    pub pixels: Pixels,
    /// Meaning of raw samples; `None` for finished pictures.
    pub raw: Option<Box<Raw>>,
    /// How the samples were compressed.
    pub compression: Compression,
    /// Metadata.
    pub header: Header,
    /// Length of the file, bytes.
    pub file_bytes: u64,
    /// SHA-256 (FIPS 180-4) of the bytes that were decoded; `None` for a picture that was not read from a file.
    pub sha256: Option<[u8; 32]>,
    /// True if the decoder reported damage and the picture was accepted nevertheless.
    pub damaged: bool,
}
