//! The wedge finder on simulated charts of every kind it promises to find, and on scenes without a wedge.
use super::finder_charts::{CANVAS, Canvas, Chart, PatchGrid, chart, of_shape, scene};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use stopspan_core::raster::Point;
use stopspan_core::results::CONFIDENT;
use stopspan_measure::find::{candidate, find_wedge};

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

/// Last run: 198 of 200 charts found as drawn, median of the largest corner error 0.72 px, no false find.
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

/// A row (or a column) of steps whose patches are `aspect` times as long across the row as along it, as large as the canvas
/// allows at random, from 12 pixels for the shorter side.
fn of_aspect(seed: u64, aspect: f64, canvas: Canvas) -> Chart {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let row = canvas.1 > 2 * canvas.0 || rng.random_bool(0.5);
    let (length, breadth) = if row { (canvas.1, canvas.0) } else { canvas };
    // Room for a turn of up to 20 degrees.
    let (length, breadth) = (0.75 * length as f64, 0.6 * breadth as f64);
    let least = (12.0 / aspect).max(12.0);
    let fits = |n: &usize| *n as f64 * least <= length;
    let steps: Vec<usize> = [21, 13, 11, 7, 6].into_iter().filter(fits).collect();
    let steps = steps[rng.random_range(0..steps.len())];
    let most = (length / steps as f64).min(breadth / aspect).min(110.0);
    let along = rng.random_range(least..=most.max(least));
    let across = along * aspect;
    let grid = if row {
        PatchGrid {
            rows: 1,
            columns: steps,
            width: along,
            height: across,
        }
    } else {
        PatchGrid {
            rows: steps,
            columns: 1,
            width: across,
            height: along,
        }
    };
    of_shape(&mut rng, &grid, 0.0..0.4, canvas)
}

/// Charts of these aspects found with their number of steps, found short with the end in doubt, and found wrong in silence.
fn shapes(
    aspects: &[f64],
    canvas: Canvas,
    seeds: std::ops::Range<u64>,
) -> (usize, usize, Vec<String>) {
    let (mut right, mut doubted, mut silent) = (0, 0, Vec::new());
    for &aspect in aspects {
        for seed in seeds.clone() {
            let drawn = of_aspect(seed, aspect, canvas);
            let Some(found) = candidate(&drawn.picture) else {
                continue;
            };
            let place = found.place;
            if place.confidence < Some(CONFIDENT) {
                continue;
            }
            let (steps, all) = (place.rows * place.columns, drawn.rows * drawn.columns);
            if (place.rows, place.columns) == (drawn.rows, drawn.columns) {
                right += 1;
            } else if steps < all && !found.ends.is_empty() {
                doubted += 1;
            } else {
                silent.push(format!(
                    "seed {seed}, aspect {aspect}: {} x {} for {} x {}",
                    place.rows, place.columns, drawn.rows, drawn.columns
                ));
            }
            if !found.ends.is_empty() {
                println!(
                    "seed {seed}, aspect {aspect}: {steps} of {all}, {:?}",
                    found.ends
                );
            }
        }
    }
    (right, doubted, silent)
}

const ASPECTS: [f64; 9] = [0.125, 0.25, 0.5, 1.0, 2.0, 4.0, 10.0, 20.0, 45.0];
/// Rows of patches up to 45 times as long as they are high need a canvas of their own.
const LONG: Canvas = (1500, 4600);

#[test]
fn no_shape_of_patch_is_found_short_without_a_doubt() {
    let (right, doubted, silent) = shapes(&ASPECTS, CANVAS, 0..3);
    let (long_right, long_doubted, long_silent) = shapes(&[1.0 / 20.0, 1.0 / 45.0], LONG, 0..1);
    println!(
        "{right} right, {doubted} doubted, {silent:?}; {long_right}, {long_doubted}, {long_silent:?}"
    );
    assert!(
        silent.is_empty() && long_silent.is_empty(),
        "{silent:?} {long_silent:?}"
    );
    assert!(
        right >= 24 && long_right >= 1,
        "{right} of 27, {long_right} of 2"
    );
}

#[test]
#[ignore = "15 charts of every shape; run by hand before a release"]
fn study_of_shapes() {
    let (right, doubted, silent) = shapes(&ASPECTS, CANVAS, 100..115);
    println!("{right} of 135 right, {doubted} short and doubted, in silence {silent:?}");
    let (right, doubted, silent) = shapes(&[1.0 / 20.0, 1.0 / 45.0], LONG, 100..103);
    println!("long: {right} of 6 right, {doubted} short and doubted, in silence {silent:?}");
}

