//! Sheet of crops: the same places of several pictures side by side, at 100 %.
use super::canvas::{Canvas, MARGIN, Type};
use super::lettering::cut;
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
    /// Kind of the picture, in words.
    pub kind: String,
    /// 8-bit display-encoded RGB, shape (rows, columns, 3), unscaled; black beyond the picture's edge.
    pub rgb: Array3<u8>,
}

/// Space between crops, units.
pub(crate) const GAP: f64 = 24.0;
/// Height of the names above the first row of crops, units.
const HEAD: f64 = 84.0;
/// Height of the line of text below each row, units.
const TAIL: f64 = 44.0;

/// Maximum columns and rows of a crop, pixels, for `across` x `down` crops on a sheet of `size` (columns, rows).
pub fn room(size: (usize, usize), across: usize, down: usize) -> (usize, usize) {
    let canvas = Canvas::new(size, super::Look::Light);
    let (width, height) = canvas.extent();
    let (across, down) = (across.max(1) as f64, down.max(1) as f64);
    let wide = (width - 2.0 * MARGIN - GAP * (across - 1.0)) / across;
    let high = (height - 330.0 - HEAD - TAIL * down) / down;
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
        "The same places side by side",
        &super::subject(bracket),
        &format!(
            "Unscaled 100 % crops, {wide} x {high} pixels each. Frames are placed by whole pixels, none is resampled. Where nothing is merged, the single frame is the one to use: it keeps most of the scene."
        ),
        format!(
            "Crops at 100 % of {} at {}.",
            files.join(", "),
            places.join("; ")
        ),
    );
    let name = Type {
        bold: true,
        ..canvas.plain(32.0)
    };
    let soft = canvas.soft(26.0);
    let (columns, lines) = (units(&canvas, wide), units(&canvas, high));
    for (index, row) in rows.iter().enumerate() {
        let y = top + HEAD + (lines + TAIL) * index as f64;
        for (column, cell) in row.cells.iter().enumerate() {
            let x = MARGIN + (columns + GAP) * column as f64;
            if index == 0 {
                let file = distinguishing_part(files.iter().copied(), &cell.file);
                canvas.text((x, y - 48.0), name, &cut(&file, columns, name));
                canvas.text((x, y - 14.0), soft, &cut(&cell.kind, columns, soft));
            }
            canvas.picture((x, y), cell.rgb.clone());
        }
        canvas.text((MARGIN, y + lines + 32.0), soft, &row.what);
    }
    Some(canvas)
}

fn units(canvas: &Canvas, pixels: usize) -> f64 {
    pixels as f64 * canvas.extent().0 / canvas.size().0 as f64
}
