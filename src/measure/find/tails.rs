//! Carries a found wedge on over steps that are no patches by themselves: too dark for the noise, blocked, or clipped alike.
//!
//! A patch is found in the logarithm of light, in which the darkest steps of a single frame are all noise, and blocked blacks fall
//! by no steady step. In linear light such a step is as quiet as its neighbours. A cell beyond an end is one more step if its means
//! over parts vary no more than those of the last steps found, light does not turn there, and the strip still differs from what is
//! beside it. The wedge ends where light changes at the far side of a cell.
use super::columns;
use super::order::Ordered;
use super::starting_at;
use ndarray::ArrayRef2;
use std::ops::Range;
use stopspan_core::model::{Homography, distance};
use stopspan_core::raster::Point;

/// Largest number of columns, and of rows, added at one end.
pub(super) const MOST: (i32, i32) = (20, 6);
/// Number of steps at an end that a further one is compared with.
pub(super) const LAST: i32 = 3;
/// Factor by which the means of parts of a further step may vary more than those of the last steps (judgement).
const QUIET: f64 = 1.6;
/// Parts of a cell along each axis, and points of a part along each axis.
const PARTS: usize = 4;
const POINTS: usize = 6;
/// Standard errors from which two means differ (common practice: 4 is beyond chance in a few hundred comparisons), and the least
/// relative difference.
const DIFFERS: (f64, f64) = (4.0, 0.02);
/// Part of a cell along an axis that is well inside its patch.
const MIDDLE: Range<f64> = 0.25..0.75;
/// Distance from a side at which what is beside it is looked at, in the shorter side of a cell: cards extend no farther beside long
/// patches.
const BESIDE: Range<f64> = 0.06..0.18;

/// Factor by which what is beside a step varies more than the step where an edge or a texture lies there.
const UNQUIET: f64 = 4.0;

/// A cell by column and row.
pub(super) type Cell = (i32, i32);

/// The cells of a wedge with what was added: its first cell in those of the wedge found, its columns and rows, and whether
/// every second row runs backwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Extent {
    pub first: Cell,
    pub columns: usize,
    pub rows: usize,
    pub boustrophedon: bool,
}

/// The extent of a wedge in `luminance`, linear on any positive scale, with its steps beyond those found. `map` takes columns and
/// rows of the wedge found to pixels.
pub(super) fn carried_on(luminance: &ArrayRef2<f32>, map: &Homography, found: &Ordered) -> Extent {
    let mut look = Look {
        luminance,
        map: *map,
        columns: found.columns as i32,
        rows: found.rows as i32,
        dark_first: found.dark_first,
    };
    let mut extent = Extent {
        first: (0, 0),
        columns: found.columns,
        rows: found.rows,
        boustrophedon: found.boustrophedon,
    };
    let room = found.room;
    let beside = |to, room| match found.rows {
        1 => look.along(to, room),
        _ => columns::beside(&look, to, (found.boustrophedon, room)),
    };
    let (before, after) = (beside(-1, room.before.0), beside(1, room.after.0));
    extent.first.0 = -before;
    extent.columns += (before + after) as usize;
    if found.rows == 1 && before + after > 0 {
        return extent;
    }
    look.map = starting_at(map, extent.first);
    look.columns = extent.columns as i32;
    let ways: &[bool] = match found.rows {
        1 => &[false, true],
        _ => std::slice::from_ref(&found.boustrophedon),
    };
    for &backwards in ways {
        let down = |to, room| look.down(to, (backwards, room));
        let (above, below) = (down(-1, room.before.1), down(1, room.after.1));
        // The first row is read forwards.
        if above + below > 0 && !(backwards && above % 2 == 1) {
            extent.first.1 = -above;
            extent.rows += (above + below) as usize;
            extent.boustrophedon = backwards;
            break;
        }
    }
    extent
}

/// Mean light of a part of the picture and how its parts vary.
#[derive(Debug, Clone, Copy)]
pub(super) struct Light {
    mean: f64,
    /// Standard deviation of the means over the parts.
    wobble: f64,
}

impl Light {
    /// Standard error of the mean.
    fn error(&self) -> f64 {
        self.wobble / PARTS as f64
    }

    pub fn differs(&self, other: &Light) -> bool {
        let apart = (self.mean - other.mean).abs();
        apart > DIFFERS.0 * self.error().hypot(other.error())
            && apart > DIFFERS.1 * self.mean.max(other.mean)
    }

    /// True if what is `beside` is of another light, or no even part of anything.
    pub fn stands_out_from(&self, beside: &Light) -> bool {
        self.differs(beside) || beside.wobble > UNQUIET * self.wobble
    }
}

/// A picture, with the wedge found in it.
pub(super) struct Look<'a> {
    luminance: &'a ArrayRef2<f32>,
    map: Homography,
    pub columns: i32,
    pub rows: i32,
    pub dark_first: bool,
}

