//! Double edges: misregistered exposures in the camera's picture show everything twice. The kernel that maps the merge to
//! the camera's picture then has a second peak, displaced by the misregistration.
use super::overlay::Overlay;
use super::relative_spread::{BLOCK, Spectra, Spread, Sums};
use super::tiled::{Tile, mean, median};
use super::tone_curve::Curve;
use ndarray::Array2;
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, main_channel};
use stopspan_core::raster::{Point, Region};
use stopspan_core::results::{Compared, DoubleEdges, Interval, Quantity, SecondImage};

/// Side of an analysed area, pixels.
const AREA_SIDE: usize = 192;
/// Distance between neighbouring blocks in it, pixels.
const HOP: usize = 32;
/// Largest number of areas analysed.
const ENOUGH: usize = 120;
/// Range of distances of the second peak, pixels; a nearer one is not distinguished from blur.
const REACH: (f64, f64) = (2.0, 12.0);
/// Smallest ratio of the second peak to the first. In a study of 46 areas with five varieties of blur, sharpening, noise
/// and compression a single image reached 0.07.
const HEIGHT: f64 = 0.15;
/// Smallest depth of the valley between the peaks: relative to the first peak, and relative to the depth two points would
/// have at the same coherence. Motion blur makes a plateau without valley.
const VALLEY: (f64, f64) = (0.03, 0.35);
/// Largest difference of displacements that agree, pixels.
const AGREE: f64 = 1.5;

/// The second peak of an area: displacement from the first, and ratio to its height.
#[derive(Debug, Clone, Copy)]
struct Second {
    shift: Point,
    strength: f64,
}

/// Result for an area: `None` with too little texture to judge, else its second peak, if any.
type Judgement = Option<Option<Second>>;

/// Searches for a second image in areas over the whole frame.
pub fn find(map: &RadianceMap, finished: &Overlay, curve: &Curve) -> DoubleEdges {
    let (rows, columns, _) = map.radiance.dim();
    let across = |length: usize| length / AREA_SIDE;
    let all: Vec<Region> = (0..across(rows) * across(columns))
        .map(|i| Region {
            top: i / across(columns) * AREA_SIDE,
            left: i % across(columns) * AREA_SIDE,
            height: AREA_SIDE,
            width: AREA_SIDE,
        })
        .collect();
    let stride = all.len().div_ceil(ENOUGH).max(1);
    let spectra = Spectra::new();
    let judgements: Vec<Judgement> = all
        .par_iter()
        .step_by(stride)
        .map(|area| judge(map, finished, curve, *area, &spectra))
        .collect();
    let judged: Vec<Option<Second>> = judgements.into_iter().flatten().collect();
    DoubleEdges {
        judged: judged.len(),
        second: agreed(&judged),
    }
}

fn judge(
    map: &RadianceMap,
    finished: &Overlay,
    curve: &Curve,
    area: Region,
    spectra: &Spectra,
) -> Judgement {
    let channel = main_channel(map.radiance.dim().2);
    let both: Vec<Option<[f32; 2]>> = area
        .rows()
        .flat_map(|r| area.columns().map(move |c| (r, c)))
        .map(|(r, c)| {
            let shown = curve.level(map.radiance[[r, c, channel]]);
            Some([shown, finished.levels(r, c)?[1]])
        })
        .collect();
    let mut sums = Sums::default();
    for top in (0..=AREA_SIDE - BLOCK).step_by(HOP) {
        for left in (0..=AREA_SIDE - BLOCK).step_by(HOP) {
            let block: Option<Vec<[f32; 2]>> = (top..top + BLOCK)
                .flat_map(|r| &both[r * AREA_SIDE + left..][..BLOCK])
                .copied()
                .collect();
            if let Some(block) = block {
                spectra.add(&mut sums, &block);
            }
        }
    }
    let spread = spectra.spread(&sums)?;
    can_judge(&spread.beam).then(|| second(&spread))
}

/// True if a second peak four pixels away would be distinct in every direction.
fn can_judge(beam: &Array2<f64>) -> bool {
    let middle = (BLOCK / 2) as f64;
    let top = beam[[BLOCK / 2, BLOCK / 2]];
    let clear = |k: i32| {
        let (s, c) = (f64::from(k) * std::f64::consts::PI / 12.0).sin_cos();
        bilinear(beam, middle + 4.0 * s, middle + 4.0 * c) < 0.5 * top
    };
    top > 0.0 && (0..24).all(clear)
}

/// Bilinear interpolation.
fn bilinear(plane: &Array2<f64>, y: f64, x: f64) -> f64 {
    let (r, c) = (y.floor(), x.floor());
    let (s, t) = (y - r, x - c);
    let (r, c) = (r as usize, c as usize);
    let row = |r: usize| (1.0 - t) * plane[[r, c]] + t * plane[[r, c + 1]];
    (1.0 - s) * row(r) + s * row(r + 1)
}

