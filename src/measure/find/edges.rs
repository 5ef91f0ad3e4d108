//! Corners to a fraction of a pixel: the sides of the patches located at full size, one homography fitted to all of them.
use crate::measure::geometry::Homography;
use crate::raster::Point;
use ndarray::Array2;

/// Least contrast of a side, stops.
const LEAST_CONTRAST: f64 = 0.06;
/// Lines averaged across a side, and samples a pixel along them.
const LINES: usize = 15;

/// A fitted map and the share of sides on which an edge was found.
pub(super) struct Refined {
    pub map: Homography,
    pub share_of_edges: f64,
}

/// Moves a map from cells to pixels onto the edges of the patches. `fill` is the share of the pitch that patches fill.
pub(super) fn refined(
    luminance: &Array2<f32>,
    coarse: &Homography,
    (rows, columns): (usize, usize),
    fill: (f64, f64),
) -> Refined {
    let mut map = *coarse;
    let mut share_of_edges = 0.0;
    for _ in 0..3 {
        let found = sides(luminance, &map, (rows, columns), fill);
        share_of_edges = found.len() as f64 / (4 * rows * columns) as f64;
        let Some(next) = fitted(&map, &found, (rows, columns)) else {
            break;
        };
        map = next;
    }
    Refined {
        map,
        share_of_edges,
    }
}

/// A side seen: where it should lie (cell coordinates), the unit normal there (0 along x, 1 along y), and how far off it
/// lies along the normal, in cells.
struct Side {
    at: Point,
    vertical: bool,
    off: f64,
}

fn sides(
    luminance: &Array2<f32>,
    map: &Homography,
    (rows, columns): (usize, usize),
    fill: (f64, f64),
) -> Vec<Side> {
    let mut found = Vec::new();
    for row in 0..rows {
        for column in 0..columns {
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
                    // Between patches that stand apart the neighbour's side lies beyond the middle of the gap.
                    let outward = (1.0 - fill) / 2.0;
                    if let Some(off) = edge(luminance, map, at, vertical, (sign, outward)) {
                        found.push(Side { at, vertical, off });
                    }
                }
            }
        }
    }
    found
}

/// How far from `at` (cells) the steepest change lies, across the side; `None` where nothing stands out. Outward (the way
/// of `sign`) it is looked for up to the middle of the gap only, if there is one.
fn edge(
    luminance: &Array2<f32>,
    map: &Homography,
    at: Point,
    vertical: bool,
    (sign, gap): (f64, f64),
) -> Option<f64> {
    let along = |t: f64, line: f64| {
        if vertical {
            Point {
                x: at.x + t,
                y: at.y + line,
            }
        } else {
            Point {
                x: at.x + line,
                y: at.y + t,
            }
        }
    };
    let (a, b) = (map.map(along(-0.05, 0.0)), map.map(along(0.05, 0.0)));
    let pixels_per_cell = (a.x - b.x).hypot(a.y - b.y) / 0.1;
    if !pixels_per_cell.is_finite() || pixels_per_cell <= 4.0 {
        return None;
    }
    let reach = 0.18f64.max(2.5 / pixels_per_cell).min(0.3);
    let step = (0.5 / pixels_per_cell).max(reach / 60.0);
    let half = (reach / step).ceil() as i32;
    let outward = if gap < 0.01 {
        reach
    } else {
        reach.min(gap + 1.5 / pixels_per_cell)
    };
    let outward = (outward / step).ceil() as i32;
    let (from, to) = if sign > 0.0 {
        (-half, outward)
    } else {
        (-outward, half)
    };
    let mut profile = Vec::with_capacity((to - from) as usize + 1);
    for k in from..=to {
        let mut sum = 0.0;
        for line in 0..LINES {
            let line = (line as f64 / (LINES - 1) as f64 - 0.5) * 0.5;
            sum += sample(luminance, map.map(along(f64::from(k) * step, line)))?;
        }
        profile.push((sum / LINES as f64).max(1e-12).log2());
    }
    steepest(&profile).map(|k| (k + f64::from(from)) * step)
}