impl Look<'_> {
    /// Light in a part of the lattice; `None` where it leaves the picture.
    fn light(&self, x: Range<f64>, y: Range<f64>) -> Option<Light> {
        let (rows, columns) = self.luminance.dim();
        let at = |n: usize, span: &Range<f64>| {
            span.start + (span.end - span.start) * (n as f64 + 0.5) / (PARTS * POINTS) as f64
        };
        let mut parts = [0.0; PARTS * PARTS];
        for r in 0..PARTS * POINTS {
            for c in 0..PARTS * POINTS {
                let p = self.map.map(Point {
                    x: at(c, &x),
                    y: at(r, &y),
                });
                let inside = p.x >= 0.0 && p.y >= 0.0;
                let (row, column) = (p.y as usize, p.x as usize);
                if !inside || row >= rows || column >= columns {
                    return None;
                }
                parts[r / POINTS * PARTS + c / POINTS] += f64::from(self.luminance[[row, column]]);
            }
        }
        let means = parts.map(|sum| sum / (POINTS * POINTS) as f64);
        let mean = means.iter().sum::<f64>() / means.len() as f64;
        let squares = means.iter().map(|m| (m - mean).powi(2)).sum::<f64>();
        let wobble = (squares / (means.len() - 1) as f64).sqrt();
        mean.is_finite().then_some(Light { mean, wobble })
    }

    pub fn cell(&self, (column, row): Cell) -> Option<Light> {
        self.part((column, row), MIDDLE, MIDDLE)
    }

    /// Light in a part of a cell, whose own coordinates are 0..=1.
    pub fn part(&self, (column, row): Cell, x: Range<f64>, y: Range<f64>) -> Option<Light> {
        let (i, j) = (f64::from(column), f64::from(row));
        self.light(i + x.start..i + x.end, j + y.start..j + y.end)
    }

    /// Number of columns to add to a single row, to the left (-1) or to the right (1), at most `room`.
    fn along(&self, to: i32, room: i32) -> i32 {
        let end = if to > 0 { self.columns - 1 } else { 0 };
        let darker = (to > 0) != self.dark_first;
        let last: Vec<Light> = (0..LAST)
            .filter_map(|k| self.cell((end - k * to, 0)))
            .collect();
        let Some(mut before) = last.first().copied() else {
            return 0;
        };
        let mut count = 0;
        for k in 1..=room {
            let cell = (end + k * to, 0);
            let Some(here) = self.cell(cell) else { break };
            if !goes_on(&here, &before, &last, darker) {
                break;
            }
            if self.differs_beside(cell, &here) && self.ends_at(cell, (to, 0)) {
                count = k;
            }
            before = here;
        }
        count
    }

    /// Number of rows to add, above (-1) or below (1), at most `room`, where every second row runs backwards or none.
    fn down(&self, to: i32, (backwards, room): (bool, i32)) -> i32 {
        let end = if to > 0 { self.rows - 1 } else { 0 };
        let darker = (to > 0) != self.dark_first;
        let row = |row: i32| -> Option<Vec<Light>> {
            let read = |k: i32| {
                // Reading goes on from the end of the wedge; upwards it is the other way round.
                let turned = (backwards && row.rem_euclid(2) == 1) != (to < 0);
                let column = if turned { self.columns - 1 - k } else { k };
                self.cell((column, row))
            };
            (0..self.columns).map(read).collect()
        };
        let Some(mut before) = row(end) else { return 0 };
        let last = before[before.len().saturating_sub(LAST as usize)..].to_vec();
        let mut count = 0;
        for k in 1..=room {
            let number = end + k * to;
            let Some(here) = row(number) else { break };
            let steps = before.last().into_iter().chain(&here);
            let follow = steps.clone().zip(steps.skip(1));
            let goes_on = follow
                .clone()
                .all(|(before, here)| goes_on(here, before, &last, darker));
            // A row by itself must show steps; below it all may be black.
            let seen = follow.filter(|(before, here)| here.differs(before)).count() >= 2;
            if !goes_on || !(seen || k > 1 || self.rows > 1) || !self.differs_around(number) {
                break;
            }
            let ends = (0..self.columns).filter(|c| self.ends_at((*c, number), (0, to)));
            if 2 * ends.count() >= self.columns as usize {
                count = k;
            }
            before = here;
        }
        count
    }

    /// True if a cell of a single row differs from what is on either side of the row.
    pub fn differs_beside(&self, cell: Cell, here: &Light) -> bool {
        let y = self.near(cell).1;
        let beside = [-y.end..-y.start, 1.0 + y.start..1.0 + y.end];
        let lights = beside.map(|y| self.part(cell, MIDDLE, y));
        lights
            .iter()
            .flatten()
            .any(|light| here.stands_out_from(light))
    }

    /// True if a row differs from what is to the left or to the right of it: a card may be as light as one of its ends.
    fn differs_around(&self, row: i32) -> bool {
        [(0, false), (self.columns - 1, true)]
            .into_iter()
            .any(|(column, right)| {
                let cell = (column, row);
                let x = self.near(cell).0;
                let x = match right {
                    true => 1.0 + x.start..1.0 + x.end,
                    false => -x.end..-x.start,
                };
                let (here, beside) = (self.cell(cell), self.part(cell, x, MIDDLE));
                here.zip(beside).is_some_and(|(a, b)| a.stands_out_from(&b))
            })
    }

    /// True if light changes at the far side of a cell, or the picture ends there.
    pub fn ends_at(&self, cell: Cell, (right, down): (i32, i32)) -> bool {
        let spans = |to: i32, near: Range<f64>| match to {
            0 => [MIDDLE, MIDDLE],
            1 => [
                1.0 - near.end..1.0 - near.start,
                1.0 + near.start..1.0 + near.end,
            ],
            _ => [near.clone(), -near.end..-near.start],
        };
        let near = self.near(cell);
        let [x, beyond_x] = spans(right, near.0);
        let [y, beyond_y] = spans(down, near.1);
        match (self.part(cell, x, y), self.part(cell, beyond_x, beyond_y)) {
            (Some(here), Some(beyond)) => here.stands_out_from(&beyond),
            (Some(_), None) => true,
            (None, _) => false,
        }
    }

    /// [`BESIDE`] of a cell along x and along y, in cells.
    fn near(&self, (column, row): Cell) -> (Range<f64>, Range<f64>) {
        let at = |x: f64, y: f64| {
            self.map.map(Point {
                x: f64::from(column) + x,
                y: f64::from(row) + y,
            })
        };
        let wide = distance(at(0.0, 0.5), at(1.0, 0.5));
        let high = distance(at(0.5, 0.0), at(0.5, 1.0));
        let of = |length: f64| {
            let share = wide.min(high) / length;
            BESIDE.start * share..BESIDE.end * share
        };
        (of(wide), of(high))
    }
}