fn second(spread: &Spread) -> Option<Second> {
    let (kernel, beam) = (&spread.kernel, &spread.beam);
    let half = BLOCK / 2;
    let reach = REACH.1 as usize;
    let side = || half - reach..=half + reach;
    let around = || side().flat_map(move |r| side().map(move |c| (r, c)));
    let first = around().max_by(|a, b| kernel[*a].total_cmp(&kernel[*b]))?;
    let top = kernel[first];
    let off = |(r, c): (usize, usize)| (r as f64 - first.0 as f64, c as f64 - first.1 as f64);
    // Side lobe of a single point at this displacement.
    let beside = |(y, x): (f64, f64)| {
        let middle = half as f64;
        bilinear(beam, middle + y, middle + x).abs() / beam[[half, half]]
    };
    let rises = |at: (usize, usize)| kernel[at] / top - beside(off(at));
    let peak = |&(r, c): &(usize, usize)| {
        let near = kernel.slice(ndarray::s![r - 1..=r + 1, c - 1..=c + 1]);
        let (y, x) = off((r, c));
        (REACH.0..REACH.1).contains(&y.hypot(x)) && near.iter().all(|v| *v <= kernel[[r, c]])
    };
    let found = around()
        .filter(peak)
        .max_by(|a, b| rises(*a).total_cmp(&rises(*b)))?;
    let (y, x) = off(found);
    let lowest = (1..20)
        .map(|i| f64::from(i) / 20.0)
        .map(|s| bilinear(kernel, first.0 as f64 + s * y, first.1 as f64 + s * x))
        .fold(f64::INFINITY, f64::min);
    let strength = kernel[found] / top;
    let of_points = strength - (1.0 + strength) * beside((y / 2.0, x / 2.0));
    let valley = VALLEY.0.max(VALLEY.1 * of_points);
    let (from, to) = (peak_position(kernel, first), peak_position(kernel, found));
    (rises(found) > HEIGHT && strength - lowest / top > valley).then_some(Second {
        shift: Point {
            x: to.x - from.x,
            y: to.y - from.y,
        },
        strength,
    })
}

/// Position of a peak between samples, from parabolas through three samples each way.
fn peak_position(plane: &Array2<f64>, (r, c): (usize, usize)) -> Point {
    let top = |a: f64, b: f64, c: f64| {
        let bend = a - 2.0 * b + c;
        if bend < 0.0 {
            0.5 * (a - c) / bend
        } else {
            0.0
        }
    };
    let here = plane[[r, c]];
    Point {
        x: c as f64 + top(plane[[r, c - 1]], here, plane[[r, c + 1]]),
        y: r as f64 + top(plane[[r - 1, c]], here, plane[[r + 1, c]]),
    }
}

/// The displacement shared by most areas; `None` unless at least two agree. Either of two equally strong images may be the
/// first, so opposite displacements count as equal.
fn agreed(judged: &[Option<Second>]) -> Option<SecondImage> {
    let found: Vec<Second> = judged.iter().flatten().copied().collect();
    let like = |a: &Second, b: &Second| -> Option<Second> {
        let sign = if a.shift.x * b.shift.x + a.shift.y * b.shift.y < 0.0 {
            -1.0
        } else {
            1.0
        };
        let shift = Point {
            x: sign * b.shift.x,
            y: sign * b.shift.y,
        };
        let apart = (shift.x - a.shift.x).hypot(shift.y - a.shift.y);
        (apart < AGREE).then_some(Second { shift, ..*b })
    };
    let group = |a: &Second| -> Vec<Second> { found.iter().filter_map(|b| like(a, b)).collect() };
    let mut best: Vec<Second> = Vec::new();
    for one in &found {
        let group = group(one);
        if group.len() > best.len() {
            best = group;
        }
    }
    if best.len() < 2 {
        return None;
    }
    let tiles: Vec<Tile<4>> = best
        .iter()
        .map(|s| {
            let distance = s.shift.x.hypot(s.shift.y);
            vec![[s.shift.x, s.shift.y, distance, s.strength]]
        })
        .collect();
    Some(SecondImage {
        places: best.len(),
        shift: Point {
            x: median(&tiles, 0)?.value,
            y: median(&tiles, 1)?.value,
        },
        distance: median(&tiles, 2)?,
        strength: median(&tiles, 3)?,
    })
}

/// Share of the judged areas that show the second image; `None` where none could be judged.
pub fn share(found: &DoubleEdges) -> Option<Compared> {
    let shown = found.second.as_ref().map_or(0, |s| s.places);
    let tiles: Vec<Tile<1>> = (0..found.judged)
        .map(|i| vec![[if i < shown { 1.0 } else { 0.0 }]])
        .collect();
    let share: Interval = mean(&tiles, |v| v[0])?;
    Some(Compared::of_camera_alone(Quantity::DoubleEdges, share))
}
