//! Sheets for publication: one figure per file, as SVG and PNG of a chosen size, light and dark.
//!
//! In reading order: `settings`; `canvas` and its colours, `lettering`, `horizontal_axis`; `claims`, the titles; a file per sheet; `views`,
//! which cuts the crops; `rasterize`, from drawing to pixels. The typeface is part of the program, so the same report gives the same bytes on every machine.
mod cameras;
mod canvas;
mod claims;
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
pub use wedge::CameraStrip;

pub(crate) use crops::room as crop_room;
pub use crops::{CropCell, CropRow};
#[cfg(feature = "sheets")]
pub use rasterize::png;
pub use settings::{Crop, CropPlace, Look, SheetSettings};
pub use views::crop_rows;

use super::Strip;
use super::cameras::single_of;
use super::words::{kind_words, settings_words, subject};
use canvas::Canvas;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{PictureKind, PictureMeasurement};
use stopspan_core::units::ExposureSettings;

/// A finished sheet.
pub struct Sheet {
    /// File name without extension, unique within its folder ("wedge-light").
    pub name: String,
    /// Text alternative: the content of the sheet in a sentence.
    pub description: String,
    canvas: Canvas,
}

/// Maximum number of rows on one sheet; more take further sheets, not smaller letters.
const ROWS: usize = 5;

/// Rows for one sheet each, as evenly as possible.
fn pages<T>(rows: &[T]) -> std::slice::Chunks<'_, T> {
    let count = rows.len().div_ceil(ROWS).max(1);
    rows.chunks(rows.len().div_ceil(count).max(1))
}

/// Rows in the order of the report; where they take several sheets, those of the best single frame, the camera's HDR picture and the merge,
/// of which the titles speak, before the others.
fn first_things_first<'a, T>(
    mut rows: Vec<T>,
    bracket: &BracketReport,
    picture: impl Fn(&T) -> &'a PictureMeasurement,
) -> Vec<T> {
    let best = single_of(bracket).map(|p| p.file.as_str());
    let later = |p: &PictureMeasurement| match p.kind {
        PictureKind::Frame => best != Some(p.file.as_str()),
        kind => kind == PictureKind::Rendered,
    };
    if rows.len() > ROWS {
        rows.sort_by_key(|row| later(picture(row)));
    }
    rows
}

impl Sheet {
    fn new(name: &str, look: Look, canvas: Canvas) -> Self {
        Sheet {
            name: format!("{name}-{}", look.word()),
            description: canvas.description().to_owned(),
            canvas,
        }
    }

    /// Sheets of one kind: "wedge-light", "wedge-2-light".
    fn numbered(name: &str, look: Look, made: Vec<Canvas>) -> impl Iterator<Item = Sheet> {
        let names = (1..).map(move |number| match number {
            1 => name.to_owned(),
            n => format!("{name}-{n}"),
        });
        made.into_iter()
            .zip(names)
            .map(move |(canvas, name)| Sheet::new(&name, look, canvas))
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
            ("wedge", wedge::draw(blank, bracket, strips, settings)),
            ("range", range::draw(blank, bracket, settings)),
            (
                "response",
                response::draw(blank(), bracket).into_iter().collect(),
            ),
            ("comparison", comparison::draw(blank, bracket)),
            (
                "crops",
                crops::draw(blank(), bracket, crops).into_iter().collect(),
            ),
        ];
        for (name, sheets) in made {
            out.extend(Sheet::numbered(name, look, sheets));
        }
    }
    out
}

/// What is printed below a measured picture's name.
fn about(bracket: &BracketReport, picture: &PictureMeasurement) -> String {
    let frame = bracket.frames.iter().find(|f| f.file == picture.file);
    settings_or_kind(frame.map(|f| &f.settings), picture.kind)
}

/// The settings of a frame, the kind of any other picture and of a frame that states none.
fn settings_or_kind(settings: Option<&ExposureSettings>, kind: PictureKind) -> String {
    let settings = settings.map_or_else(String::new, settings_words);
    match kind {
        PictureKind::Merge => "radiance map".to_owned(),
        PictureKind::Frame if !settings.is_empty() => settings,
        kind => kind_words(kind).to_owned(),
    }
}

/// Whether a picture is on the sheets of wedges and ranges: as asked for; by default all, without the rendering where there are more
/// than one sheet has rows for.
fn shown(bracket: &BracketReport, settings: &SheetSettings, picture: &PictureMeasurement) -> bool {
    let crowded = settings.pictures.is_empty() && bracket.pictures.iter().count() > ROWS;
    settings.wants(picture) && !(crowded && picture.kind == PictureKind::Rendered)
}

/// Draws the sheets on the comparison of cameras in every look asked for; none with fewer than two cameras.
pub fn of_cameras(report: &Report, settings: &SheetSettings) -> Vec<Sheet> {
    let looks = settings.looks.iter().copied();
    looks
        .flat_map(|look| {
            let made = cameras::draw(|| Canvas::new(settings.size, look), report);
            Sheet::numbered("cameras", look, made)
        })
        .collect()
}

/// Draws the sheets of wedges across cameras in every look asked for.
pub fn of_strips(strips: &[CameraStrip], settings: &SheetSettings) -> Vec<Sheet> {
    let looks = settings.looks.iter().copied();
    looks
        .flat_map(|look| {
            let made = wedge::draw_cameras(|| Canvas::new(settings.size, look), strips);
            Sheet::numbered("wedges", look, made)
        })
        .collect()
}