/// Position of the steepest change in a profile, to a fraction of a sample; `None` where it does not stand out.
fn steepest(profile: &[f64]) -> Option<f64> {
    const ARM: usize = 2;
    let slope: Vec<f64> = (ARM..profile.len() - ARM)
        .map(|i| (profile[i + ARM] - profile[i - ARM]).abs())
        .collect();
    let (peak, height) = slope
        .iter()
        .copied()
        .enumerate()
        .max_by(|a, b| a.1.total_cmp(&b.1))?;
    let mut sorted = slope.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[sorted.len() / 4];
    let inside = peak > 0 && peak + 1 < slope.len();
    if height < LEAST_CONTRAST || height < 2.5 * usual || !inside {
        return None;
    }
    // Centroid of the slope about its peak.
    let reach = peak.min(slope.len() - 1 - peak).min(4);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (i, s) in slope
        .iter()
        .enumerate()
        .skip(peak - reach)
        .take(2 * reach + 1)
    {
        let w = (s - 0.3 * height).max(0.0);
        sum += w * i as f64;
        weight += w;
    }
    Some(sum / weight + ARM as f64)
}

/// Bilinear value at a point whose pixel centres lie at halves; `None` outside.
fn sample(picture: &Array2<f32>, p: Point) -> Option<f64> {
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

/// The map moved so that the sides lie where they were seen: each cell corner's place is corrected by what the sides of its
/// row and column of cells say (a plane through the offsets of each direction), then one homography is fitted.
fn fitted(map: &Homography, found: &[Side], (rows, columns): (usize, usize)) -> Option<Homography> {
    let of = |vertical: bool| {
        found
            .iter()
            .filter(move |s| s.vertical == vertical)
            .collect::<Vec<_>>()
    };
    let across = Bend::through(&of(true), (rows, columns))?;
    let down = Bend::through(&of(false), (rows, columns))?;
    let (mut from, mut to) = (Vec::new(), Vec::new());
    for row in 0..=rows {
        for column in 0..=columns {
            let p = Point {
                x: column as f64,
                y: row as f64,
            };
            from.push(p);
            to.push(map.map(Point {
                x: p.x + across.at(p),
                y: p.y + down.at(p),
            }));
        }
    }
    Homography::fitted(&from, &to)
}

/// Offsets as a smooth function of the place: 1, x, y, x y (as many terms as the lattice can pin), robustly.
struct Bend {
    terms: Vec<f64>,
    scale: (f64, f64),
}

impl Bend {
    fn through(sides: &[&Side], (rows, columns): (usize, usize)) -> Option<Self> {
        let scale = (columns as f64, rows as f64);
        let terms = if sides.len() < 8 { 1 } else { 4 };
        if sides.len() < 3 {
            return None;
        }
        let mut weights = vec![1.0; sides.len()];
        let mut bend = Bend {
            terms: vec![0.0; terms],
            scale,
        };
        for _ in 0..4 {
            let (mut normal, mut right) = (
                nalgebra::DMatrix::<f64>::identity(terms, terms) * 1e-6,
                nalgebra::DVector::<f64>::zeros(terms),
            );
            for (s, w) in sides.iter().zip(&weights) {
                let basis = nalgebra::DVector::from_vec(bend.basis(s.at));
                normal += *w * &basis * basis.transpose();
                right += *w * s.off * &basis;
            }
            bend.terms = normal.cholesky()?.solve(&right).iter().copied().collect();
            let mut misses: Vec<f64> = sides
                .iter()
                .map(|s| (s.off - bend.at(s.at)).abs())
                .collect();
            weights = misses.clone();
            misses.sort_by(f64::total_cmp);
            let scale = (1.4826 * misses[misses.len() / 2]).max(1e-4);
            weights
                .iter_mut()
                .for_each(|m| *m = 1.0 / (1.0 + (*m / (2.0 * scale)).powi(4)));
        }
        Some(bend)
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
