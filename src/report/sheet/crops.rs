//! Sheet of crops: the same places of several pictures side by side, at 100 %.
use super::canvas::{Canvas, MARGIN, SMALL, SMALL_LINE, Type};
use super::lettering::{cut, some_lines};
use crate::words::distinguishing_part;
use ndarray::Array3;
use stopspan_core::results::BracketReport;

/// One place in several pictures.
#[derive(Debug, Clone, PartialEq)]
pub struct CropRow {
    /// Name of the place ("step 21", "column 300, row 800").
    pub what: String,
    /// The place in each picture, from left to right; all of one size.
    pub cells: Vec<CropCell>,
}

/// One place in one picture.
#[derive(Debug, Clone, PartialEq)]
pub struct CropCell {
    /// File name.
    pub file: String,
    /// Settings of a frame, kind of any other picture, in words.
    pub about: String,
    /// 8-bit display-encoded RGB, shape (rows, columns, 3), unscaled; black beyond the picture's edge.
    pub rgb: Array3<u8>,
}

/// Space between crops, units.
pub(crate) const GAP: f64 = 24.0;
/// Height of the names above the first row of crops, units.
const HEAD: f64 = 50.0;
/// Height of the line of text below each row, units.
const TAIL: f64 = 50.0;
/// Height of the lines of settings below the last row, units.
const FOOT: f64 = 82.0;

/// Maximum columns and rows of a crop, pixels, for `across` x `down` crops on a sheet of `size` (columns, rows).
pub fn room(size: (usize, usize), across: usize, down: usize) -> (usize, usize) {
    let canvas = Canvas::new(size, super::Look::Light);
    let (width, height) = canvas.extent();
    let (across, down) = (across.max(1) as f64, down.max(1) as f64);
    let wide = (width - 2.0 * MARGIN - GAP * (across - 1.0)) / across;
    let high = (height - canvas.framing() - FOOT - HEAD - TAIL * down) / down;
    (canvas.pixels(wide.max(16.0)), canvas.pixels(high.max(16.0)))
}

/// Draws the sheet; `None` without crops.
pub(super) fn draw(
    mut canvas: Canvas,
    bracket: &BracketReport,
    rows: &[CropRow],
) -> Option<Canvas> {
    let first = rows.first()?.cells.first()?;
    let (high, wide, _) = first.rgb.dim();
    let places: Vec<&str> = rows.iter().map(|r| r.what.as_str()).collect();
    let files: Vec<&str> = rows[0].cells.iter().map(|c| c.file.as_str()).collect();
    let (top, _) = canvas.frame(
        &match places.as_slice() {
            [_, _, _, ..] => format!("{} places at 100 %", places.len()),
            few => format!("At 100 %: {}", few.join(", ")),
        },
        &super::subject(bracket),
        &format!(
            "{wide} x {high} pixels each, not resampled. The single frame is the one to use where nothing is merged."
        ),
        format!(
            "Crops at 100 % of {} at {}.",
            files.join(", "),
            places.join("; ")
        ),
    );
    let name = Type {
        bold: true,
        ..canvas.plain(34.0)
    };
    let soft = canvas.soft(SMALL);
    let (columns, lines) = (units(&canvas, wide), units(&canvas, high));
    let left = |column: usize| MARGIN + (columns + GAP) * column as f64;
    for (column, cell) in rows[0].cells.iter().enumerate() {
        let file = distinguishing_part(files.iter().copied(), &cell.file);
        let text = cut(&file, columns, name);
        canvas.text((left(column), top + HEAD - 16.0), name, &text);
    }
    let mut y = top + HEAD;
    for row in rows {
        for (column, cell) in row.cells.iter().enumerate() {
            canvas.picture((left(column), y), cell.rgb.clone());
        }
        canvas.text((MARGIN, y + lines + 36.0), soft, &row.what);
        y += lines + TAIL;
    }
    for (column, cell) in rows[0].cells.iter().enumerate() {
        for (index, text) in some_lines(&cell.about, columns, (soft, 2))
            .iter()
            .enumerate()
        {
            let base = y + 30.0 + SMALL_LINE * index as f64;
            canvas.text((left(column), base), soft, text);
        }
    }
    Some(canvas)
}

fn units(canvas: &Canvas, pixels: usize) -> f64 {
    pixels as f64 * canvas.extent().0 / canvas.size().0 as f64
}
