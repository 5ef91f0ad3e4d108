//! Detail without an edge: contrast between neighbouring pixels relative to contrast between their surroundings, in linear
//! light, noise subtracted. Tone mapping scales both alike.
use super::cells::{Cells, SIDE};
use super::pictures::Pictures;
use super::tiled::{Tile, figure};
use stopspan_core::model::main_channel;
use stopspan_core::results::{Compared, Difference, Quantity};

/// Largest and smallest number of textured cells; largest number of flat cells for the noise, and smallest number per stop.
const ENOUGH: usize = 3000;
const FEWEST: usize = 60;
const QUIET: usize = 1500;
const FEWEST_QUIET: usize = 12;
/// Range of contrast of a textured cell (relative deviation of radiance beyond noise). A cell above it contains an edge to
/// something much darker, where one tone curve is unreliable.
const TEXTURE: (f32, f32) = (0.04, 0.6);
/// Smallest ratio of a cell's coarse contrast to that of noise alone.
const CLEAR: f64 = 4.0;
/// Largest relative noise of one pixel of the merge.
const NOISE: f32 = 0.1;
/// Range of levels of the finished picture, clear of both ends.
const LEVELS: (f32, f32) = (0.06, 0.95);

/// Mean squared difference of neighbouring pixels (two apart) and of neighbouring 4 x 4 pixel means, relative to the
/// squared mean.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Contrast {
    fine: f64,
    coarse: f64,
}

/// Ratio of fine to coarse contrast (root of the ratio of their squares, noise subtracted from both) of the camera's
/// picture linearised by its tone curve, of the merge, and of the single frame with the most exposure that clips in none of
/// the cells. Cells are weighted by their contrast in the merge. The noise is that of flat cells of similar radiance.
/// Intervals are from resampled tiles, the same resamples for all pictures. `None` with too little texture, or for a
/// picture of another scale, whose pixels are not comparable.
pub fn compare(pictures: &Pictures) -> Option<Compared> {
    let Pictures {
        map,
        finished,
        curve,
        cells,
        singles,
    } = *pictures;
    let same_scale = finished.same_scale(map.radiance.dim());
    let chosen = chosen(cells, |c| {
        c.texture > TEXTURE.0.max(3.0 * c.noise) && c.texture < TEXTURE.1
    });
    if !same_scale || chosen.len() < FEWEST {
        return None;
    }
    let quiet = chosen_quiet(cells);
    let single = super::flat_noise::best(&chosen, cells, singles);
    let channel = main_channel(map.radiance.dim().2);
    let merge = |r: usize, c: usize| Some(f64::from(map.radiance[[r, c, channel]]));
    let camera = |r: usize, c: usize| Some(curve.stops_at(finished.own_level(r, c)?.into()).exp2());
    let frame = |r: usize, c: usize| {
        let single = single?;
        single.radiance(single.overlay.own_level(r, c)?)
    };
    let pictures: [&dyn Fn(usize, usize) -> Option<f64>; 3] = [&camera, &merge, &frame];
    let noise = pictures.map(|value| Noise::of(cells, &quiet, value));
    let (down, across) = cells.tiles();
    let mut tiles: Vec<Tile<6>> = vec![Vec::new(); down * across];
    for index in thinned(&chosen, ENOUGH) {
        let corner = cells.corner(index);
        let stops = cells.list[index].stops();
        let seen = |k: usize| -> Option<Contrast> {
            let all = contrast(corner, pictures[k])?;
            let noise = noise[k].at(stops)?;
            let plain = all.coarse > CLEAR * noise.coarse;
            plain.then_some(Contrast {
                fine: all.fine - noise.fine,
                coarse: all.coarse - noise.coarse,
            })
        };
        let (Some(camera), Some(merge)) = (seen(0), seen(1)) else {
            continue;
        };
        let none = Contrast {
            fine: f64::NAN,
            coarse: f64::NAN,
        };
        let place = [camera, merge, seen(2).unwrap_or(none)];
        let all = merge.fine.max(0.0) + merge.coarse;
        let [a, b, c] = place.map(|p| [p.fine / all, p.coarse / all]);
        tiles[cells.tile_of(index)].push([a[0], a[1], b[0], b[1], c[0], c[1]]);
    }
    (tiles.iter().map(Vec::len).sum::<usize>() >= FEWEST)
        .then(|| row(&tiles, single.map(|s| s.file)))
        .flatten()
}

fn row(tiles: &[Tile<6>], file: Option<&str>) -> Option<Compared> {
    let one = |k: usize| figure(tiles, move |places| acutance(places, k));
    let less = |k: usize| {
        let of = move |places: &[&[f64; 6]]| Some(acutance(places, 0)? - acutance(places, k)?);
        figure(tiles, of).map(Difference::from)
    };
    let single = file.and_then(|_| one(2));
    Some(Compared {
        quantity: Quantity::Acutance,
        unit: "ratio".to_owned(),
        camera_hdr: Some(one(0)?),
        merge: one(1),
        single_file: file.filter(|_| single.is_some()).map(str::to_owned),
        against_merge: less(1),
        against_single: single.and_then(|_| less(2)),
        single,
    })
}

