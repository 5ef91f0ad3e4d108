//! The lattice of the patches: grown from a chain, and fitted as a homography from cell indices to pixels.
use super::flat::Patch;
use super::seeds::Index;
use super::shrink::ReducedPicture;
use std::collections::BTreeMap;
use std::ops::Range;
use stopspan_core::model::{Homography, distance};
use stopspan_core::raster::Point;

/// Largest distance of a patch from its predicted position, in units of the pitch.
const ASTRAY: f64 = 0.22;
/// Smallest share of the pitch that patches fill; below it the lattice has skipped every second patch.
const LEAST_FILL: f64 = 0.55;
/// Largest share of the cells with a patch between them and their neighbours.
const MOST_LEFT_OUT: f64 = 0.25;
/// Number of cells examined beyond the lattice, each way.
const BEYOND: i32 = 3;
/// The same along a single row, where it costs little: patches as light as their card split a row in two.
const BEYOND_ALONG: i32 = 20;
/// Largest number of cells along one side.
const LONGEST: i32 = 64;
/// Largest number of cells along the shorter side; wider lattices are tilings, not wedges.
const WIDEST: i32 = 20;

type Vector = (f64, f64);
type Cell = (i32, i32);

/// Patches with their column and row on a lattice of arbitrary origin.
pub(super) struct Lattice {
    cells: BTreeMap<Cell, usize>,
    centres: BTreeMap<Cell, Point>,
    others: BTreeMap<Cell, Vector>,
    along: BTreeMap<Cell, f64>,
    one_row: bool,
}

