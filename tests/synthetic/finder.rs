//! The wedge finder on simulated charts of every kind it promises to find, and on scenes without a wedge.
use ndarray::Array2;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stopspan::measure::Homography;
use stopspan::measure::find::find_wedge;
use stopspan::raster::{Point, Quad};

const ROWS: usize = 900;
const COLUMNS: usize = 1200;

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
struct Chart {
    picture: Array2<f32>,
    corners: Quad,
    rows: usize,
    columns: usize,
    dark_first: bool,
}

/// One chart with everything drawn at random: layout, size, order, gaps, rotation, perspective, light, surroundings.
fn chart(seed: u64) -> Chart {
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
    let (w, h) = (pw * columns as f64, ph * rows as f64);
    let corners = placed(w, h, &mut rng);
    // Real wedges end near 4 D.
    let step = [0.1f64, 0.15, 0.2][rng.random_range(0..3)].min(4.0 / (rows * columns) as f64);
    let gap = if rng.random_bool(0.5) {
        0.0
    } else {
        rng.random_range(0.04..0.12)
    };
    let dark_first = rng.random_bool(0.5);
    let boustrophedon = rows > 1 && columns > 1 && rng.random_bool(0.25);
    let to_unit = Homography::between(&corners, &stopspan::measure::UNIT_SQUARE).unwrap();
    let card = 0.18 * 10f64.powf(-rng.random_range(0.0..2.0));
    let margin = 0.35;
    let background = fractal(&mut rng, ROWS, COLUMNS, 0.75);
    let steps = rows * columns;
    let light = |p: Point| -> Option<f64> {
        let q = to_unit.map(p);
        let (u, v) = (q.x * columns as f64, q.y * rows as f64);
        if u < -margin || v < -margin || u > columns as f64 + margin || v > rows as f64 + margin {
            return None;
        }
        let inside = u >= 0.0 && v >= 0.0 && u < columns as f64 && v < rows as f64;
        let clear = |t: f64| (gap..=1.0 - gap).contains(&t.fract());
        // A single row or column has gaps between its patches only: its long sides are those of the patches.
        let (gap_u, gap_v) = (columns > 1 && !clear(u), rows > 1 && !clear(v));
        if !inside || gap_u || gap_v {
            return Some(card);
        }
        let (row, mut column) = (v as usize, u as usize);
        if boustrophedon && row % 2 == 1 {
            column = columns - 1 - column;
        }
        let k = row * columns + column;
        let k = if dark_first { steps - 1 - k } else { k };
        Some(0.9 * 10f64.powf(-step * k as f64))
    };
    let fall_off = rng.random_range(0.0..0.4);
    // The finder looks at the merge, where all steps show: the longest exposure gives the darkest 30 electrons or more.
    let darkest = 0.9 * 10f64.powf(-step * (rows * columns) as f64);
    let well = (8000.0 * rng.random_range(1.0..4.0f64)).max(30.0 / darkest / 4.0);
    let picture = drawn(
        &mut rng,
        |x, y, sub| {
            let p = Point {
                x: x as f64 + sub.0,
                y: y as f64 + sub.1,
            };
            let scene =
                light(p).unwrap_or_else(|| 0.18 * f64::from(background[[y, x]] * 1.2).exp2());
            let (dx, dy) = (p.x / COLUMNS as f64 - 0.5, p.y / ROWS as f64 - 0.5);
            scene * (1.0 - fall_off * 2.0 * (dx * dx + dy * dy))
        },
        well,
    );
    Chart {
        picture,
        corners,
        rows,
        columns,
        dark_first,
    }
}

/// A patch side from 12 pixels to as large as the picture allows.
fn largest_patch(rows: usize, columns: usize, rng: &mut ChaCha8Rng) -> f64 {
    let room = (0.75 * COLUMNS as f64 / columns as f64).min(0.6 * ROWS as f64 / rows as f64);
    rng.random_range(12.0..room.clamp(13.0, 110.0))
}

