//! Settings of the sheets: size, looks, pictures, places of crops.
use crate::words::kind_name;
use serde::{Deserialize, Serialize};
use stopspan_core::raster::Point;
use stopspan_core::results::PictureMeasurement;

/// Light or dark background.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
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
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum CropPlace {
    /// Column and row, pixels from the top left.
    Point(f64, f64),
    /// Columns and rows of two opposite corners, pixels: left, top, right, bottom.
    Rectangle([f64; 4]),
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

impl CropPlace {
    /// The middle of a place given by coordinates; `None` for a place that is found.
    pub fn middle(&self) -> Option<Point> {
        match *self {
            CropPlace::Point(x, y) => Some(Point { x, y }),
            CropPlace::Rectangle([left, top, right, bottom]) => Some(Point {
                x: (left + right) / 2.0,
                y: (top + bottom) / 2.0,
            }),
            _ => None,
        }
    }
}

/// A place for a row of crops.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Crop {
    /// Name of the place. Coordinates given in several pictures under one name are one place, which is then not carried from one
    /// picture to the other.
    pub name: Option<String>,
    /// File name of the picture that coordinates are given in; `None` for the reference frame of a run's only bracket.
    pub picture: Option<String>,
    /// The place.
    pub place: CropPlace,
}

impl Crop {
    /// A place without name and picture.
    pub fn of(place: CropPlace) -> Self {
        Crop {
            name: None,
            picture: None,
            place,
        }
    }
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
    pub crops: Vec<Crop>,
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