/// Linear sRGB of the 24 patches of a published colour chart (CIE xyY; SOURCES.md), in its order: six to a row, greys last.
fn chart_colours() -> Vec<[f32; 3]> {
    let table = include_str!("../published/colour_chart_24.csv");
    let rows = table
        .lines()
        .filter(|l| !l.starts_with('#') && !l.starts_with("patch"));
    let colours = rows.map(|line| {
        let cells: Vec<f64> = line.split(',').filter_map(|c| c.parse().ok()).collect();
        let (x, y, lightness) = (cells[0], cells[1], cells[2]);
        let white = [0.3127 / 0.3290, 1.0, (1.0 - 0.3127 - 0.3290) / 0.3290];
        // Scaled to the white of D65, which is all that a grey needs.
        let chart_white = [0.95, 1.0, 1.17];
        let xyz = [x / y, 1.0, (1.0 - x - y) / y];
        let xyz: Vec<f64> = (0..3)
            .map(|k| lightness * xyz[k] * white[k] / chart_white[k])
            .collect();
        // IEC 61966-2-1.
        let rows = [
            [3.2406, -1.5372, -0.4986],
            [-0.9689, 1.8758, 0.0415],
            [0.0557, -0.2040, 1.0570],
        ];
        rows.map(|row| {
            let value: f64 = row.iter().zip(&xyz).map(|(a, b)| a * b).sum();
            value.max(0.003) as f32
        })
    });
    colours.collect()
}

/// A colour chart on a card before a texture, turned by some degrees, with noise. `kind` chooses card, surroundings, noise, turn, and
/// where the chart lies on the pixels.
fn colour_chart(side: usize, upright: bool, kind: usize) -> ndarray::Array3<f32> {
    let colours = chart_colours();
    assert_eq!(colours.len(), 24);
    let mut rng = ChaCha8Rng::seed_from_u64(kind as u64);
    let gap = (side / 8).max(1 + kind % 3);
    let pitch = side + gap;
    let size = ((4 * pitch + gap) as isize, (6 * pitch + gap) as isize);
    let (top, left) = ((200 + kind % 5) as f64, (300 + kind % 7) as f64);
    let card = [0.03, 0.045, 0.09][kind % 3];
    let around = [0.18, 0.4, 0.08, 0.02][kind / 3 % 4];
    let noise = [0.01, 0.04][kind / 12 % 2];
    let (sin, cos) = [0.0f64, 3.0, -5.0, 8.0, 0.7][kind % 5]
        .to_radians()
        .sin_cos();
    let light = |y: f64, x: f64, k: usize| -> f32 {
        let (down, right) = (y - top, x - left);
        let turned = (cos * down - sin * right, cos * right + sin * down);
        let (v, u) = if upright {
            (turned.1, turned.0)
        } else {
            turned
        };
        let (v, u) = (v.floor() as isize, u.floor() as isize);
        if !(0..size.0).contains(&v) || !(0..size.1).contains(&u) {
            return around * (1.0 + 0.5 * ((y / 9.0).sin() * (x / 7.0).cos()) as f32);
        }
        let (v, u) = (v as usize, u as usize);
        let inside = v % pitch >= gap && u % pitch >= gap;
        match inside {
            true => colours[6 * (v / pitch) + u / pitch][k],
            false => card,
        }
    };
    ndarray::Array3::from_shape_fn((700, 900, 3), |(r, c, k)| {
        let third = |i: usize| (i as f64 + 0.5) / 3.0;
        let parts = (0..9).map(|i| light(r as f64 + third(i / 3), c as f64 + third(i % 3), k));
        let mean = parts.sum::<f32>() / 9.0;
        mean + noise * mean.sqrt() * (rng.random::<f32>() + rng.random::<f32>() - 1.0)
    })
}

/// True if the greys of a chart are found: a wedge of six.
fn greys_are_found(side: usize, upright: bool, kind: usize) -> bool {
    use stopspan_measure::find::candidate_in_colour;
    let found = candidate_in_colour(&colour_chart(side, upright, kind)).map(|f| f.place);
    let shape = if upright { (6, 1) } else { (1, 6) };
    found.is_some_and(|f| (f.rows, f.columns) == shape && f.confidence >= Some(CONFIDENT))
}