/// A rectangle turned by up to 20 degrees, its corners moved by up to 4 % of its shorter reach, somewhere inside.
fn placed(w: f64, h: f64, rng: &mut ChaCha8Rng) -> Quad {
    loop {
        let angle = rng.random_range(-20.0f64..20.0).to_radians();
        let (sin, cos) = angle.sin_cos();
        let centre = (
            rng.random_range(0.0..COLUMNS as f64),
            rng.random_range(0.0..ROWS as f64),
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
            (margin..COLUMNS as f64 - margin).contains(&p.x)
                && (margin..ROWS as f64 - margin).contains(&p.y)
        };
        if corners.iter().all(inside) {
            return corners;
        }
    }
}

/// Renders with 2 x 2 samples a pixel, then shot noise, read noise and clipping far above.
fn drawn(
    rng: &mut ChaCha8Rng,
    light: impl Fn(usize, usize, (f64, f64)) -> f64,
    well: f64,
) -> Array2<f32> {
    let subs = [(0.25, 0.25), (0.75, 0.25), (0.25, 0.75), (0.75, 0.75)];
    Array2::from_shape_fn((ROWS, COLUMNS), |(y, x)| {
        let mean = subs.iter().map(|&s| light(x, y, s)).sum::<f64>() / 4.0;
        // As a merge of three exposures sees it: noise of the longest one.
        let electrons = mean * well * 4.0;
        let noise = (electrons + 9.0).sqrt() * rng.sample::<f64, _>(StandardNormal);
        ((electrons + noise) / (well * 4.0)) as f32
    })
}

/// A scene without a wedge: fractal texture with things that tempt a finder.
fn scene(seed: u64) -> Array2<f32> {
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

/// Largest corner error, pixels; `None` where it was not found as drawn.
fn corner_error(chart: &Chart) -> Option<f64> {
    let found = find_wedge(&chart.picture)?;
    let same = found.rows == chart.rows && found.columns == chart.columns;
    let order = found.dark_first == chart.dark_first;
    if !(same && order) {
        return None;
    }
    let error = |(a, b): (&Point, &Point)| (a.x - b.x).hypot(a.y - b.y);
    Some(
        found
            .corners
            .iter()
            .zip(&chart.corners)
            .map(error)
            .fold(0.0, f64::max),
    )
}

fn tally(charts: u64) -> (usize, f64) {
    let mut errors: Vec<f64> = (0..charts)
        .filter_map(|seed| {
            let error = corner_error(&chart(seed));
            println!("chart {seed}: corner error {error:?}");
            error
        })
        .filter(|e| *e < 15.0)
        .collect();
    errors.sort_by(f64::total_cmp);
    (
        errors.len(),
        errors
            .get(errors.len() / 2)
            .copied()
            .unwrap_or(f64::INFINITY),
    )
}

/// Scenes without a wedge in which one was found.
fn false_finds(scenes: u64) -> Vec<u64> {
    (5000..5000 + scenes)
        .filter(|&s| find_wedge(&scene(s)).is_some())
        .collect()
}

#[test]
fn finds_charts_and_nothing_else() {
    let (found, median) = tally(8);
    assert!(found >= 7, "{found} of 8");
    assert!(median <= 2.0, "median corner error {median:.2} px");
    assert_eq!(false_finds(8), Vec::<u64>::new());
}

/// Last run: 198 of 200 charts found as drawn, median of the largest corner error 0.70 px, no false find.
#[test]
#[ignore = "200 charts and 200 scenes; run by hand before a release"]
fn finds_95_of_100_charts_and_nothing_in_200_scenes() {
    let (found, median) = tally(200);
    let false_finds = false_finds(200);
    println!(
        "{found} of 200 charts, median corner error {median:.2} px, false finds {false_finds:?}"
    );
    assert!(found >= 190 && median <= 2.0 && false_finds.is_empty());
}
