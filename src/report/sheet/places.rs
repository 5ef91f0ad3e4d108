//! Sheet of places across cameras: a column per picture, a row per place, each place the same thing in the scene.
use super::canvas::{Canvas, MARGIN, Rectangle, SMALL, SMALL_LINE, Type};
use super::crops::GAP;
use super::lettering::{cut, lines, some_lines};
use super::{Look, Sheet, SheetSettings};
use crate::words::distinguishing_part;
use ndarray::Array3;

/// Largest number of columns on one sheet; more pictures take more sheets.
pub const ACROSS: usize = 4;

/// The same places in several pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct Places {
    /// Name of the sheet, without look ("places").
    pub name: String,
    /// Title.
    pub title: String,
    /// Explanation at the foot.
    pub notes: String,
    /// The pictures, from left to right.
    pub columns: Vec<PlaceColumn>,
    /// The places.
    pub rows: Vec<PlaceRow>,
    /// Rows and columns of a crop, pixels.
    pub size: (usize, usize),
}

/// A picture.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceColumn {
    /// Camera, or file name without one.
    pub camera: String,
    /// File name.
    pub file: String,
    /// Time, f-number and ISO speed in words.
    pub settings: String,
}

/// One place in every picture.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceRow {
    /// Name of the place.
    pub what: String,
    /// 8-bit display-encoded RGB of the size of the sheet's crops, or why the place is not shown.
    pub cells: Vec<Result<Array3<u8>, String>>,
}

/// Height of the names above the first row, units.
const HEAD: f64 = 60.0;
/// Height of the line of text below each row, units.
const TAIL: f64 = 50.0;
/// Height of the lines with file and settings below the last row, units.
const FOOT: f64 = 120.0;

/// Maximum columns and rows of a crop, pixels, for `across` x `down` crops on a sheet of `size` (columns, rows).
pub fn place_room(size: (usize, usize), across: usize, down: usize) -> (usize, usize) {
    let canvas = Canvas::new(size, Look::Light);
    let (width, height) = canvas.extent();
    let (across, down) = (across.max(1) as f64, down.max(1) as f64);
    let wide = (width - 2.0 * MARGIN - GAP * (across - 1.0)) / across;
    let high = (height - canvas.framing() - SMALL_LINE - HEAD - FOOT - TAIL * down) / down;
    (canvas.pixels(wide.max(16.0)), canvas.pixels(high.max(16.0)))
}

/// Draws the sheet in every look asked for.
pub fn of_places(places: &Places, settings: &SheetSettings) -> Vec<Sheet> {
    let looks = settings.looks.iter().copied();
    let made = looks.map(|look| {
        let canvas = draw(Canvas::new(settings.size, look), places);
        Sheet::new(&places.name, look, canvas)
    });
    made.collect()
}

fn draw(mut canvas: Canvas, places: &Places) -> Canvas {
    let about: Vec<&str> = places.columns.iter().map(|c| c.camera.as_str()).collect();
    let (top, _) = canvas.frame(
        &places.title,
        &about.join(", "),
        &places.notes,
        describe(places),
    );
    let name = Type {
        bold: true,
        ..canvas.plain(34.0)
    };
    let soft = canvas.soft(SMALL);
    let unit = |pixels: usize| pixels as f64 * canvas.extent().0 / canvas.size().0 as f64;
    let (high, wide) = (unit(places.size.0), unit(places.size.1));
    let left = |column: usize| MARGIN + (wide + GAP) * column as f64;
    for (index, column) in places.columns.iter().enumerate() {
        let camera = distinguishing_part(about.iter().copied(), &column.camera);
        let text = cut(&camera, wide, name);
        canvas.text((left(index), top + HEAD - 18.0), name, &text);
    }
    let mut y = top + HEAD;
    for row in &places.rows {
        for (index, cell) in row.cells.iter().enumerate() {
            match cell {
                Ok(rgb) => canvas.picture((left(index), y), rgb.clone()),
                Err(reason) => {
                    let place = Rectangle {
                        left: left(index),
                        top: y,
                        width: wide,
                        height: high,
                    };
                    missing(&mut canvas, place, reason);
                }
            }
        }
        let what = cut(&row.what, canvas.extent().0 - 2.0 * MARGIN, soft);
        canvas.text((MARGIN, y + high + 36.0), soft, &what);
        y += high + TAIL;
    }
    for (index, column) in places.columns.iter().enumerate() {
        let plain = canvas.plain(SMALL);
        let settings = some_lines(&column.settings, wide, (plain, 2));
        let file = cut(&column.file, wide, soft);
        let texts = settings.iter().map(|text| (text, plain));
        for (line, (text, look)) in texts.chain([(&file, soft)]).enumerate() {
            let base = y + 30.0 + SMALL_LINE * line as f64;
            canvas.text((left(index), base), look, text);
        }
    }
    canvas
}

/// An empty cell with the reason.
fn missing(canvas: &mut Canvas, place: Rectangle, reason: &str) {
    let colour = canvas.colours.line;
    canvas.bar(place, colour, 0.45);
    let look = canvas.soft(SMALL);
    let broken = lines(reason, place.width - 40.0, look);
    let half = SMALL_LINE / 2.0 * broken.len() as f64;
    let first = place.top + place.height / 2.0 - half + 24.0;
    for (index, text) in broken.iter().enumerate() {
        let base = first + SMALL_LINE * index as f64;
        canvas.text((place.left + 20.0, base), look, text);
    }
}

fn describe(places: &Places) -> String {
    let columns: Vec<String> = places
        .columns
        .iter()
        .map(|c| format!("{} ({}; {})", c.camera, c.file, c.settings))
        .collect();
    let rows: Vec<String> = places
        .rows
        .iter()
        .map(|row| {
            let missing = row.cells.iter().zip(&places.columns);
            let missing = missing.filter_map(|(cell, column)| {
                let reason = cell.as_ref().err()?;
                Some(format!("not in {}: {reason}", column.camera))
            });
            let list: Vec<String> = missing.collect();
            match list.is_empty() {
                true => row.what.clone(),
                false => format!("{} ({})", row.what, list.join("; ")),
            }
        })
        .collect();
    format!(
        "Columns: {}. Rows: {}.",
        columns.join(", "),
        rows.join("; ")
    )
}
