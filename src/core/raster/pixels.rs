//! Encoded pixels: 8-bit, 16-bit or float samples.
use ndarray::Array3;

/// Encoded samples of shape (rows, columns, channels). Full scale is 255 or 65535 for integer samples, 1 for float
/// samples.
#[derive(Debug, Clone, PartialEq)]
pub enum Pixels {
    /// 8-bit samples.
    U8(Array3<u8>),
    /// 16-bit samples.
    U16(Array3<u16>),
    /// Float samples, nominal full scale 1.0, linear by convention.
    F32(Array3<f32>),
}

impl Pixels {
    /// Shape: (rows, columns, channels).
    pub fn dim(&self) -> (usize, usize, usize) {
        match self {
            Pixels::U8(a) => a.dim(),
            Pixels::U16(a) => a.dim(),
            Pixels::F32(a) => a.dim(),
        }
    }

    /// Number of rows.
    pub fn rows(&self) -> usize {
        self.dim().0
    }

    /// Number of columns.
    pub fn columns(&self) -> usize {
        self.dim().1
    }

    /// Number of channels: 1 or 3, or 4 for the planes of a mosaic.
    pub fn channels(&self) -> usize {
        self.dim().2
    }

    /// Full scale: 255, 65535, or 1.0 for float samples.
    pub fn full_scale(&self) -> f64 {
        match self {
            Pixels::U8(_) => 255.0,
            Pixels::U16(_) => 65535.0,
            Pixels::F32(_) => 1.0,
        }
    }

    /// Bits a sample: 8, 16 or 32.
    pub fn bits(&self) -> u32 {
        match self {
            Pixels::U8(_) => 8,
            Pixels::U16(_) => 16,
            Pixels::F32(_) => 32,
        }
    }

    /// Level of one sample, fraction of full scale. Panics outside the array, as indexing does.
    #[inline]
    pub fn level(&self, row: usize, column: usize, channel: usize) -> f32 {
        match self {
            Pixels::U8(a) => f32::from(a[[row, column, channel]]) / 255.0,
            Pixels::U16(a) => f32::from(a[[row, column, channel]]) / 65535.0,
            Pixels::F32(a) => a[[row, column, channel]],
        }
    }

    /// Levels (fractions of full scale) of a rectangle, shape (rows, columns, channels). Panics if `region` exceeds
    /// the picture.
    pub fn levels(&self, region: super::Region) -> Array3<f32> {
        let window = ndarray::s![region.rows(), region.columns(), ..];
        match self {
            Pixels::U8(a) => a.slice(window).mapv(|v| f32::from(v) / 255.0),
            Pixels::U16(a) => a.slice(window).mapv(|v| f32::from(v) / 65535.0),
            Pixels::F32(a) => a.slice(window).to_owned(),
        }
    }
}
