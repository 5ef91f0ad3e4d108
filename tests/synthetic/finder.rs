//! The wedge finder on simulated charts of every kind it promises to find, and on scenes without a wedge.
use super::finder_charts::{CANVAS, Canvas, Chart, PatchGrid, chart, of_shape, scene};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
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
