//! Sheets for publication: one figure per file, as SVG and PNG of a chosen size, light and dark.
//!
//! In reading order: `settings`; `canvas` and its colours, `lettering`, `horizontal_axis`; a file per sheet; `views`, which cuts
//! the crops; `rasterize`, from drawing to pixels. The typeface is part of the program, so the same report gives the same bytes on every machine.
mod cameras;
mod canvas;
mod comparison;
mod crops;
mod horizontal_axis;
mod lettering;
mod places;
mod range;
#[cfg(feature = "sheets")]
mod rasterize;
mod response;
mod settings;
mod views;
mod wedge;

pub use places::{ACROSS, PlaceColumn, PlaceRow, Places, of_places, place_room};
pub use wedge::{CameraStrip, STRIPS};

pub(crate) use crops::room as crop_room;
pub use crops::{CropCell, CropRow};
#[cfg(feature = "sheets")]
pub use rasterize::png;
pub use settings::{Crop, CropPlace, Look, SheetSettings};
pub use views::crop_rows;

use super::Strip;
use super::words::{kind_words, subject};
use canvas::Canvas;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{PictureKind, PictureMeasurement};

/// A finished sheet.
pub struct Sheet {
    /// File name without extension, unique within its folder ("wedge-light").
    pub name: String,
    /// Text alternative: the content of the sheet in a sentence.
    pub description: String,
    canvas: Canvas,
}

impl Sheet {
    fn new(name: &str, look: Look, canvas: Canvas) -> Self {
        Sheet {
            name: format!("{name}-{}", look.word()),
            description: canvas.description().to_owned(),
            canvas,
        }
    }

    /// Returns the sheet as an SVG document with selectable text.
    pub fn svg(&self) -> String {
        self.canvas.svg(true)
    }
}

/// Draws the sheets of one bracket in every look asked for: wedge strips, ranges, response, comparison and crops. Sheets without content
/// are omitted. `strips` are in the order of [`Measurement::iter`](stopspan_core::results::Measurement::iter).
pub fn of_bracket(
    bracket: &BracketReport,
    strips: &[Option<Strip>],
    crops: &[CropRow],
    settings: &SheetSettings,
) -> Vec<Sheet> {
    let mut out = Vec::new();
    for look in settings.looks.iter().copied() {
        let sum = bracket.inputs_sha256.as_deref();
        let blank = || Canvas::new(settings.size, look).made_of(sum);
        let made = [
            ("wedge", wedge::draw(blank(), bracket, strips, settings)),
            ("range", range::draw(blank(), bracket, settings)),
            ("response", response::draw(blank(), bracket)),
            ("comparison", comparison::draw(blank(), bracket)),
            ("crops", crops::draw(blank(), bracket, crops)),
        ];
        for (name, canvas) in made {
            out.extend(canvas.map(|c| Sheet::new(name, look, c)));
        }
    }
    out
}

/// Kind of a picture as printed below its name.
fn kind(picture: &PictureMeasurement) -> &'static str {
    match picture.kind {
        PictureKind::Merge => "radiance map",
        kind => kind_words(kind),
    }
}

/// Draws the sheet on the comparison of cameras in every look asked for; none with fewer than two cameras.
pub fn of_cameras(report: &Report, settings: &SheetSettings) -> Vec<Sheet> {
    let looks = settings.looks.iter().copied();
    looks
        .filter_map(|look| {
            let canvas = cameras::draw(Canvas::new(settings.size, look), report)?;
            Some(Sheet::new("cameras", look, canvas))
        })
        .collect()
}

/// Draws the sheet of wedges across cameras in every look asked for; `number` is that of the sheet, from 1.
pub fn of_strips(strips: &[CameraStrip], number: usize, settings: &SheetSettings) -> Vec<Sheet> {
    let name = match number {
        1 => "wedges".to_owned(),
        n => format!("wedges-{n}"),
    };
    let looks = settings.looks.iter().copied();
    looks
        .filter_map(|look| {
            let canvas = wedge::draw_cameras(Canvas::new(settings.size, look), strips)?;
            Some(Sheet::new(&name, look, canvas))
        })
        .collect()
}
