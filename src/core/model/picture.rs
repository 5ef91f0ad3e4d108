//! What a picture file holds: pixels upright, metadata as read (not yet judged).
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
    /// DNG: raw.
    Dng,
    /// OpenEXR.
    OpenExr,
    /// Radiance RGBE.
    Rgbe,
}

/// How the samples were compressed: decides how noise may be read from them.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "kind")]
pub enum Compression {
    /// Samples are exact.
    Lossless,
    /// JPEG, with the luminance quantisation table's root mean square step bound `sqrt(mean(q^2)/12)` in 8-bit codes,
    /// its DC step in codes of the DCT (8 x the step of a block mean), and whether chroma is subsampled.
    Jpeg {
        /// `sqrt(mean(q^2)/12)` over the luminance table, in codes.
        quantisation_rms: f64,
        /// The luminance table's first entry.
        dc_step: u16,
        /// True if chroma planes are smaller than the luminance plane.
        chroma_subsampled: bool,
    },
}

/// Limits on what a file may claim, checked before anything is allocated.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Largest number of pixels (rows x columns).
    pub pixels: u64,
    /// Use what can be decoded of damaged files instead of refusing them.
    pub accept_damaged: bool,
}

impl Default for Limits {
    fn default() -> Self {
        Limits {
            pixels: 400_000_000,
            accept_damaged: false,
        }
    }
}

/// A tag as the file states it, not yet judged: rationals keep numerator and denominator, so that 0/0 stays visible.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Rational {
    /// Numerator.
    pub numerator: i64,
    /// Denominator; 0 in files whose writer did not know the value.
    pub denominator: i64,
}

impl Rational {
    /// The quotient; not finite for a zero denominator.
    pub fn value(&self) -> f64 {
        self.numerator as f64 / self.denominator as f64
    }
}

/// Metadata of a picture as the file states it. Every field may be missing; none is judged here.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Header {
    /// Columns and rows as shown upright (after orientation), 0 if not known from the header.
    pub columns: usize,
    /// Rows as shown upright.
    pub rows: usize,
    /// EXIF orientation 1..=8 as stored; pixels in [`Picture`] have it applied already.
    pub orientation: Option<u32>,
    /// ExposureTime (0x829A), seconds.
    pub exposure_time: Option<Rational>,
    /// ShutterSpeedValue (0x9201), APEX.
    pub shutter_speed_value: Option<Rational>,
    /// FNumber (0x829D).
    pub f_number: Option<Rational>,
    /// ApertureValue (0x9202), APEX.
    pub aperture_value: Option<Rational>,
    /// PhotographicSensitivity (0x8827), or the long forms where it is 65535.
    pub sensitivity: Option<f64>,
    /// ExposureBiasValue (0x9204), EV.
    pub exposure_bias: Option<Rational>,
    /// BrightnessValue (0x9203), APEX.
    pub brightness_value: Option<Rational>,
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
    /// RGB primaries that the file states itself: chromaticities of an OpenEXR or RGBE file.
    pub primaries: Option<Primaries>,
    /// ICC profile bytes.
    pub icc_profile: Option<Vec<u8>>,
    /// Raw EXIF block (TIFF structure) for carrying over.
    pub exif: Option<Vec<u8>>,
}

/// One decoded picture, upright.
#[derive(Debug, Clone)]
pub struct Picture {
    /// Where it came from.
    pub file: PathBuf,
    /// Recognised format.
    pub format: Format,
    /// Samples, orientation applied.
    pub pixels: Pixels,
    /// What a raw file knows of its samples; `None` for finished pictures.
    pub raw: Option<Box<Raw>>,
    /// How they were compressed.
    pub compression: Compression,
    /// Metadata.
    pub header: Header,
    /// Length in bytes of the file as read.
    pub file_bytes: u64,
    /// SHA-256 (FIPS 180-4) of the very bytes that were decoded; `None` for a picture that was never a file.
    pub sha256: Option<[u8; 32]>,
    /// True if the decoder reported damage and the picture was accepted all the same.
    pub damaged: bool,
}
