//! Pictures of a bracket for the page: wedge strips, map of sources, ghosts.
use super::registered;
use super::views::views;
use super::{BracketFigures, DISAGREES, GHOST, SOURCE_LIMIT, Strip, source_stride, strip};
use ndarray::{Array2, Array3, s};
use stopspan_core::model::{DisplayConversion, Merged, RadianceMap, Recovered, flag, main_channel};
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_core::results::{
    BracketMeasurement, ComparisonWithMarks, PictureKind, PictureMeasurement,
};
use stopspan_core::units::{Primaries, srgb_level};

/// Data from which the figures of a bracket are drawn.
#[derive(Clone, Copy)]
pub struct FigureInput<'a> {
    /// The bracket and its map.
    pub merged: &'a Merged,
    /// The rendering, sRGB.
    pub rendered: &'a Pixels,
    /// The measurement of the bracket.
    pub measured: &'a BracketMeasurement,
    /// Comparison of the camera's HDR picture with the merge; `None` without one.
    pub compared: Option<&'a ComparisonWithMarks>,
}

/// Draws all figures of a bracket but the preview, which is the rendering itself, and the crops. `detail` is relative radiance merged
/// without and with registration.
pub fn of_bracket(input: FigureInput, detail: Option<&[Array3<f32>; 2]>) -> BracketFigures {
    let FigureInput {
        merged, measured, ..
    } = input;
    let strips = measured.pictures.iter().map(|p| wedge_strip(input, p));
    BracketFigures {
        strips: strips.collect(),
        preview: None,
        source: Some(leaders(&merged.map)),
        registered: registered::of_frames(&merged.frames, detail),
        crops: Vec::new(),
        ghosts: input
            .compared
            .and_then(|c| ghosts(&merged.frames, c, measured.camera_at?)),
        views: views(input),
    }
}

/// The camera's picture in grey with the marks of the comparison in colour, one pixel per mark; `None` without marks.
fn ghosts(frames: &Recovered, compare: &ComparisonWithMarks, at: Transform) -> Option<Array3<u8>> {
    let pixels = &frames.bracket.camera_hdr.as_ref()?.picture.pixels;
    let (rows, columns) = compare.marks.dim();
    let (whole, wide, channels) = pixels.dim();
    if compare.marks.is_empty() {
        return None;
    }
    let main = main_channel(channels);
    Some(Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let place = at.apply(Point {
            x: (c * compare.step) as f64 + 0.5,
            y: (r * compare.step) as f64 + 0.5,
        });
        let inside = |v: f64, end: usize| (v.max(0.0) as usize).min(end - 1);
        let level = place.map_or(0.0, |p| {
            pixels.level(inside(p.y, whole), inside(p.x, wide), main)
        });
        // Pale grey, on which the marks are visible in light and dark areas.
        let grey = 90.0 + 0.55 * 255.0 * level;
        let colour = match compare.marks[[r, c]] {
            1 => Some(GHOST),
            2 => Some(DISAGREES),
            _ => None,
        };
        colour.map_or(grey as u8, |colour| {
            (0.25 * grey + 0.75 * f32::from(colour[k])) as u8
        })
    }))
}

fn wedge_strip(input: FigureInput, entry: &PictureMeasurement) -> Option<Strip> {
    let bracket = &input.merged.frames.bracket;
    let frames = &bracket.frames;
    match entry.kind {
        PictureKind::Frame => {
            let frame = frames.iter().find(|f| f.name() == entry.file)?;
            let shown = DisplayConversion::of_frame(frame, &bracket.primaries());
            let mut strip = strip_of_pixels(entry, &frame.picture.pixels, shown)?;
            if frame.picture.raw.is_some() {
                strip.note = "white-balanced, by sRGB's curve".into();
            }
            Some(strip)
        }
        PictureKind::CameraHdr => {
            let finished = bracket.camera_hdr.as_ref()?;
            let shown = DisplayConversion::of(&finished.primaries());
            strip_of_pixels(entry, &finished.picture.pixels, shown)
        }
        PictureKind::Rendered => strip_of_pixels(
            entry,
            input.rendered,
            DisplayConversion::of(&Primaries::SRGB),
        ),
        PictureKind::Merge => of_map(entry, &input.merged.map),
    }
}

/// The wedge cut out of a picture's pixels.
pub fn strip_of_pixels(
    entry: &PictureMeasurement,
    pixels: &Pixels,
    shown: DisplayConversion,
) -> Option<Strip> {
    let (rows, columns, _) = pixels.dim();
    let pixel = |r: usize, c: usize| shown.pixel(pixels, r, c);
    Some(Strip {
        rgb: strip(&entry.patches, (rows, columns), pixel)?,
        note: String::new(),
    })
}

/// The wedge in the map as the logarithm of radiance, from the darkest to the lightest patch: the map covers more stops than a page
/// can display.
fn of_map(entry: &PictureMeasurement, map: &RadianceMap) -> Option<Strip> {
    let (rows, columns, channels) = map.radiance.dim();
    let means = entry.patches.iter().map(|p| p.linear).filter(|v| *v > 0.0);
    let (low, high) = means.fold((f64::INFINITY, 0.0f64), |(l, h), v| (l.min(v), h.max(v)));
    if high <= low {
        return None;
    }
    let stops = (high / low).log2();
    let code = |r, c, channel: usize| {
        let value = f64::from(map.radiance[[r, c, channel.min(channels - 1)]]).max(low / 4.0);
        let share = ((value / low).log2() / stops * 0.9 + 0.05).clamp(0.0, 1.0);
        (srgb_level(share.powf(2.2)) * 255.0).round() as u8
    };
    let pixel = |r: usize, c: usize| [code(r, c, 0), code(r, c, 1), code(r, c, 2)];
    let note = format!("logarithm of radiance over {stops:.1} stops");
    Some(Strip {
        rgb: strip(&entry.patches, (rows, columns), pixel)?,
        note,
    })
}

/// Index of the frame with the largest weight, at the pixels that the page shows; 255 where every frame is clipped.
fn leaders(map: &RadianceMap) -> Array2<u8> {
    let every = source_stride(map.flags.dim(), SOURCE_LIMIT) as isize;
    map.flags.slice(s![..;every, ..;every]).mapv(|f| {
        if f & flag::CLIPPED_IN_ALL != 0 {
            255
        } else {
            (f >> flag::FRAME_SHIFT) as u8
        }
    })
}
