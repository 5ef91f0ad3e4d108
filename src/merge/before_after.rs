//! A detail of the map merged without registration and with it, to show what registration did.
use super::merger::Merger;
use ndarray::{Array3, s};
use stopspan_core::model::{Bracket, Frame, Merged, Motion, Picture, RadianceMap, main_channel};
use stopspan_core::raster::{Pixels, Point};

/// Rows and columns of the detail.
const DETAIL: (usize, usize) = (320, 480);
/// Candidates for it down and across.
const TRIED: (usize, usize) = (6, 8);

/// A detail with much texture, much displacement and, where something moved, much motion: relative radiance merged from the frames as they
/// lay, and from the registered frames. `None` where every frame lay still.
pub fn detail(merged: &Merged) -> Option<[Array3<f32>; 2]> {
    let (frames, map) = (&merged.frames, &merged.map);
    let bracket = &frames.bracket;
    if bracket.frames.iter().all(|f| f.transform.is_none()) {
        return None;
    }
    let (rows, columns, _) = map.radiance.dim();
    let size = (DETAIL.0.min(rows), DETAIL.1.min(columns));
    let places = (0..TRIED.0 * TRIED.1).map(|i| {
        let (down, across) = (i / TRIED.1, i % TRIED.1);
        (
            (rows - size.0) * down / (TRIED.0 - 1),
            (columns - size.1) * across / (TRIED.1 - 1),
        )
    });
    let best = places.max_by(|&a, &b| {
        let moved = |at| {
            frames
                .motion
                .as_ref()
                .map_or(0.0, |m| moved(m, columns, at, size))
        };
        let worth = |at| {
            let seen = texture(map, at, size) * displacement(bracket, at, size).min(20.0);
            seen * (1.0 + 8.0 * moved(at)).min(3.0)
        };
        worth(a).total_cmp(&worth(b))
    })?;
    let ((top, left), (high, wide)) = (best, size);
    let window = s![top..top + high, left..left + wide, ..];
    let after = map.radiance.slice(window).to_owned();
    let as_they_lay = Bracket {
        name: String::new(),
        frames: bracket.frames.iter().map(|f| cut(f, best, size)).collect(),
        reference: bracket.reference,
        camera_hdr: None,
        findings: Vec::new(),
    };
    let before = Merger::new(&as_they_lay, &frames.response, &frames.noise).whole();
    Some([before.radiance, after])
}

/// A window of a frame where it lay.
fn cut(frame: &Frame, (top, left): (usize, usize), (high, wide): (usize, usize)) -> Frame {
    let window = s![top..top + high, left..left + wide, ..];
    let from = &frame.picture;
    Frame {
        picture: Picture {
            file: from.file.clone(),
            header: from.header.clone(),
            raw: None,
            pixels: match &from.pixels {
                Pixels::U8(a) => Pixels::U8(a.slice(window).to_owned()),
                Pixels::U16(a) => Pixels::U16(a.slice(window).to_owned()),
                Pixels::F32(a) => Pixels::F32(a.slice(window).to_owned()),
            },
            ..*from
        },
        transform: None,
        ..*frame
    }
}

/// Share of a window where something moved, about, in a picture `columns` wide.
fn moved(
    motion: &Motion,
    columns: usize,
    (top, left): (usize, usize),
    (high, wide): (usize, usize),
) -> f64 {
    let rows = (top..top + high).step_by(4);
    let of_row = |row| {
        let ranges = motion.moved_in(row, columns);
        ranges.map(|r| r.end.min(left + wide).saturating_sub(r.start.max(left)))
    };
    let count: usize = rows.clone().flat_map(of_row).sum();
    count as f64 / (rows.count() * wide).max(1) as f64
}

/// Mean difference of neighbours in a window of the map, stops, each counted up to one.
fn texture(map: &RadianceMap, (top, left): (usize, usize), (high, wide): (usize, usize)) -> f64 {
    let channel = main_channel(map.radiance.dim().2);
    let log = |r: usize, c: usize| map.radiance[[r, c, channel]].max(1e-6).log2();
    let mut sum = 0.0;
    for row in (top..top + high - 1).step_by(4) {
        for column in (left..left + wide - 1).step_by(4) {
            let here = log(row, column);
            let steps = [log(row, column + 1), log(row + 1, column)];
            sum += steps.map(|s| (s - here).abs().min(1.0)).iter().sum::<f32>();
        }
    }
    f64::from(sum)
}

/// Largest displacement of a frame at the middle of a window, pixels.
fn displacement(bracket: &Bracket, (top, left): (usize, usize), size: (usize, usize)) -> f64 {
    let at = Point {
        x: (left + size.1 / 2) as f64,
        y: (top + size.0 / 2) as f64,
    };
    let of = |f: &Frame| {
        let to = f.transform?.apply(at)?;
        Some((to.x - at.x).hypot(to.y - at.y))
    };
    bracket.frames.iter().filter_map(of).fold(0.0, f64::max)
}
