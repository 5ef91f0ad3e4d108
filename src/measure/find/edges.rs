//! Corners to a fraction of a pixel: sides of the patches located at full resolution, and one homography fitted to all of
//! them.
use super::profile::Profile;
use ndarray::ArrayRef2;
use stopspan_core::model::{Homography, distance};
use stopspan_core::raster::Point;

/// Fewest and most lines averaged along a side, about one per pixel.
const LINES: (usize, usize) = (15, 61);
/// Largest distance from the fit at which a side agrees with it: in cells, and in pixels; the larger one applies.
const AGREEING: (f64, f64) = (0.06, 1.2);

/// A fitted map, and the share of all sides with an edge that agrees with it.
pub(super) struct Refined {
    pub map: Homography,
    pub share_of_edges: f64,
}

/// Rows and columns of patches, and the share of the pitch that patches fill, along rows and along columns.
#[derive(Clone, Copy)]
pub(super) struct PatchGrid {
    pub rows: usize,
    pub columns: usize,
    pub fill: (f64, f64),
}

/// Moves a map from cells to pixels onto the edges of the patches, in three passes.
pub(super) fn refined(luminance: &ArrayRef2<f32>, coarse: &Homography, grid: PatchGrid) -> Refined {
    let mut map = *coarse;
    let mut share_of_edges = 0.0;
    for _ in 0..3 {
        let found = sides(luminance, &map, grid);
        share_of_edges = 0.0;
        let Some((next, agreeing)) = fitted(&map, &found, grid) else {
            break;
        };
        share_of_edges = agreeing as f64 / (4 * grid.rows * grid.columns) as f64;
        map = next;
    }
    Refined {
        map,
        share_of_edges,
    }
}

/// A measured side: its expected position (cells), whether its normal runs along x, and the offsets along the normal
/// (cells) of the changes of light found, starting with the one nearest to the patch's centre.
struct Side {
    at: Point,
    vertical: bool,
    pixels_per_cell: f64,
    off: Vec<f64>,
}

/// Where a side is expected, in cell coordinates.
#[derive(Clone, Copy)]
struct Expected {
    at: Point,
    /// True if its normal runs along x.
    vertical: bool,
    /// Sign of the outward direction along the normal.
    sign: f64,
    /// Distance from the side to the middle of the gap to the next patch.
    gap: f64,
}

/// The sides of all patches on which light changes.
fn sides(luminance: &ArrayRef2<f32>, map: &Homography, grid: PatchGrid) -> Vec<Side> {
    let fill = grid.fill;
    let mut found = Vec::new();
    for row in 0..grid.rows {
        for column in 0..grid.columns {
            let centre = (column as f64 + 0.5, row as f64 + 0.5);
            for sign in [-0.5, 0.5] {
                let vertical = Point {
                    x: centre.0 + sign * fill.0,
                    y: centre.1,
                };
                let level = Point {
                    x: centre.0,
                    y: centre.1 + sign * fill.1,
                };
                for (at, vertical, fill) in [(vertical, true, fill.0), (level, false, fill.1)] {
                    // Between patches with gaps the neighbour's side lies beyond the middle of the gap.
                    let gap = (1.0 - fill) / 2.0;
                    let expected = Expected {
                        at,
                        vertical,
                        sign,
                        gap,
                    };
                    found.extend(side(luminance, map, expected));
                }
            }
        }
    }
    found
}

