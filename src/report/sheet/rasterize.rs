//! Rasterization of a sheet: the drawing by an SVG renderer with the program's own typeface, then the pictures pixel for pixel.
use super::Sheet;
use super::canvas::{Canvas, Placed, TYPEFACE};
use ndarray::Array3;
use resvg::{tiny_skia, usvg};
use std::sync::{Arc, LazyLock};
use stopspan_formats::png::encode8;

static TYPEFACES: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
    let mut faces = usvg::fontdb::Database::new();
    faces.load_font_data(dejavu::sans::regular().to_vec());
    faces.load_font_data(dejavu::sans::bold().to_vec());
    faces.set_sans_serif_family(TYPEFACE);
    Arc::new(faces)
});

/// Encodes the sheet as an 8-bit sRGB PNG of its own size. `None` if it could not be rendered.
pub fn png(sheet: &Sheet) -> Option<Vec<u8>> {
    let rgb = pixels(&sheet.canvas)?;
    encode8(rgb.view(), None).ok()
}

fn pixels(canvas: &Canvas) -> Option<Array3<u8>> {
    let options = usvg::Options {
        font_family: TYPEFACE.to_owned(),
        fontdb: TYPEFACES.clone(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(&canvas.svg(false), &options).ok()?;
    let (columns, rows) = canvas.size();
    let side = |n: usize| u32::try_from(n).ok();
    let mut pixmap = tiny_skia::Pixmap::new(side(columns)?, side(rows)?)?;
    resvg::render(
        &tree,
        tiny_skia::Transform::identity(),
        &mut pixmap.as_mut(),
    );
    // The background is opaque, so premultiplied samples equal the samples.
    let mut rgb = Array3::<u8>::zeros((rows, columns, 3));
    let samples = rgb.as_slice_mut()?;
    let drawn = pixmap.data().as_chunks::<4>().0;
    for (to, from) in samples.as_chunks_mut::<3>().0.iter_mut().zip(drawn) {
        *to = [from[0], from[1], from[2]];
    }
    for placed in &canvas.pictures {
        let (high, wide) = placed.size;
        let (left, top) = placed.at;
        for r in 0..high.min(rows.saturating_sub(top)) {
            for c in 0..wide.min(columns.saturating_sub(left)) {
                let at = ((top + r) * columns + left + c) * 3;
                samples[at..at + 3].copy_from_slice(&pixel(placed, r, c));
            }
        }
    }
    Some(rgb)
}

/// Pixel at a row and a column of a picture on the sheet, from the nearest sample, which preserves noise.
fn pixel(placed: &Placed, row: usize, column: usize) -> [u8; 3] {
    let (high, wide, _) = placed.rgb.dim();
    let (r, c) = (row * high / placed.size.0, column * wide / placed.size.1);
    [
        placed.rgb[[r, c, 0]],
        placed.rgb[[r, c, 1]],
        placed.rgb[[r, c, 2]],
    ]
}
