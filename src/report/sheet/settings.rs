//! What can be asked of the sheets: size, look, pictures, places of crops.
use crate::words::kind_name;
use stopspan_core::results::PictureMeasurement;

/// Light or dark ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Look {
    /// Dark ink on a light ground.
    Light,
    /// Light ink on a dark ground.
    Dark,
}

impl Look {
    /// As it stands in file names.
    pub fn word(self) -> &'static str {
        match self {
            Look::Light => "light",
            Look::Dark => "dark",
        }
    }
}

/// The middle of a crop.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum CropPlace {
    /// Column and row in the reference frame, pixels from the top left.
    Point(f64, f64),
    /// A step of the wedge, 1 = lightest.
    Step(usize),
    /// The lightest step of the wedge.
    Lightest,
    /// The darkest step.
    Darkest,
    /// A slanted edge that was measured, 1 = the first.
    Edge(usize),
    /// A ghost in the camera's own HDR picture, 1 = the largest.
    Ghost(usize),
}

/// How the sheets are made.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetSettings {
    /// Columns and rows, pixels.
    pub size: (usize, usize),
    /// Grounds; none: no sheets are made.
    pub looks: Vec<Look>,
    /// Pictures to show, by file name or by kind (`frame`, `camera-hdr`, `merge`, `rendered`); empty: a choice that fits
    /// the sheet.
    pub pictures: Vec<String>,
    /// Places of crops; empty: the ends of the wedge, or the middle of the picture without one.
    pub crops: Vec<CropPlace>,
}

impl Default for SheetSettings {
    fn default() -> Self {
        SheetSettings {
            size: (1920, 1080),
            looks: vec![Look::Light, Look::Dark],
            pictures: Vec::new(),
            crops: Vec::new(),
        }
    }
}

impl SheetSettings {
    /// Smallest and largest length of a side, pixels.
    pub const SIDES: (usize, usize) = (360, 8192);

    /// Whether a picture was asked for; all are where none was named.
    pub fn wants(&self, picture: &PictureMeasurement) -> bool {
        let kind = kind_name(picture.kind);
        let named = |n: &String| *n == picture.file || n == kind;
        self.pictures.is_empty() || self.pictures.iter().any(named)
    }
}
