//! Simulated frames as DNG (Digital Negative specification 1.7): the converter's codes with correct metadata.
use super::metadata::{field, write};
use super::sensor::Sensor;
use exif::{Context, Field, Rational, SRational, Tag, Value};
use ndarray::Array3;
use std::io;
use stopspan_core::units::Primaries;

/// Colours of the mosaic's 2 x 2 cell: (0, 0), (0, 1), (1, 0), (1, 1).
const CELL: [u8; 4] = [0, 1, 1, 2];

/// Variety of DNG.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct RawKind {
    /// True for Deflate compression, false for none.
    pub deflate: bool,
    /// True for a camera without colour filters.
    pub mono: bool,
}

impl RawKind {
    /// Colour of a pixel's filter: 0 red, 1 green, 2 blue.
    pub(super) fn colour(self, row: usize, column: usize) -> usize {
        if self.mono {
            return 1;
        }
        usize::from(CELL[row % 2 * 2 + column % 2])
    }
}

/// A DNG of codes (rows, columns, 1), in one strip. The colour filters have the primaries of sRGB, each divided by its
/// white balance gain. NoiseProfile is the sensor's true one.
///
/// # Errors
/// Those of the EXIF writer.
pub(super) fn dng(
    codes: &Array3<u16>,
    sensor: &Sensor,
    RawKind { deflate, mono }: RawKind,
    fields: &[Field],
) -> io::Result<Vec<u8>> {
    let (rows, columns, _) = codes.dim();
    let plain: Vec<u8> = codes.iter().flat_map(|v| v.to_be_bytes()).collect();
    let data = if deflate {
        fdeflate::compress_to_vec(&plain)
    } else {
        plain
    };
    let tiff = |number, value| field(Tag(Context::Tiff, number), value);
    let short = |n: u16| Value::Short(vec![n]);
    let long = |n: usize| Value::Long(vec![n as u32]);
    let mut all = vec![
        tiff(254, long(0)),
        tiff(256, long(columns)),
        tiff(257, long(rows)),
        tiff(258, short(16)),
        tiff(259, short(if deflate { 8 } else { 1 })),
        tiff(262, short(if mono { 34892 } else { 32803 })),
        tiff(277, short(1)),
        tiff(278, long(rows)),
        tiff(284, short(1)),
        tiff(50706, Value::Byte(vec![1, 4, 0, 0])),
        tiff(50707, Value::Byte(vec![1, 1, 0, 0])),
        tiff(50708, Value::Ascii(vec![b"Simulated Camera S1".to_vec()])),
        tiff(50714, Value::Rational(vec![fraction(sensor.black)])),
        tiff(50717, long(sensor.top_code() as usize)),
        tiff(
            51041,
            Value::Double(noise_profile(sensor).repeat(if mono { 1 } else { 3 })),
        ),
    ];
    if !mono {
        let neutral = sensor.white_balance.map(|g| fraction(1.0 / g));
        all.extend([
            tiff(33421, Value::Short(vec![2, 2])),
            tiff(33422, Value::Byte(CELL.to_vec())),
            tiff(50721, Value::SRational(matrix(sensor).to_vec())),
            tiff(50728, Value::Rational(neutral.to_vec())),
            tiff(50778, short(21)), // D65
        ]);
    }
    all.extend_from_slice(fields);
    write(&all, &[&data])
}

/// S and O of `variance = S x + O`, with x = 1 at white; equal for all colours, which share well and converter.
fn noise_profile(sensor: &Sensor) -> [f64; 2] {
    let dark = sensor.variance(0.0) / sensor.full_well.powi(2);
    [1.0 / sensor.full_well, dark]
}

/// XYZ under D65 to the camera's red, green, blue.
fn matrix(sensor: &Sensor) -> [SRational; 9] {
    const UNIT: f64 = 1e6;
    let rows = stopspan_core::units::inverse(&Primaries::SRGB.to_xyz()).unwrap_or_default();
    std::array::from_fn(|i| {
        let value = rows[i / 3][i % 3] / sensor.white_balance[i / 3];
        SRational::from(((value * UNIT).round() as i32, UNIT as i32))
    })
}

fn fraction(value: f64) -> Rational {
    const UNIT: f64 = 1e6;
    Rational::from(((value * UNIT).round() as u32, UNIT as u32))
}
