//! Ghosts: areas where the finished picture disagrees with the merge beyond the tone curve of their surroundings, and where
//! mixing in the content of another frame explains the disagreement.
use super::cells::{Cells, SIDE};
use super::disagreement::{Expected, Places};
use super::pictures::Pictures;
use nalgebra::DMatrix;
use ndarray::Array2;
use stopspan_core::model::main_channel;
use stopspan_core::raster::Region;
use stopspan_core::results::{Ghost, Ghosts};
use stopspan_core::statistics::fit::non_negative_least_squares;

/// Smallest share of the disagreement that other frames must explain. Ours, without a source.
const EXPLAINED: f64 = 0.6;
/// Largest share of a frame that can be mixed in; above 1 to allow for errors of the curve.
const MOST: f64 = 1.3;
/// Smallest disagreement marked, level 0..=1.
const LEAST: f32 = 0.02;
/// Largest number of areas examined, the largest first.
const PLACES: usize = 48;

/// Samples of a box: disagreement of the finished picture, and the change that mixing in each frame would make.
struct Patch {
    region: Region,
    disagreement: Array2<f32>,
    frames: Vec<Array2<f32>>,
}

/// Ghosts, and a plane (one element per sample of the cells' step) that marks them with 1 and unexplained areas with 2.
pub fn find(pictures: &Pictures) -> (Ghosts, Array2<u8>) {
    let cells = pictures.cells;
    let step = cells.step;
    let mut marks = Array2::<u8>::zeros((cells.rows * SIDE / step, cells.columns * SIDE / step));
    let expected = Expected::of(cells, pictures.curve);
    let mut ghosts = Ghosts::default();
    let mut unexplained = 0;
    for place in Places::of(cells, &expected).list.iter().take(PLACES) {
        let patch = sample(pictures, &expected, place);
        match ghost(pictures, place, &patch, &mut marks) {
            Some(ghost) => ghosts.places.push(ghost),
            None => {
                for &index in place {
                    let (top, left) = cells.corner(index);
                    let (r, c, side) = (top / step, left / step, SIDE / step);
                    marks
                        .slice_mut(ndarray::s![r..r + side, c..c + side])
                        .mapv_inplace(|m| m.max(2));
                }
                unexplained += place.len();
            }
        }
    }
    let judged = cells.list.iter().filter(|c| c.sound()).count().max(1) as f64;
    let area = (step * step) as f64;
    let marked = marks.iter().filter(|m| **m == 1).count() as f64 * area;
    ghosts.share = marked / (judged * (SIDE * SIDE) as f64);
    ghosts.unexplained = unexplained as f64 / judged;
    ghosts.places.sort_by(|a, b| {
        b.pixels
            .cmp(&a.pixels)
            .then(a.region.top.cmp(&b.region.top))
    });
    (ghosts, marks)
}

/// The samples of an area with a margin of two cells, smoothed over five samples each way.
fn sample(pictures: &Pictures, expected: &Expected, place: &[usize]) -> Patch {
    let cells = pictures.cells;
    let region = around(cells, place, 2);
    let step = cells.step;
    let shape = (region.height / step, region.width / step);
    let channel = main_channel(pictures.map.radiance.dim().2);
    let at = |r: usize, c: usize| (region.top + r * step, region.left + c * step);
    let radiance = |r: usize, c: usize| {
        let (row, column) = at(r, c);
        pictures.map.radiance[[row, column, channel]]
    };
    let disagreement = Array2::from_shape_fn(shape, |(r, c)| {
        let (row, column) = at(r, c);
        let cell = row / SIDE * cells.columns + column / SIDE;
        let light = radiance(r, c);
        let offset = expected.offset(cells, cell, f64::from(light).log2());
        pictures.finished.levels(row, column).map_or(0.0, |l| {
            l[1] - pictures.curve.level(light) - offset.unwrap_or(0.0)
        })
    });
    let frames = pictures.singles.iter().map(|single| {
        let other = Array2::from_shape_fn(shape, |(r, c)| {
            let (row, column) = at(r, c);
            let Some(level) = single.overlay.levels(row, column) else {
                return 0.0;
            };
            let light = radiance(r, c);
            let seen = match single.radiance(level[1]) {
                Some(seen) => seen as f32,
                // Clipped: a lower bound, without information where the merge is higher.
                None => light.max(single.top() as f32),
            };
            pictures.curve.level(seen) - pictures.curve.level(light)
        });
        smooth(&other)
    });
    Patch {
        region,
        frames: frames.collect(),
        disagreement: smooth(&disagreement),
    }
}