impl Lattice {
    /// Indices of the patches on the lattice.
    pub fn members(&self) -> impl Iterator<Item = usize> + '_ {
        self.cells.values().copied()
    }

    /// Grows a lattice from a chain of at least three patches; `None` below four patches, and where it leaves patches between its own
    /// out, as one along the diagonals of a chart does.
    pub fn grown(patches: &[Patch], index: &Index, chain: &[usize]) -> Option<Self> {
        let (first, last) = (&patches[chain[0]].centre, &patches[*chain.last()?].centre);
        let steps = chain.len() as f64 - 1.0;
        let u = ((last.x - first.x) / steps, (last.y - first.y) / steps);
        let mut lattice = Lattice {
            cells: BTreeMap::new(),
            centres: BTreeMap::new(),
            others: BTreeMap::new(),
            along: BTreeMap::new(),
            one_row: true,
        };
        for (i, &p) in chain.iter().enumerate() {
            lattice.take((i as i32, 0), p, patches, u);
        }
        let v = lattice.across(patches, index, u);
        lattice.one_row = v.is_none();
        lattice.flood(patches, index, u, v);
        let span = |f: fn(&Cell) -> i32| {
            let all = || lattice.cells.keys().map(f);
            Some(all().max()? - all().min()?)
        };
        let (columns, rows) = (span(|c| c.0)?, span(|c| c.1)?);
        lattice.one_row = rows == 0;
        let left_out = v.map_or(0, |v| lattice.left_out(patches, index, (u, v)));
        let dense = left_out as f64 <= MOST_LEFT_OUT * lattice.cells.len() as f64;
        (lattice.cells.len() >= 4 && columns.min(rows) < WIDEST && dense).then_some(lattice)
    }

    /// Number of cells with a like patch at their lower right corner, where four cells meet.
    fn left_out(&self, patches: &[Patch], index: &Index, (u, v): (Vector, Vector)) -> usize {
        let between = |(cell, centre): (&Cell, &Point)| {
            let (u, v) = (self.local(*cell, (1, 0), u), self.local(*cell, (0, 1), v));
            let corner = Point {
                x: centre.x + (u.0 + v.0) / 2.0,
                y: centre.y + (u.1 + v.1) / 2.0,
            };
            let reach = ASTRAY * u.0.hypot(u.1).min(v.0.hypot(v.1));
            let own = &patches[self.cells[cell]];
            index.near(corner, reach).any(|i| patches[i].like(own))
        };
        self.centres.iter().filter(|c| between(*c)).count()
    }

    fn take(&mut self, cell: Cell, patch: usize, patches: &[Patch], u: Vector) {
        let length = u.0.hypot(u.1);
        let p = &patches[patch];
        if let Some((along, other)) = p.sides((u.0 / length, u.1 / length)) {
            self.cells.insert(cell, patch);
            self.centres.insert(cell, p.centre);
            self.others.insert(cell, other);
            self.along.insert(cell, along / length);
        }
    }

    /// The step from row to row shared by most members; `None` for a single row.
    fn across(&self, patches: &[Patch], index: &Index, u: Vector) -> Option<Vector> {
        let pitch = u.0.hypot(u.1);
        let mut steps: Vec<Vector> = Vec::new();
        for (cell, centre) in &self.centres {
            let other = self.others[cell];
            let reach = 2.0 * other.0.hypot(other.1);
            for i in index.near(*centre, reach) {
                let p = &patches[i];
                let d = (p.centre.x - centre.x, p.centre.y - centre.y);
                let length = d.0.hypot(d.1);
                let sine = (u.0 * d.1 - u.1 * d.0).abs() / (pitch * length).max(1e-9);
                let long_enough = length >= 0.85 * other.0.hypot(other.1);
                if sine > 0.8 && long_enough && p.like(&patches[self.cells[cell]]) {
                    let down = u.0 * d.1 - u.1 * d.0 > 0.0;
                    steps.push(if down { d } else { (-d.0, -d.1) });
                }
            }
        }
        let near = |a: &Vector, b: &Vector| (a.0 - b.0).hypot(a.1 - b.1) < 0.15 * a.0.hypot(a.1);
        let votes = |a: &Vector| steps.iter().filter(|b| near(a, b)).count();
        let best = steps.iter().max_by_key(|a| votes(a))?;
        (votes(best) >= 3.min(self.cells.len())).then_some(*best)
    }

    fn flood(&mut self, patches: &[Patch], index: &Index, u: Vector, v: Option<Vector>) {
        let mut queue: Vec<Cell> = self.cells.keys().copied().collect();
        let steps = |d: i32| [(d, 0), (-d, 0), (0, d), (0, -d)];
        while let Some(cell) = queue.pop() {
            for (di, dj) in steps(1).into_iter().chain(steps(2)) {
                let target = (cell.0 + di, cell.1 + dj);
                let known = self.centres.contains_key(&target);
                if known || (dj != 0 && v.is_none()) || target.0.abs().max(target.1.abs()) > LONGEST
                {
                    continue;
                }
                let basis = if dj == 0 {
                    self.local(cell, (1, 0), u)
                } else {
                    self.local(cell, (0, 1), v.unwrap_or(u))
                };
                let steps = f64::from(di + dj);
                let from = self.centres[&cell];
                let expected = Point {
                    x: from.x + steps * basis.0,
                    y: from.y + steps * basis.1,
                };
                let reach = ASTRAY * u.0.hypot(u.1).min(basis.0.hypot(basis.1));
                let like = |i: &usize| {
                    patches[*i].like(&patches[self.cells[&cell]])
                        && !self.cells.values().any(|c| c == i)
                };
                if let Some(found) = index.near(expected, reach).find(like) {
                    self.take(target, found, patches, u);
                    if self.cells.contains_key(&target) {
                        queue.push(target);
                    }
                }
            }
        }
    }

    /// Step between cells near `cell`, measured there if possible, else the general one.
    fn local(&self, cell: Cell, (di, dj): Cell, general: Vector) -> Vector {
        let here = self.centres[&cell];
        let step = |to: Cell, sign: f64| {
            let p = self.centres.get(&to)?;
            Some((sign * (p.x - here.x), sign * (p.y - here.y)))
        };
        step((cell.0 + di, cell.1 + dj), 1.0)
            .or_else(|| step((cell.0 - di, cell.1 - dj), -1.0))
            .unwrap_or(general)
    }

    /// Fits a homography to the lattice, and measures its cells and some beyond. `None` where none fits.
    pub fn carried_on(&self, small: &ReducedPicture) -> Option<FittedLattice> {
        let (mut from, mut to) = (Vec::new(), Vec::new());
        for (cell, c) in &self.centres {
            let (i, j) = (f64::from(cell.0) + 0.5, f64::from(cell.1) + 0.5);
            if self.one_row {
                let q = self.others[cell];
                for (side, sign) in [(-0.5, -0.5), (0.5, 0.5)] {
                    from.push(Point { x: i, y: j + side });
                    to.push(Point {
                        x: c.x + sign * q.0,
                        y: c.y + sign * q.1,
                    });
                }
            } else {
                from.push(Point { x: i, y: j });
                to.push(*c);
            }
        }
        let map = Homography::fitted(&from, &to)?;
        let misses = from.iter().zip(&to).map(|(a, b)| {
            let p = map.map(*a);
            (p.x - b.x).powi(2) + (p.y - b.y).powi(2)
        });
        let residual = (misses.sum::<f64>() / from.len() as f64).sqrt();
        let sheet = self.sheet(small, map, residual);
        (sheet.fill.0 >= LEAST_FILL).then_some(sheet)
    }

    fn sheet(&self, small: &ReducedPicture, map: Homography, residual: f64) -> FittedLattice {
        let columns = || self.cells.keys().map(|c| c.0);
        let rows = || self.cells.keys().map(|c| c.1);
        let (along, across) = if self.one_row {
            (BEYOND_ALONG, 0)
        } else {
            (BEYOND, BEYOND)
        };
        let (left, right) = (
            columns().min().unwrap_or(0) - along,
            columns().max().unwrap_or(0) + along,
        );
        let (top, bottom) = (
            rows().min().unwrap_or(0) - across,
            rows().max().unwrap_or(0) + across,
        );
        let mut fills: Vec<f64> = self.along.values().copied().collect();
        fills.sort_by(f64::total_cmp);
        let fill = fills[fills.len() / 2].clamp(0.4, 1.0);
        let cells = (top..=bottom)
            .map(|j| {
                (left..=right)
                    .map(|i| {
                        CellStatistics::at(small, &map, (i, j), self.cells.contains_key(&(i, j)))
                    })
                    .collect()
            })
            .collect();
        let shift = [
            [1.0, 0.0, f64::from(left)],
            [0.0, 1.0, f64::from(top)],
            [0.0, 0.0, 1.0],
        ];
        let shifted = Homography::of_rows(shift).map_or(map, |s| s.then(&map));
        FittedLattice {
            map: shifted,
            cells,
            residual: residual / self.pitch(),
            fill: (fill, if self.one_row { 1.0 } else { fill }),
            brightest: small.log.iter().copied().fold(f32::MIN, f32::max).into(),
        }
    }

    fn pitch(&self) -> f64 {
        let pairs = self.centres.iter().filter_map(|(c, p)| {
            let q = self.centres.get(&(c.0 + 1, c.1))?;
            Some((p.x - q.x).hypot(p.y - q.y))
        });
        pairs.fold(f64::INFINITY, f64::min).min(1e9)
    }
}