/// Changes of light across an expected side; `None` without any. Outward the search ends at the middle of the gap, if there is
/// one.
fn side(luminance: &ArrayRef2<f32>, map: &Homography, expected: Expected) -> Option<Side> {
    let Expected {
        at,
        vertical,
        sign,
        gap,
    } = expected;
    let along = |t: f64, line: f64| {
        let (x, y) = if vertical { (t, line) } else { (line, t) };
        map.map(Point {
            x: at.x + x,
            y: at.y + y,
        })
    };
    let pixels_per_cell = distance(along(-0.05, 0.0), along(0.05, 0.0)) / 0.1;
    let length = distance(along(0.0, -0.25), along(0.0, 0.25));
    if !(pixels_per_cell.is_finite() && length.is_finite() && pixels_per_cell > 4.0) {
        return None;
    }
    let lines = (length as usize).clamp(LINES.0, LINES.1);
    // At most half of a patch's shorter side: beside long patches the picture may end, or other objects begin.
    let shorter = (2.0 * length).min(pixels_per_cell);
    let nearby = (0.5 * shorter).max(12.0) / pixels_per_cell;
    let reach = 0.18f64.max(2.5 / pixels_per_cell).min(0.3).min(nearby);
    let step = (0.5 / pixels_per_cell).max(reach / 60.0);
    let inward = (reach / step).ceil() as i32;
    let outward = if gap < 0.01 {
        reach
    } else {
        reach.min(gap + 1.5 / pixels_per_cell)
    };
    let outward = (outward / step).ceil() as i32;
    let mut profile = Profile::new((inward + outward) as usize + 1, length.min(lines as f64));
    for k in -inward..=outward {
        let t = f64::from(k) * step * sign.signum();
        let across = |line: usize| {
            let line = (line as f64 / (lines - 1) as f64 - 0.5) * 0.5;
            sample(luminance, along(t, line))
        };
        // The picture may end beyond the side.
        if profile.push((0..lines).map(across)).is_none() {
            if k <= 0 {
                return None;
            }
            break;
        }
    }
    let offset = |place: f64| (place - f64::from(inward)) * step * sign.signum();
    let off: Vec<f64> = profile.changes().into_iter().map(offset).collect();
    (!off.is_empty()).then_some(Side {
        at,
        vertical,
        pixels_per_cell,
        off,
    })
}

/// Bilinear interpolation at a point, pixel centres at halves; `None` outside.
fn sample(picture: &ArrayRef2<f32>, p: Point) -> Option<f64> {
    let (x, y) = (p.x - 0.5, p.y - 0.5);
    let (rows, columns) = picture.dim();
    if !(x >= 0.0 && y >= 0.0 && x < columns as f64 - 1.0 && y < rows as f64 - 1.0) {
        return None;
    }
    let (c, r) = (x as usize, y as usize);
    let (u, v) = (x - c as f64, y - r as f64);
    let at = |r: usize, c: usize| f64::from(picture[[r, c]]);
    Some(
        (at(r, c) * (1.0 - u) + at(r, c + 1) * u) * (1.0 - v)
            + (at(r + 1, c) * (1.0 - u) + at(r + 1, c + 1) * u) * v,
    )
}

/// The map moved onto the measured sides, and the number of sides that agree with it. Each cell corner is shifted by the
/// smooth offsets of both directions; then one homography is fitted.
fn fitted(map: &Homography, found: &[Side], grid: PatchGrid) -> Option<(Homography, usize)> {
    let of = |vertical: bool| {
        let sides: Vec<&Side> = found.iter().filter(|s| s.vertical == vertical).collect();
        match Bend::through(&sides, grid) {
            Some(bend) => (bend.agreeing(&sides), bend),
            None => (0, Bend::none()),
        }
    };
    let (across, down) = (of(true), of(false));
    let (mut from, mut to) = (Vec::new(), Vec::new());
    for row in 0..=grid.rows {
        for column in 0..=grid.columns {
            let p = Point {
                x: column as f64,
                y: row as f64,
            };
            from.push(p);
            to.push(map.map(Point {
                x: p.x + across.1.at(p),
                y: p.y + down.1.at(p),
            }));
        }
    }
    Some((Homography::fitted(&from, &to)?, across.0 + down.0))
}

/// Offset as a smooth function of position: 1, x, y, x y (fewer terms for few sides), fitted robustly.
struct Bend {
    terms: Vec<f64>,
    scale: (f64, f64),
}

