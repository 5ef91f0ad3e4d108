//! Charts and scenes drawn for the finder: everything about them at random from a seed.
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use std::ops::Range;
use stopspan_core::model::Homography;
use stopspan_core::raster::{Point, Quad};

const ROWS: usize = 900;
const COLUMNS: usize = 1200;

/// Rows and columns of a picture.
pub(super) type Canvas = (usize, usize);
pub(super) const CANVAS: Canvas = (ROWS, COLUMNS);

/// Sum of octaves of smooth noise, log2, standard deviation about 1.
fn fractal(rng: &mut ChaCha8Rng, rows: usize, columns: usize, persistence: f32) -> Array2<f32> {
    let mut sum = Array2::<f32>::zeros((rows, columns));
    let (mut amplitude, mut size, mut power) = (1.0f32, 256usize, 0.0f32);
    while size >= 2 {
        let (r, c) = (rows / size + 3, columns / size + 3);
        let grid = Array2::from_shape_fn((r, c), |_| rng.sample::<f32, _>(StandardNormal));
        let smooth = |t: f32| t * t * (3.0 - 2.0 * t);
        for ((y, x), v) in sum.indexed_iter_mut() {
            let (j, i) = (y / size, x / size);
            let t = smooth((y % size) as f32 / size as f32);
            let s = smooth((x % size) as f32 / size as f32);
            let top = grid[[j, i]] * (1.0 - s) + grid[[j, i + 1]] * s;
            let low = grid[[j + 1, i]] * (1.0 - s) + grid[[j + 1, i + 1]] * s;
            *v += amplitude * (top * (1.0 - t) + low * t);
        }
        power += amplitude * amplitude * 0.3;
        amplitude *= persistence;
        size /= 2;
    }
    sum / power.sqrt()
}

/// What was drawn.
pub(super) struct Chart {
    pub picture: Array2<f32>,
    pub corners: Quad,
    pub rows: usize,
    pub columns: usize,
    pub dark_first: bool,
}

/// One chart with everything drawn at random: layout, size, order, gaps, rotation, perspective, light, surroundings.
pub(super) fn chart(seed: u64) -> Chart {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let layouts = [
        (1, 21),
        (1, 13),
        (1, 11),
        (21, 1),
        (12, 1),
        (4, 6),
        (3, 7),
        (2, 10),
        (5, 5),
        (1, 41),
    ];
    let (rows, columns) = layouts[rng.random_range(0..layouts.len())];
    let patch = largest_patch(rows, columns, &mut rng);
    let aspect = if rows == 1 || columns == 1 {
        rng.random_range(1.0..3.0)
    } else {
        rng.random_range(0.7..1.4)
    };
    let (mut pw, mut ph) = (patch, patch);
    if rows == 1 {
        ph *= aspect
    } else {
        pw *= aspect
    }
    let grid = PatchGrid {
        rows,
        columns,
        width: pw,
        height: ph,
    };
    of_shape(&mut rng, &grid, 0.0..0.4, CANVAS)
}

/// A grid of patches.
pub(super) struct PatchGrid {
    pub rows: usize,
    pub columns: usize,
    /// Width of a patch, pixels.
    pub width: f64,
    /// Height of a patch, pixels.
    pub height: f64,
}