/// A fitted lattice with the statistics of every cell.
pub(super) struct FittedLattice {
    /// Maps columns and rows to pixels of the reduced picture.
    pub map: Homography,
    /// Cells by row, then column.
    pub cells: Vec<Vec<CellStatistics>>,
    /// Root mean square distance of the patches from the lattice, in pitches.
    pub residual: f64,
    /// Share of the pitch that a patch fills, along and across the rows.
    pub fill: (f64, f64),
    /// log2 of the brightest pixel of the picture.
    pub brightest: f64,
}

/// Statistics of one cell.
#[derive(Debug, Clone, Copy)]
pub(super) struct CellStatistics {
    /// log2 of the mean luminance of the interior.
    pub log: f64,
    /// Standard deviation of log2 luminance in the interior, stops; infinite outside the picture.
    pub spread: f64,
    /// Difference of the interior from the areas just outside the cell across the row, stops (the larger of the two).
    pub stands_out: f64,
    /// True if a flat patch was found in the cell.
    pub patch: bool,
    /// log2 of red and of blue over luminance in the interior; `None` without colour.
    pub colour: Option<[f64; 2]>,
}

impl CellStatistics {
    pub fn at(small: &ReducedPicture, map: &Homography, (i, j): Cell, patch: bool) -> Self {
        let (i, j) = (f64::from(i), f64::from(j));
        let strip = |low: f64, high: f64| mean_of(small, map, i + 0.3..i + 0.7, j + low..j + high);
        let Some((log, spread)) = strip(0.3, 0.7) else {
            return CellStatistics {
                log: 0.0,
                spread: f64::INFINITY,
                stands_out: 0.0,
                patch,
                colour: None,
            };
        };
        // The distance outside is limited by the shorter side, because a card extends no farther beside long patches.
        let share = shorter_share(map, i, j);
        let (near, far) = (0.15 * share, 0.35 * share);
        let beside = [strip(-far, -near), strip(1.0 + near, 1.0 + far)];
        let stands_out = beside
            .iter()
            .flatten()
            .map(|b| (b.0 - log).abs())
            .fold(0.0, f64::max);
        CellStatistics {
            log,
            spread,
            stands_out,
            patch,
            colour: colour_of(small, map, (i, j)),
        }
    }
}

