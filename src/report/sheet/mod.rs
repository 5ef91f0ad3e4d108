//! Sheets fit to publish: one figure a file, SVG and PNG of a chosen size, light and dark.
//!
//! In reading order: what can be asked for, the canvas and its colours, its lettering, each sheet, and pixels from the drawing. The
//! typeface is part of the program, so the same report gives the same bytes on every machine.
mod cameras;
mod canvas;
mod comparison;
mod crops;
mod lettering;
mod range;
mod rasterize;
mod response;
mod settings;
mod views;
mod wedge;

pub(crate) use crops::room as crop_room;
pub use crops::{CropCell, CropRow};
pub use rasterize::png;
pub use settings::{CropPlace, Look, SheetSettings};
pub use views::crop_rows;

use super::Strip;
use super::words::kind_words;
use canvas::Canvas;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{PictureKind, PictureMeasurement};

/// One finished sheet, ready to be written.
pub struct Sheet {
    /// File name without ending, unique within its folder ("wedge-light").
    pub name: String,
    /// What it shows, in a sentence: the text alternative.
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

    /// The sheet as an SVG document whose text can be selected.
    pub fn svg(&self) -> String {
        self.canvas.svg(true)
    }
}

/// The sheets of one bracket: wedge strips, ranges, response, comparison and crops, each where there is something to show, in every
/// look asked for. `strips` belong to the bracket's pictures, in their order.
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

/// What a sheet is about: the camera and the bracket.
fn subject(bracket: &BracketReport) -> String {
    match &bracket.camera {
        Some(camera) => format!("{camera}, {}", bracket.name),
        None => bracket.name.clone(),
    }
}

/// What a picture is, where its file name does not say it.
fn kind(picture: &PictureMeasurement) -> &'static str {
    match picture.kind {
        PictureKind::Merge => "radiance map",
        kind => kind_words(kind),
    }
}

/// The sheet of a run with several cameras; none with fewer than two.
pub fn of_cameras(report: &Report, settings: &SheetSettings) -> Vec<Sheet> {
    let looks = settings.looks.iter().copied();
    looks
        .filter_map(|look| {
            let canvas = cameras::draw(Canvas::new(settings.size, look), report)?;
            Some(Sheet::new("cameras", look, canvas))
        })
        .collect()
}
