//! A sheet as pixels: the drawing by a general SVG renderer with the program's own typeface, pictures pixel for pixel.
use super::Sheet;
use super::canvas::{Canvas, TYPEFACE};
use crate::formats::png::encode8;
use ndarray::Array3;
use resvg::{tiny_skia, usvg};
use std::sync::{Arc, LazyLock};

static TYPEFACES: LazyLock<Arc<usvg::fontdb::Database>> = LazyLock::new(|| {
    let mut faces = usvg::fontdb::Database::new();
    faces.load_font_data(dejavu::sans::regular().to_vec());
    faces.load_font_data(dejavu::sans::bold().to_vec());
    faces.set_sans_serif_family(TYPEFACE);
    Arc::new(faces)
});

/// The sheet as an 8-bit RGB PNG of its own size, sRGB. `None` if the drawing could not be rendered.
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
    // The ground is opaque, so premultiplied samples are the samples.
    let data = pixmap.data();
    let mut rgb = Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        data[(r * columns + c) * 4 + k]
    });
    for placed in &canvas.pictures {
        let (high, wide, _) = placed.rgb.dim();
        let (left, top) = placed.at;
        let high = high.min(rows.saturating_sub(top));
        let wide = wide.min(columns.saturating_sub(left));
        rgb.slice_mut(ndarray::s![top..top + high, left..left + wide, ..])
            .assign(&placed.rgb.slice(ndarray::s![..high, ..wide, ..]));
    }
    Some(rgb)
}