/// One chart of given patches, its light falling off by a share within `fall_off` towards
/// the corners of the canvas; the rest at random.
pub(super) fn of_shape(
    rng: &mut ChaCha8Rng,
    grid: &PatchGrid,
    fall_off: Range<f64>,
    canvas: Canvas,
) -> Chart {
    let (rows, columns) = (grid.rows, grid.columns);
    let (w, h) = (grid.width * columns as f64, grid.height * rows as f64);
    let corners = placed((w, h), canvas, rng);
    let paint = Paint::random(rng, (rows, columns), &corners);
    let background = fractal(rng, canvas.0, canvas.1, 0.75);
    let fall_off = rng.random_range(fall_off);
    // The finder looks at the merge, where all steps show: the longest exposure gives the darkest 30 electrons or more.
    let darkest = 0.9 * 10f64.powf(-paint.step * (rows * columns) as f64);
    let well = (8000.0 * rng.random_range(1.0..4.0f64)).max(30.0 / darkest / 4.0);
    let picture = drawn(
        rng,
        canvas,
        |x, y, sub| {
            let p = Point {
                x: x as f64 + sub.0,
                y: y as f64 + sub.1,
            };
            let scene = paint
                .light(p)
                .unwrap_or_else(|| 0.18 * f64::from(background[[y, x]] * 1.2).exp2());
            let (dx, dy) = (p.x / canvas.1 as f64 - 0.5, p.y / canvas.0 as f64 - 0.5);
            scene * (1.0 - fall_off * 2.0 * (dx * dx + dy * dy))
        },
        well,
    );
    Chart {
        picture,
        corners,
        rows,
        columns,
        dark_first: paint.dark_first,
    }
}

/// How light the wedge and its card are.
struct Paint {
    to_unit: Homography,
    rows: usize,
    columns: usize,
    step: f64,
    gap: f64,
    dark_first: bool,
    boustrophedon: bool,
    card: f64,
}

impl Paint {
    fn random(rng: &mut ChaCha8Rng, (rows, columns): (usize, usize), corners: &Quad) -> Self {
        // Real wedges end near 4 D.
        let step = [0.1f64, 0.15, 0.2][rng.random_range(0..3)].min(4.0 / (rows * columns) as f64);
        let gap = if rng.random_bool(0.5) {
            0.0
        } else {
            rng.random_range(0.04..0.12)
        };
        let dark_first = rng.random_bool(0.5);
        let boustrophedon = rows > 1 && columns > 1 && rng.random_bool(0.25);
        Paint {
            to_unit: Homography::between(corners, &stopspan_core::model::UNIT_SQUARE).unwrap(),
            rows,
            columns,
            step,
            gap,
            dark_first,
            boustrophedon,
            card: 0.18 * 10f64.powf(-rng.random_range(0.0..2.0)),
        }
    }

    /// `None` outside the card.
    fn light(&self, p: Point) -> Option<f64> {
        let margin = 0.35;
        let q = self.to_unit.map(p);
        let (columns, rows) = (self.columns as f64, self.rows as f64);
        let (u, v) = (q.x * columns, q.y * rows);
        if u < -margin || v < -margin || u > columns + margin || v > rows + margin {
            return None;
        }
        let inside = u >= 0.0 && v >= 0.0 && u < columns && v < rows;
        let clear = |t: f64| (self.gap..=1.0 - self.gap).contains(&t.fract());
        // A single row or column has gaps between its patches only: its long sides are those of the patches.
        let (gap_u, gap_v) = (self.columns > 1 && !clear(u), self.rows > 1 && !clear(v));
        if !inside || gap_u || gap_v {
            return Some(self.card);
        }
        let (row, mut column) = (v as usize, u as usize);
        if self.boustrophedon && row % 2 == 1 {
            column = self.columns - 1 - column;
        }
        let k = row * self.columns + column;
        let steps = self.rows * self.columns;
        let k = if self.dark_first { steps - 1 - k } else { k };
        Some(0.9 * 10f64.powf(-self.step * k as f64))
    }
}

/// A patch side from 12 pixels to as large as the picture allows.
fn largest_patch(rows: usize, columns: usize, rng: &mut ChaCha8Rng) -> f64 {
    let room = (0.75 * COLUMNS as f64 / columns as f64).min(0.6 * ROWS as f64 / rows as f64);
    rng.random_range(12.0..room.clamp(13.0, 110.0))
}