/// The greys of a colour chart are a wedge of six, whatever the colours beside them, its card and what is around it; without colour
/// nothing sets them apart from the rest.
#[test]
fn the_greys_of_a_colour_chart_are_found() {
    for (n, side) in [20, 24, 36, 60].into_iter().enumerate() {
        for (upright, kind) in [(false, n), (true, n + 12), (n % 2 == 0, 23 - n)] {
            assert!(
                greys_are_found(side, upright, kind),
                "{side} {upright} {kind}"
            );
        }
    }
}

/// Last run: found on 44 of 48 charts with patches of 20 pixels and 40 of 48 with 18; on all larger ones.
#[test]
#[ignore = "several hundred charts; run by hand before a release"]
fn study_of_the_greys_of_colour_charts() {
    for side in [18, 20, 24, 28, 32, 36, 40, 44, 48, 60] {
        let kinds = (0..48).into_par_iter();
        let found = kinds
            .filter(|k| greys_are_found(side, k % 2 == 1, k / 2))
            .count();
        println!("{side} px: {found} of 48");
        assert!(found == 48 || side < 24 && found >= 38, "{side}: {found}");
    }
}

/// Tiles that a lamp lights from one side fall as steadily as a wedge does, but the light falls within each as well.
#[test]
fn tiles_lit_from_one_side_are_no_wedge() {
    let tiles = |stops_a_tile: f32, within: f32| {
        let mut rng = ChaCha8Rng::seed_from_u64(9);
        ndarray::Array2::from_shape_fn((600, 1100), |(r, c)| {
            let (tile, place) = (c / 80, (c % 80) as f32 / 80.0 - 0.5);
            let wall = !(200..300).contains(&r) || !(100..980).contains(&c);
            let joint = c % 80 < 4;
            let light = -stops_a_tile * (tile as f32 + within * place);
            let level = if wall || joint { light - 1.0 } else { light };
            level.exp2() * (1.0 + 0.01 * (rng.random::<f32>() - 0.5))
        })
    };
    for step in [0.2, 0.4, 0.7] {
        let found = find_wedge(&tiles(step, 1.0));
        assert!(found.is_none(), "{step}: {found:?}");
    }
    // The same tiles are one where the light within each is even.
    assert!(find_wedge(&tiles(0.4, 0.0)).is_some());
}

/// No wedge is seen on whole real frames without one, nor on crops of them; SKIPPED without the folder of frames that the variable
/// `STOPSPAN_FRAMES_WITHOUT_WEDGE` names.
#[test]
fn real_frames_without_a_wedge_show_none() {
    use stopspan_measure::find::candidate_in_colour;
    let Ok(folder) = std::env::var("STOPSPAN_FRAMES_WITHOUT_WEDGE") else {
        return println!("SKIPPED: no folder of frames");
    };
    let mut rng = ChaCha8Rng::seed_from_u64(12);
    let (mut seen, mut wrong) = (0, Vec::new());
    for entry in std::fs::read_dir(folder).unwrap().flatten() {
        let files = std::fs::read_dir(entry.path()).into_iter().flatten();
        for file in files.flatten().map(|f| f.path()) {
            let Ok(picture) = stopspan_formats::read_picture(&file, &Default::default()) else {
                continue;
            };
            let (rows, columns, channels) = picture.pixels.dim();
            let light = ndarray::Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
                picture.pixels.level(r, c, k).powf(2.2)
            });
            for crop in 0..7 {
                let mut part = |size: usize| {
                    if crop == 0 {
                        return 0..size;
                    }
                    let length = rng.random_range(size / 6..size * 3 / 4);
                    let start = rng.random_range(0..size - length);
                    start..start + length
                };
                let (down, across) = (part(rows), part(columns));
                let cut = light.slice(ndarray::s![down.clone(), across.clone(), ..]);
                let found = candidate_in_colour(&cut.to_owned());
                seen += 1;
                if found.is_some_and(|f| f.place.confidence >= Some(CONFIDENT)) {
                    wrong.push((file.clone(), down, across));
                }
            }
        }
    }
    println!("{seen} frames and crops");
    assert!(seen > 0 && wrong.is_empty(), "{wrong:?}");
}