/// Mean of log2 of red and of blue over luminance in the middle of a cell.
fn colour_of(small: &ReducedPicture, map: &Homography, (i, j): (f64, f64)) -> Option<[f64; 2]> {
    const POINTS: usize = 6;
    let part = |n: usize| 0.3 + 0.4 * (n as f64 + 0.5) / POINTS as f64;
    let mut sum = [0.0; 2];
    for n in 0..POINTS * POINTS {
        let (x, y) = (i + part(n % POINTS), j + part(n / POINTS));
        let here = small.colour_at(map.map(Point { x, y }))?;
        (0..2).for_each(|k| sum[k] += f64::from(here[k]));
    }
    Some(sum.map(|s| s / (POINTS * POINTS) as f64))
}

/// Ratio of a cell's length along the row to its length across, at most 1.
fn shorter_share(map: &Homography, i: f64, j: f64) -> f64 {
    let at = |x: f64, y: f64| map.map(Point { x: i + x, y: j + y });
    let along = distance(at(0.0, 0.5), at(1.0, 0.5));
    let across = distance(at(0.5, 0.0), at(0.5, 1.0));
    (along / across).clamp(0.0, 1.0)
}

/// log2 of the mean, and standard deviation of log2, over part of the lattice in 6 x 6 pieces, each a mean of up to 4 x 4
/// pixels; `None` where it leaves the picture. Where means of 2 x 2 pieces vary much less than pieces, as with noise but
/// not with texture, their deviation is used: a patch deep in the noise is still flat.
pub(super) fn mean_of(
    small: &ReducedPicture,
    map: &Homography,
    x: Range<f64>,
    y: Range<f64>,
) -> Option<(f64, f64)> {
    const PIECES: usize = 6;
    const COARSE: usize = PIECES / 2;
    let part = |n: usize, count: usize, span: &Range<f64>| {
        span.start + (span.end - span.start) * (n as f64 + 0.5) / count as f64
    };
    let corner = |x: f64, y: f64| map.map(Point { x, y });
    let (a, b) = (corner(x.start, y.start), corner(x.end, y.end));
    let across = ((b.x - a.x).abs().min((b.y - a.y).abs()) / PIECES as f64) as usize;
    let fine = across.clamp(1, 4);
    let mut pieces = [0.0; PIECES * PIECES];
    let mut coarse = [0.0; COARSE * COARSE];
    for (k, piece) in pieces.iter_mut().enumerate() {
        for l in 0..fine * fine {
            let (column, row) = (k % PIECES * fine + l % fine, k / PIECES * fine + l / fine);
            let p = map.map(Point {
                x: part(column, PIECES * fine, &x),
                y: part(row, PIECES * fine, &y),
            });
            *piece += f64::from(small.at(p)?).exp2() / (fine * fine) as f64;
        }
        coarse[k / PIECES / 2 * COARSE + k % PIECES / 2] += *piece / 4.0;
    }
    let mean = coarse.iter().sum::<f64>() / coarse.len() as f64;
    let spread = deviation_of_log2(&pieces).min(1.5 * deviation_of_log2(&coarse));
    Some((mean.log2(), spread))
}

fn deviation_of_log2(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().map(|v| v.log2()).sum::<f64>() / n;
    let squares = values
        .iter()
        .map(|v| (v.log2() - mean).powi(2))
        .sum::<f64>();
    (squares / n).sqrt()
}