impl Bend {
    /// No offset anywhere, for too few sides.
    fn none() -> Self {
        Bend {
            terms: vec![0.0],
            scale: (1.0, 1.0),
        }
    }

    /// Robust fit in two stages. The first uses the innermost change of each side, by least absolute residuals: the edge of
    /// a card lies outside the patch's, and is the stronger one wherever the patch is about as light as the card. The
    /// second uses the change of each side nearest to the fit, with low weights for outliers.
    fn through(sides: &[&Side], grid: PatchGrid) -> Option<Self> {
        const FINEST: f64 = 0.002;
        if sides.len() < 3 {
            return None;
        }
        let terms = if sides.len() < 8 { 1 } else { 4 };
        let mut bend = Bend {
            terms: vec![0.0; terms],
            scale: (grid.columns as f64, grid.rows as f64),
        };
        let innermost: Vec<f64> = sides.iter().map(|s| s.off[0]).collect();
        let mut weights = vec![1.0; sides.len()];
        for _ in 0..12 {
            bend.solve(sides, &innermost, &weights)?;
            for ((w, s), off) in weights.iter_mut().zip(sides).zip(&innermost) {
                *w = 1.0 / (off - bend.at(s.at)).abs().max(FINEST);
            }
        }
        for _ in 0..5 {
            let chosen: Vec<f64> = sides.iter().map(|s| bend.nearest(s)).collect();
            let misses: Vec<f64> = sides
                .iter()
                .zip(&chosen)
                .map(|(s, off)| (off - bend.at(s.at)).abs())
                .collect();
            let mut sorted = misses.clone();
            sorted.sort_by(f64::total_cmp);
            let scale = (1.4826 * sorted[sorted.len() / 2]).max(1e-4);
            for (w, miss) in weights.iter_mut().zip(&misses) {
                *w = 1.0 / (1.0 + (miss / (2.0 * scale)).powi(4));
            }
            bend.solve(sides, &chosen, &weights)?;
        }
        Some(bend)
    }

    fn solve(&mut self, sides: &[&Side], off: &[f64], weights: &[f64]) -> Option<()> {
        let terms = self.terms.len();
        let (mut normal, mut right) = (
            nalgebra::DMatrix::<f64>::identity(terms, terms) * 1e-6,
            nalgebra::DVector::<f64>::zeros(terms),
        );
        for ((s, off), w) in sides.iter().zip(off).zip(weights) {
            let basis = nalgebra::DVector::from_vec(self.basis(s.at));
            normal += *w * &basis * basis.transpose();
            right += *w * *off * &basis;
        }
        self.terms = normal.cholesky()?.solve(&right).iter().copied().collect();
        Some(())
    }

    /// Offset of the change of light nearest to the fit.
    fn nearest(&self, side: &Side) -> f64 {
        let at = self.at(side.at);
        let by_distance = |a: &&f64, b: &&f64| (*a - at).abs().total_cmp(&(*b - at).abs());
        side.off.iter().min_by(by_distance).copied().unwrap_or(at)
    }

    fn agreeing(&self, sides: &[&Side]) -> usize {
        let agrees = |s: &&&Side| {
            let miss = (self.nearest(s) - self.at(s.at)).abs();
            miss <= AGREEING.0.max(AGREEING.1 / s.pixels_per_cell)
        };
        sides.iter().filter(agrees).count()
    }

    fn basis(&self, p: Point) -> Vec<f64> {
        let (x, y) = (p.x / self.scale.0 - 0.5, p.y / self.scale.1 - 0.5);
        [1.0, x, y, x * y][..self.terms.len()].to_vec()
    }

    fn at(&self, p: Point) -> f64 {
        self.basis(p)
            .iter()
            .zip(&self.terms)
            .map(|(b, t)| b * t)
            .sum()
    }
}
