//! A detail of the map merged without registration and with it, to show what registration did.
use super::merger::Merger;
use ndarray::{Array3, s};
use stopspan_core::model::{Bracket, Frame, Merged, Motion, Picture, RadianceMap, main_channel};
use stopspan_core::raster::{Pixels, Point, Region};

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
    let (height, width) = (DETAIL.0.min(rows), DETAIL.1.min(columns));
    let windows = (0..TRIED.0 * TRIED.1).map(|i| {
        let (down, across) = (i / TRIED.1, i % TRIED.1);
        Region {
            top: (rows - height) * down / (TRIED.0 - 1),
            left: (columns - width) * across / (TRIED.1 - 1),
            height,
            width,
        }
    });
    let best = windows.max_by(|a, b| {
        let moved = |window| {
            frames
                .motion
                .as_ref()
                .map_or(0.0, |m| moved(m, columns, window))
        };
        let worth = |window| {
            let seen = texture(map, window) * displacement(bracket, window).min(20.0);
            seen * (1.0 + 8.0 * moved(window)).min(3.0)
        };
        worth(a).total_cmp(&worth(b))
    })?;
    let after = map
        .radiance
        .slice(s![best.rows(), best.columns(), ..])
        .to_owned();
    let as_they_lay = Bracket::new(
        "",
        bracket.frames.iter().map(|f| cut(f, &best)).collect(),
        bracket.reference,
    );
    let before = Merger::new(&as_they_lay, &frames.response, &frames.noise).whole();
    Some([before.radiance, after])
}

/// A window of a frame where it lay.
fn cut(frame: &Frame, window: &Region) -> Frame {
    let window = s![window.rows(), window.columns(), ..];
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
        covered: None,
        ..*frame
    }
}

/// Share of a window where something moved, about, in a picture `columns` wide.
fn moved(motion: &Motion, columns: usize, window: &Region) -> f64 {
    let rows = window.rows().step_by(4);
    let inside = window.columns();
    let of_row = |row| {
        let ranges = motion.moved_in(row, columns);
        ranges.map(|r| {
            let (start, end) = (r.start.max(inside.start), r.end.min(inside.end));
            end.saturating_sub(start)
        })
    };
    let count: usize = rows.clone().flat_map(of_row).sum();
    count as f64 / (rows.count() * window.width).max(1) as f64
}

/// Mean difference of neighbours in a window of the map, stops, each counted up to one.
fn texture(map: &RadianceMap, window: &Region) -> f64 {
    let channel = main_channel(map.radiance.dim().2);
    let log = |r: usize, c: usize| map.radiance[[r, c, channel]].max(1e-6).log2();
    let mut sum = 0.0;
    let (rows, columns) = (window.rows(), window.columns());
    for row in (rows.start..rows.end - 1).step_by(4) {
        for column in (columns.start..columns.end - 1).step_by(4) {
            let here = log(row, column);
            let steps = [log(row, column + 1), log(row + 1, column)];
            sum += steps.map(|s| (s - here).abs().min(1.0)).iter().sum::<f32>();
        }
    }
    f64::from(sum)
}

/// Largest displacement of a frame at the middle of a window, pixels.
fn displacement(bracket: &Bracket, window: &Region) -> f64 {
    let at = Point {
        x: (window.left + window.width / 2) as f64,
        y: (window.top + window.height / 2) as f64,
    };
    let of = |f: &Frame| {
        let to = f.transform?.apply(at)?;
        Some((to.x - at.x).hypot(to.y - at.y))
    };
    bracket.frames.iter().filter_map(of).fold(0.0, f64::max)
}