/// The area as a ghost, with its marks, if the frames explain it.
fn ghost(
    pictures: &Pictures,
    place: &[usize],
    patch: &Patch,
    marks: &mut Array2<u8>,
) -> Option<Ghost> {
    let step = pictures.cells.step;
    let inside = inside(pictures.cells, place, patch);
    let (shares, explained) = mixed(patch, &inside)?;
    if explained < EXPLAINED {
        return None;
    }
    let residual: Vec<f32> = inside
        .iter()
        .map(|&i| patch.disagreement[i].abs())
        .collect();
    let typical = stopspan_core::statistics::robust::median(&residual)? as f32;
    let threshold = LEAST.max(0.4 * typical);
    let mut pixels = 0;
    let mut bounds: Option<(usize, usize, usize, usize)> = None;
    let mut squares = 0.0;
    for ((r, c), &v) in patch.disagreement.indexed_iter() {
        let model: f32 = patch
            .frames
            .iter()
            .zip(&shares)
            .map(|(f, s)| f[[r, c]] * s)
            .sum();
        if v.abs() < threshold || model * v.signum() < 0.5 * threshold {
            continue;
        }
        let (row, column) = (patch.region.top / step + r, patch.region.left / step + c);
        if row >= marks.nrows() || column >= marks.ncols() || marks[[row, column]] == 1 {
            continue;
        }
        marks[[row, column]] = 1;
        pixels += step * step;
        squares += f64::from(v * v);
        let (t, l, b, e) = bounds.unwrap_or((row, column, row, column));
        bounds = Some((t.min(row), l.min(column), b.max(row), e.max(column)));
    }
    let (top, left, bottom, right) = bounds?;
    let leading = (0..shares.len()).max_by(|&a, &b| shares[a].total_cmp(&shares[b]))?;
    Some(Ghost {
        region: Region {
            top: top * step,
            left: left * step,
            height: (bottom - top + 1) * step,
            width: (right - left + 1) * step,
        },
        pixels,
        mixed: f64::from(shares.iter().sum::<f32>()).min(1.0),
        frame: pictures.singles[leading].file.to_owned(),
        explained,
        residual: (squares * (step * step) as f64 / pixels as f64).sqrt(),
    })
}

/// Samples of the patch within the cells of the area.
fn inside(cells: &Cells, place: &[usize], patch: &Patch) -> Vec<(usize, usize)> {
    let (step, side) = (cells.step, SIDE / cells.step);
    let of = |&index: &usize| {
        let (top, left) = cells.corner(index);
        let (r, c) = (
            (top - patch.region.top) / step,
            (left - patch.region.left) / step,
        );
        (0..side).flat_map(move |i| (0..side).map(move |j| (r + i, c + j)))
    };
    place.iter().flat_map(of).collect()
}

/// Non-negative shares of the frames whose mixture best fits the disagreement, and the share of the disagreement they
/// explain.
fn mixed(patch: &Patch, inside: &[(usize, usize)]) -> Option<(Vec<f32>, f64)> {
    let stride = inside.len().div_ceil(4000).max(1);
    let chosen: Vec<(usize, usize)> = inside.iter().step_by(stride).copied().collect();
    // A frame that agrees with the merge contributes only noise.
    let news = |frame: &Array2<f32>| {
        let squares: f32 = chosen.iter().map(|&i| frame[i] * frame[i]).sum();
        squares / chosen.len() as f32 > LEAST * LEAST
    };
    let tells: Vec<bool> = patch.frames.iter().map(news).collect();
    if !tells.contains(&true) {
        return None;
    }
    let design = DMatrix::from_fn(chosen.len(), patch.frames.len(), |i, j| {
        if tells[j] {
            f64::from(patch.frames[j][chosen[i]])
        } else {
            0.0
        }
    });
    let observed: Vec<f64> = chosen
        .iter()
        .map(|&i| f64::from(patch.disagreement[i]))
        .collect();
    let shares = non_negative_least_squares(&design, &observed)?;
    if shares.iter().sum::<f64>() > MOST {
        return None;
    }
    let (mut left, mut all) = (0.0, 0.0);
    for (i, v) in observed.iter().enumerate() {
        let model: f64 = (0..shares.len()).map(|j| shares[j] * design[(i, j)]).sum();
        left += (v - model).powi(2);
        all += v * v;
    }
    (all > 0.0).then(|| (shares.iter().map(|s| *s as f32).collect(), 1.0 - left / all))
}

/// Bounding box of an area with a margin, in whole cells.
fn around(cells: &Cells, place: &[usize], margin: usize) -> Region {
    let rows = place.iter().map(|i| i / cells.columns);
    let columns = place.iter().map(|i| i % cells.columns);
    let ends = |values: &mut dyn Iterator<Item = usize>, len: usize| {
        let (low, high) = values.fold((len, 0), |(l, h), v| (l.min(v), h.max(v)));
        (low.saturating_sub(margin), (high + margin + 1).min(len))
    };
    let (top, bottom) = ends(&mut rows.into_iter(), cells.rows);
    let (left, right) = ends(&mut columns.into_iter(), cells.columns);
    Region {
        top: top * SIDE,
        left: left * SIDE,
        height: (bottom - top) * SIDE,
        width: (right - left) * SIDE,
    }
}

/// Mean over five samples each way; fewer at the border.
fn smooth(plane: &Array2<f32>) -> Array2<f32> {
    let (rows, columns) = plane.dim();
    let run = |i: usize, len: usize| (i.saturating_sub(2), (i + 3).min(len));
    let across = Array2::from_shape_fn((rows, columns), |(r, c)| {
        let (a, b) = run(c, columns);
        plane.slice(ndarray::s![r, a..b]).sum() / (b - a) as f32
    });
    Array2::from_shape_fn((rows, columns), |(r, c)| {
        let (a, b) = run(r, rows);
        across.slice(ndarray::s![a..b, c]).sum() / (b - a) as f32
    })
}
