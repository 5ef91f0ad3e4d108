//! Pictures for the page on registration and motion.
use super::GHOST;
use ndarray::Array3;
use serde::{Deserialize, Serialize};
use stopspan_core::model::{Bracket, Frame, Motion, Recovered, main_channel};
use stopspan_core::raster::{Pixels, Point, Quad, Transform};

/// Pictures of the displacement of the frames of a bracket, and of motion in the scene.
#[derive(Debug, Clone)]
pub struct Registered {
    /// Reference frame in grey, 8-bit, shape (rows, columns, 3), of any size; the page shows it reduced.
    pub reference: Array3<u8>,
    /// Outlines of the frames, the reference among them; empty if none was displaced.
    pub outlines: Vec<Outline>,
    /// Reference frame in grey with moving objects tinted, of any size; `None` if nothing moved.
    pub moved: Option<Array3<u8>>,
    /// Share of the picture, 0..=1, in which each frame was excluded for motion; empty if nothing moved.
    pub left_out: Vec<f64>,
    /// Detail of the merge without and with registration, 8-bit sRGB; `None` if no frame was displaced.
    pub detail: Option<[Array3<u8>; 2]>,
}

/// The outline of one frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Outline {
    /// Index of the frame in the bracket.
    pub frame: usize,
    /// Corners of the frame, pixels of [`Registered::reference`].
    pub corners: Quad,
}

/// Draws the pictures on registration and motion of a bracket; `None` if no frame was displaced and nothing moved. `detail` is relative
/// radiance merged without and with registration.
pub(super) fn of_frames(
    frames: &Recovered,
    detail: Option<&[Array3<f32>; 2]>,
) -> Option<Registered> {
    let bracket = &frames.bracket;
    let displaced = bracket.frames.iter().any(|f| f.transform.is_some());
    if !displaced && frames.motion.is_none() {
        return None;
    }
    let reference = grey(&bracket.reference_frame().picture.pixels);
    let motion = frames.motion.as_ref();
    let tinted = |motion: &Motion| {
        let mut picture = reference.clone();
        let (_, columns, _) = picture.dim();
        for (row, mut line) in picture.outer_iter_mut().enumerate() {
            for column in motion.moved_in(row, columns).flatten() {
                for (k, colour) in GHOST.iter().enumerate() {
                    let grey = f32::from(line[[column, k]]);
                    line[[column, k]] = (0.45 * grey + 0.55 * f32::from(*colour)) as u8;
                }
            }
        }
        picture
    };
    Some(Registered {
        moved: motion.map(tinted),
        left_out: motion.map_or_else(Vec::new, |m| m.by_frame.clone()),
        outlines: if displaced {
            outlines(bracket)
        } else {
            Vec::new()
        },
        detail: detail.and_then(|[before, after]| {
            let bounds = bounds(after)?;
            Some([before, after].map(|r| shown(r, bounds)))
        }),
        reference,
    })
}

/// The main channel as a grey picture, 8-bit RGB.
fn grey(pixels: &Pixels) -> Array3<u8> {
    let (rows, columns, channels) = pixels.dim();
    let main = main_channel(channels);
    Array3::from_shape_fn((rows, columns, 3), |(r, c, _)| {
        (pixels.level(r, c, main) * 255.0).round().clamp(0.0, 255.0) as u8
    })
}

/// Corners of the frames in pixels of the reference frame.
fn outlines(bracket: &Bracket) -> Vec<Outline> {
    let outline = |(frame, f): (usize, &Frame)| {
        let (rows, columns, _) = f.picture.pixels.dim();
        let (x, y) = (columns as f64, rows as f64);
        let back = f.transform.unwrap_or(Transform::IDENTITY).inverse()?;
        let mut corners = [(0.0, 0.0), (x, 0.0), (x, y), (0.0, y)].map(|(x, y)| Point { x, y });
        for corner in &mut corners {
            *corner = back.apply(*corner)?;
        }
        Some(Outline { frame, corners })
    };
    bracket
        .frames
        .iter()
        .enumerate()
        .filter_map(outline)
        .collect()
}

/// Radiances between which a detail is displayed: the 1st and the 99th percentile of the positive ones.
fn bounds(radiance: &Array3<f32>) -> Option<(f32, f32)> {
    let mut values: Vec<f32> = radiance.iter().copied().filter(|v| *v > 0.0).collect();
    values.sort_by(f32::total_cmp);
    let at = |share: usize| values.get(values.len() * share / 100).copied();
    Some((at(1)?, at(99)?)).filter(|(low, high)| high > low)
}

/// Logarithm of radiance from `low` to `high` as 8-bit codes.
fn shown(radiance: &Array3<f32>, (low, high): (f32, f32)) -> Array3<u8> {
    let (rows, columns, channels) = radiance.dim();
    let span = (high / low).log2();
    Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let stops = (radiance[[r, c, k.min(channels - 1)]].max(low) / low).log2();
        (255.0 * (stops / span).clamp(0.0, 1.0)).round() as u8
    })
}