/// A rectangle turned by up to 20 degrees, its corners moved by up to 4 % of its shorter reach, somewhere inside.
fn placed((w, h): (f64, f64), (rows, columns): Canvas, rng: &mut ChaCha8Rng) -> Quad {
    loop {
        let angle = rng.random_range(-20.0f64..20.0).to_radians();
        let (sin, cos) = angle.sin_cos();
        let centre = (
            rng.random_range(0.0..columns as f64),
            rng.random_range(0.0..rows as f64),
        );
        let corners = [(-0.5, -0.5), (0.5, -0.5), (0.5, 0.5), (-0.5, 0.5)].map(|(a, b)| {
            let wobble = 0.04 * w.min(h);
            let x = a * w + rng.random_range(-wobble..=wobble);
            let y = b * h + rng.random_range(-wobble..=wobble);
            Point {
                x: centre.0 + x * cos - y * sin,
                y: centre.1 + x * sin + y * cos,
            }
        });
        let margin = 25.0;
        let inside = |p: &Point| {
            (margin..columns as f64 - margin).contains(&p.x)
                && (margin..rows as f64 - margin).contains(&p.y)
        };
        if corners.iter().all(inside) {
            return corners;
        }
    }
}

/// Renders with 2 x 2 samples a pixel, then shot noise, read noise and clipping far above.
fn drawn(
    rng: &mut ChaCha8Rng,
    canvas: Canvas,
    light: impl Fn(usize, usize, (f64, f64)) -> f64,
    well: f64,
) -> Array2<f32> {
    let subs = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)];
    Array2::from_shape_fn(canvas, |(y, x)| {
        let mean = subs.iter().map(|&s| light(x, y, s)).sum::<f64>() / 4.0;
        // As a merge of three exposures sees it: noise of the longest one.
        let electrons = mean * well * 4.0;
        let noise = (electrons + 9.0).sqrt() * rng.sample::<f64, _>(StandardNormal);
        ((electrons + noise) / (well * 4.0)) as f32
    })
}

/// A scene without a wedge: fractal texture with things that tempt a finder.
pub(super) fn scene(seed: u64) -> Array2<f32> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let persistence = rng.random_range(0.4..0.9);
    let contrast = rng.random_range(0.8f32..3.0);
    let mut log = fractal(&mut rng, ROWS, COLUMNS, persistence) * contrast;
    for _ in 0..rng.random_range(1..4) {
        tempt(&mut log, &mut rng);
    }
    let well = 8000.0;
    drawn(
        &mut rng,
        CANVAS,
        |x, y, _| 0.18 * f64::from(log[[y, x]]).exp2(),
        well,
    )
}

/// Windows, tiles, a fence, a smooth sky or a stack of boxes drawn into the scene.
fn tempt(log: &mut Array2<f32>, rng: &mut ChaCha8Rng) {
    let kind = rng.random_range(0..5);
    let (w, h) = (rng.random_range(20..90usize), rng.random_range(20..90usize));
    let (left, top) = (
        rng.random_range(0..COLUMNS / 2),
        rng.random_range(0..ROWS / 2),
    );
    let (columns, rows) = (rng.random_range(3..12usize), rng.random_range(2..8usize));
    let wall: f32 = rng.random_range(-2.0..2.0);
    let values: Vec<f32> = (0..rows * columns)
        .map(|_| rng.random_range(-4.0..1.0))
        .collect();
    let gap = rng.random_range(0.0..0.3);
    for y in top..(top + rows * h).min(ROWS) {
        for x in left..(left + columns * w).min(COLUMNS) {
            let (u, v) = ((x - left) as f64 / w as f64, (y - top) as f64 / h as f64);
            let clear = u.fract() > gap
                && u.fract() < 1.0 - gap
                && v.fract() > gap
                && v.fract() < 1.0 - gap;
            let value = values[v as usize * columns + u as usize];
            log[[y, x]] = match kind {
                0 => {
                    if clear {
                        value
                    } else {
                        wall
                    }
                }
                1 => {
                    if (u as usize + v as usize).is_multiple_of(2) {
                        wall
                    } else {
                        wall - 1.5
                    }
                }
                2 => {
                    if clear {
                        wall + 1.0
                    } else {
                        wall - 1.0
                    }
                }
                3 => wall + 2.0 * (v / rows as f64) as f32,
                _ => {
                    if clear {
                        value * 0.2 + wall
                    } else {
                        wall - 3.0
                    }
                }
            };
        }
    }
}