/// True if a cell after `before` is as quiet as the `last` steps found and light does not turn in it.
pub(super) fn goes_on(here: &Light, before: &Light, last: &[Light], darker: bool) -> bool {
    let allowance = 2.0 * here.error().hypot(before.error());
    let most = |of: fn(&Light) -> f64| last.iter().map(of).fold(0.0, f64::max);
    if darker {
        here.mean <= before.mean + allowance && here.wobble <= QUIET * most(|l| l.wobble)
    } else {
        let relative = |l: &Light| l.wobble / l.mean.max(f64::MIN_POSITIVE);
        here.mean >= before.mean - allowance
            && relative(here) <= QUIET * most(|l| l.wobble / l.mean.max(f64::MIN_POSITIVE))
    }
}

#[cfg(test)]
mod tests {
    use super::super::find_wedge;
    use ndarray::Array2;

    /// Steps of 0.15 density as an 8-bit camera shows them in linear light: the sRGB curve, noise of about a code, and black that the
    /// camera blocks below `black` codes; on a card of 2 % with a light background.
    fn picture(rows: usize, columns: usize, black: f64) -> Array2<f32> {
        const SIDE: usize = 48;
        let mut state = 7u32;
        let mut noise = move || {
            let mut sum = 0.0;
            for _ in 0..4 {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                sum += f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
            }
            1.5 * sum
        };
        let (high, wide) = (rows * SIDE, columns * SIDE);
        Array2::from_shape_fn((high + 160, wide + 160), |(r, c)| {
            let (y, x) = (r as i64 - 80, c as i64 - 80);
            let within = |by: i64| {
                (-by..high as i64 + by).contains(&y) && (-by..wide as i64 + by).contains(&x)
            };
            let light = if within(0) {
                let step = y as usize / SIDE * columns + x as usize / SIDE;
                0.8 * 10f64.powf(-0.15 * step as f64)
            } else if within(20) {
                0.02
            } else {
                0.3 + 0.1 * ((r * 31 + c * 17) as f64 * 0.05).sin()
            };
            let code = 255.0 * stopspan_core::units::srgb_level(light) + noise() - black;
            let code = code.round().clamp(0.0, 255.0);
            stopspan_core::units::srgb_exposure(code / 255.0) as f32
        })
    }

    /// Closed form: the picture has as many steps as were drawn, whatever the camera made of the dark ones. A limit that is known: of 4 x 6
    /// patches with black at 9 too few are left for a wedge that is sure enough to be measured.
    #[test]
    fn blocked_and_noisy_steps_are_counted() {
        const BLACKS: [f64; 5] = [0.0, 3.0, 6.0, 9.0, 12.0];
        for (rows, columns, blacks) in [
            (1, 21, &BLACKS[..]),
            (3, 7, &BLACKS),
            (4, 6, &BLACKS[..3]),
            (6, 4, &BLACKS),
            (5, 5, &BLACKS),
        ] {
            for &black in blacks {
                let found = find_wedge(&picture(rows, columns, black)).unwrap();
                assert_eq!(
                    (found.rows, found.columns),
                    (rows, columns),
                    "black at {black}"
                );
            }
        }
    }

    /// A card of one tone is no further step, and neither is what lies beyond a wedge of patches that end in light.
    #[test]
    fn what_is_beside_a_wedge_is_no_step() {
        for columns in [8, 12] {
            let found = find_wedge(&picture(1, columns, 0.0)).unwrap();
            assert_eq!((found.rows, found.columns), (1, columns));
        }
    }
}
