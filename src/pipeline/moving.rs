//! What moved and what flickered, said; and pictures of how the frames lay and of what moved, for the report's page.
use super::Prepared;
use ndarray::{Array3, s};
use stopspan_core::Error;
use stopspan_core::finding::Finding;
use stopspan_core::model::Picture;
use stopspan_core::model::Response;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{Motion, Noise, RadianceMap};
use stopspan_core::raster::{Pixels, Point, Transform};
use stopspan_merge::{Merger, MotionSettings, banding, motion};
use stopspan_report::figure::{GHOST, Outline, Registered};

/// Rows and columns of the detail shown before and after.
const DETAIL: (usize, usize) = (320, 480);
/// Candidates for it down and across.
const TRIED: (usize, usize) = (6, 8);

/// Says which frames' light ripples down their rows, and takes their exposures to be known less well by that.
pub(super) fn ripple(bracket: &mut Bracket, response: &Response) {
    let found = banding::measure(bracket, response);
    for (frame, banding) in bracket.frames.iter_mut().zip(found) {
        let Some(banding) = banding else { continue };
        let used = &mut frame.exposure.used;
        used.standard_uncertainty = used.standard_uncertainty.hypot(banding.stops());
        bracket.findings.push(Finding::Banding {
            frame: frame.name(),
            amplitude_percent: 100.0 * banding.amplitude,
            cycles: banding.cycles,
            widened_stops: banding.stops(),
        });
    }
}

/// Looks for what moved, and says so.
pub(super) fn look(
    bracket: &mut Bracket,
    response: &Response,
    noise: &Noise,
    settings: &MotionSettings,
) -> Result<Option<Motion>, Error> {
    let found = motion::find(bracket, response, noise, settings)?;
    if let Some(motion) = &found {
        let share = motion.share;
        bracket.findings.push(Finding::Moved { share });
        let share = motion.by_frame[bracket.reference];
        if share > 0.0 {
            bracket.findings.push(Finding::OtherMoment { share });
        }
    }
    Ok(found)
}

/// `None` where every frame lay still and nothing moved.
pub(super) fn registered(prepared: &Prepared, map: &RadianceMap) -> Option<Registered> {
    let bracket = &prepared.bracket;
    let displaced = bracket.frames.iter().any(|f| f.transform.is_some());
    if !displaced && prepared.motion.is_none() {
        return None;
    }
    let reference = grey(&bracket.frames[bracket.reference].picture.pixels);
    let motion = prepared.motion.as_ref();
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
        detail: displaced.then(|| detail(prepared, map)).flatten(),
        reference,
    })
}

/// The middle channel as three.
fn grey(pixels: &Pixels) -> Array3<u8> {
    let (rows, columns, channels) = pixels.dim();
    Array3::from_shape_fn((rows, columns, 3), |(r, c, _)| {
        (pixels.level(r, c, channels / 2) * 255.0)
            .round()
            .clamp(0.0, 255.0) as u8
    })
}

/// The frames' corners in the reference.
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

/// A detail with much texture and much displacement, and of what moved where something did, merged with the frames as they lay
/// and as they were merged.
fn detail(prepared: &Prepared, map: &RadianceMap) -> Option<[Array3<u8>; 2]> {
    let bracket = &prepared.bracket;
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
            prepared
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
    let frames = bracket.frames.iter();
    let as_they_lay = Bracket {
        name: String::new(),
        frames: frames.map(|f| cut(f, best, size)).collect(),
        reference: bracket.reference,
        camera_hdr: None,
        findings: Vec::new(),
    };
    let before = Merger::new(&as_they_lay, &prepared.response, &prepared.noise).whole();
    let bounds = bounds(&after)?;
    Some([before.radiance, after].map(|r| shown(&r, bounds)))
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
    let channel = map.radiance.dim().2 / 2;
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

/// Radiances between which a detail is shown: all but one in a hundred at either end.
fn bounds(radiance: &Array3<f32>) -> Option<(f32, f32)> {
    let mut values: Vec<f32> = radiance.iter().copied().filter(|v| *v > 0.0).collect();
    values.sort_by(f32::total_cmp);
    let at = |share: usize| values.get(values.len() * share / 100).copied();
    Some((at(1)?, at(99)?)).filter(|(low, high)| high > low)
}

/// Logarithm of radiance as 8-bit levels.
fn shown(radiance: &Array3<f32>, (low, high): (f32, f32)) -> Array3<u8> {
    let (rows, columns, channels) = radiance.dim();
    let span = (high / low).log2();
    Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let stops = (radiance[[r, c, k.min(channels - 1)]].max(low) / low).log2();
        (255.0 * (stops / span).clamp(0.0, 1.0)).round() as u8
    })
}