fn acutance(places: &[&[f64; 6]], picture: usize) -> Option<f64> {
    let pairs = places.iter().map(|p| (p[2 * picture], p[2 * picture + 1]));
    let (fine, coarse) = pairs
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .fold((0.0, 0.0), |(f, c), p| (f + p.0, c + p.1));
    (fine > 0.0 && coarse > 0.0).then(|| (fine / coarse).sqrt())
}

fn chosen(cells: &Cells, wanted: impl Fn(&super::cells::Cell) -> bool) -> Vec<usize> {
    let inner = |i: &usize| {
        let (row, column) = (i / cells.columns, i % cells.columns);
        row > 0 && column > 0 && row + 1 < cells.rows && column + 1 < cells.columns
    };
    (0..cells.list.len())
        .filter(inner)
        .filter(|&i| {
            let cell = &cells.list[i];
            let clear = cell.level[1] > LEVELS.0 && cell.level[1] < LEVELS.1;
            let whole = cell.clipped == 0 && cell.crushed == 0 && !cell.moved;
            cell.sound() && whole && clear && cell.noise < NOISE && wanted(cell)
        })
        .collect()
}

/// Flat cells whose texture is below the merge's noise.
fn chosen_quiet(cells: &Cells) -> Vec<usize> {
    chosen(cells, |c| c.texture < 0.5 * c.noise + 0.002)
}

fn thinned(list: &[usize], most: usize) -> impl Iterator<Item = usize> {
    let stride = list.len().div_ceil(most).max(1);
    list.iter().step_by(stride).copied()
}

/// Contrast caused by noise alone in one picture, by whole stops of the merge's radiance: medians over flat cells.
struct Noise {
    by_stop: Vec<(f64, Contrast)>,
}

impl Noise {
    fn of(cells: &Cells, quiet: &[usize], value: &dyn Fn(usize, usize) -> Option<f64>) -> Self {
        let mut seen: Vec<(f64, Contrast)> = thinned(quiet, QUIET)
            .filter_map(|i| {
                let stop = cells.list[i].stops().floor();
                Some((stop, contrast(cells.corner(i), value)?))
            })
            .collect();
        seen.sort_by(|a, b| a.0.total_cmp(&b.0));
        let by_stop = seen
            .chunk_by(|a, b| a.0 == b.0)
            .filter(|bin| bin.len() >= FEWEST_QUIET)
            .filter_map(|bin| {
                let middle = |f: fn(&Contrast) -> f64| {
                    let all: Vec<f64> = bin.iter().map(|(_, c)| f(c)).collect();
                    stopspan_core::statistics::robust::median(&all)
                };
                let typical = Contrast {
                    fine: middle(|c| c.fine)?,
                    coarse: middle(|c| c.coarse)?,
                };
                Some((bin[0].0 + 0.5, typical))
            })
            .collect();
        Noise { by_stop }
    }

    /// The noise contrast of the nearest stop, at most two stops away; `None` without one.
    fn at(&self, stops: f64) -> Option<Contrast> {
        let distance = |s: &(f64, Contrast)| (s.0 - stops).abs();
        self.by_stop
            .iter()
            .min_by(|a, b| distance(a).total_cmp(&distance(b)))
            .filter(|s| distance(s) <= 2.0)
            .map(|s| s.1)
    }
}

/// Contrast of the cell whose first pixel is (top, left); it must have a pixel on every side.
fn contrast(
    (top, left): (usize, usize),
    value: &dyn Fn(usize, usize) -> Option<f64>,
) -> Option<Contrast> {
    const WIDE: usize = SIDE + 2;
    let mut v = [[0f64; WIDE]; WIDE];
    for (r, line) in v.iter_mut().enumerate() {
        for (c, v) in line.iter_mut().enumerate() {
            *v = value(top + r - 1, left + c - 1)?;
        }
    }
    let (mut fine, mut sum) = (0.0, 0.0);
    let mut means = [[0f64; 2]; 2];
    for r in 1..=SIDE {
        for c in 1..=SIDE {
            fine += (v[r][c + 1] - v[r][c - 1]).powi(2) + (v[r + 1][c] - v[r - 1][c]).powi(2);
            sum += v[r][c];
            means[(r - 1) / 4][(c - 1) / 4] += v[r][c] / 16.0;
        }
    }
    let pixels = (SIDE * SIDE) as f64;
    let [[a, b], [c, d]] = means;
    let coarse = (b - a).powi(2) + (d - c).powi(2) + (c - a).powi(2) + (d - b).powi(2);
    let scale = (sum / pixels).powi(2);
    (scale > 0.0).then(|| Contrast {
        fine: fine / pixels / scale,
        coarse: coarse / 2.0 / scale,
    })
}
