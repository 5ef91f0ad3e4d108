//! Settings of the sheets: size, looks, pictures, places of crops.
use crate::words::kind_name;
use serde::Serialize;
use stopspan_core::results::PictureMeasurement;

/// Light or dark background.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Look {
    /// Dark on light.
    Light,
    /// Light on dark.
    Dark,
}

impl Look {
    /// Name of the look in file names.
    pub fn word(self) -> &'static str {
        match self {
            Look::Light => "light",
            Look::Dark => "dark",
        }
    }
}

/// Centre of a crop.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CropPlace {
    /// Column and row in the reference frame, pixels from the top left.
    Point(f64, f64),
    /// A step of the wedge, 1 = lightest.
    Step(usize),
    /// The lightest step of the wedge.
    Lightest,
    /// The darkest step.
    Darkest,
    /// A measured slanted edge, 1 = the first.
    Edge(usize),
    /// A ghost in the camera's own HDR picture, 1 = the largest.
    Ghost(usize),
}

/// Settings of the sheets.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SheetSettings {
    /// Columns and rows of a sheet, pixels.
    pub size: (usize, usize),
    /// Looks in which every sheet is made; none: no sheets.
    pub looks: Vec<Look>,
    /// Pictures to show, by file name or by kind (`frame`, `camera-hdr`, `merge`, `rendered`); empty: the default of each sheet.
    pub pictures: Vec<String>,
    /// Places of crops; empty: the lightest and the darkest step, or without a wedge the centre of the picture.
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
    /// Minimum and maximum length of a side, pixels.
    pub const SIDES: (usize, usize) = (360, 8192);

    /// Whether a picture is asked for, by its file name or kind; every picture is if none was named.
    pub fn wants(&self, picture: &PictureMeasurement) -> bool {
        let kind = kind_name(picture.kind);
        let named = |n: &String| *n == picture.file || n == kind;
        self.pictures.is_empty() || self.pictures.iter().any(named)
    }
}
