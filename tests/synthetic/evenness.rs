//! Uneven light over a wedge whose rows run one way or to and fro: what densities say of it, and a flat field.
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;
use stopspan_core::finding::Finding;
use stopspan_core::model::ResponseCurve;
use stopspan_core::raster::{Pixels, Point, Region};
use stopspan_core::results::LightSource;
use stopspan_core::results::{PictureKind, WedgePlace};
use stopspan_measure::calibrate::{CalibrationSettings, Concluded, FlatField, calibrate};
use stopspan_measure::{MeasureSettings, Subject, measure, wedge};

const CELL: usize = 40;
const ROWS: usize = 4;
const COLUMNS: usize = 6;
const STEP: f64 = 0.1;

/// Light at a pixel against the middle: falls off with the square of the distance, and leans to one side.
fn fall_off(row: usize, column: usize) -> f64 {
    let x = column as f64 / (COLUMNS * CELL) as f64 - 0.5;
    let y = row as f64 / (ROWS * CELL) as f64 - 0.5;
    1.0 - 0.5 * (x * x + y * y) + 0.15 * x
}

/// A 16-bit linear frame of 8000 electrons: 24 steps row by row, or to and fro; `None` for an even source.
fn frame(order: Option<bool>, seed: u64) -> Pixels {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    Pixels::U16(Array3::from_shape_fn(
        (ROWS * CELL, COLUMNS * CELL, 1),
        |(row, column, _)| {
            let (r, c) = (row / CELL, column / CELL);
            let reflectance = order.map_or(0.6, |boustrophedon| {
                let back = boustrophedon && r % 2 == 1;
                let step = r * COLUMNS + if back { COLUMNS - 1 - c } else { c };
                0.8 * 10f64.powf(-STEP * step as f64)
            });
            let electrons = 8000.0 * reflectance * fall_off(row, column);
            let noise = (electrons + 9.0).sqrt() * rng.sample::<f64, _>(StandardNormal);
            ((electrons + noise) / 8000.0 * 65535.0)
                .round()
                .clamp(0.0, 65535.0) as u16
        },
    ))
}

fn subject(boustrophedon: bool) -> Subject {
    let pixels = frame(Some(boustrophedon), 3);
    let whole = Region {
        top: 0,
        left: 0,
        height: ROWS * CELL,
        width: COLUMNS * CELL,
    };
    let curve = ResponseCurve::linear(4096, 1.0);
    Subject::of_finished(PictureKind::Frame, "f", &pixels, Some(&curve), whole)
}

fn place(boustrophedon: bool) -> WedgePlace {
    let (right, bottom) = ((COLUMNS * CELL) as f64, (ROWS * CELL) as f64);
    let corners = [(0.0, 0.0), (right, 0.0), (right, bottom), (0.0, bottom)];
    let densities = (0..ROWS * COLUMNS).map(|k| STEP * k as f64).collect();
    let corners = corners.map(|(x, y)| Point { x, y });
    let mut place = wedge::place(corners, (ROWS, COLUMNS), Some(densities)).unwrap();
    place.boustrophedon = boustrophedon;
    place
}

/// True relative light at each step, mean 1.
fn truth(boustrophedon: bool) -> Vec<f64> {
    let light = |step: usize| {
        let (r, c) = (step / COLUMNS, step % COLUMNS);
        let c = if boustrophedon && r % 2 == 1 {
            COLUMNS - 1 - c
        } else {
            c
        };
        fall_off(r * CELL + CELL / 2, c * CELL + CELL / 2)
    };
    let all: Vec<f64> = (0..ROWS * COLUMNS).map(light).collect();
    let mean = all.iter().sum::<f64>() / all.len() as f64;
    all.iter().map(|v| v / mean).collect()
}

fn concluded(boustrophedon: bool, flat: Option<Vec<f64>>) -> Concluded {
    let settings = CalibrationSettings {
        assumed_uncertainty: 0.002,
        flat,
        span_stops: 2.0,
        open_exponent: false,
    };
    calibrate(&[subject(boustrophedon)], &place(boustrophedon), &settings).unwrap()
}

/// Largest ratio between light found and true, either way, after the best common factor.
fn apart(found: &[f64], truth: &[f64]) -> f64 {
    let logs: Vec<f64> = found.iter().zip(truth).map(|(f, t)| (f / t).ln()).collect();
    let mean = logs.iter().sum::<f64>() / logs.len() as f64;
    logs.iter()
        .map(|l| (l - mean).abs().exp())
        .fold(1.0, f64::max)
}

/// Root mean square of log10 light over the steps against their densities.
fn residual(place: &WedgePlace, boustrophedon: bool, light: Option<Vec<f64>>) -> f64 {
    let settings = MeasureSettings {
        light,
        ..MeasureSettings::default()
    };
    let picture = measure(&[subject(boustrophedon)], place, &settings)
        .frames
        .remove(0);
    let levels = picture.levels.unwrap();
    assert_eq!((levels.noise, levels.reversals), (ROWS * COLUMNS, 0));
    let offsets: Vec<f64> = picture
        .patches
        .iter()
        .map(|p| p.linear.log10() + p.density.unwrap())
        .collect();
    let mean = offsets.iter().sum::<f64>() / offsets.len() as f64;
    (offsets.iter().map(|o| (o - mean).powi(2)).sum::<f64>() / offsets.len() as f64).sqrt()
}

/// Even steps row by row are a plane over the chart, `D = a x + b y`, and to and fro nearly so: no fall-off can be told from
/// them. That must be said, and nothing divided out.
#[test]
fn even_steps_on_a_grid_do_not_tell_fall_off_from_density() {
    for boustrophedon in [false, true] {
        let got = concluded(boustrophedon, None);
        assert_eq!(got.calibration.evenness.source, LightSource::NotSeparable);
        assert!(got.light.is_none());
        let said = |f: &Finding| matches!(f, Finding::LightNotSeparable { .. });
        assert!(got.findings.iter().any(said), "{:?}", got.findings);
    }
}

#[test]
fn a_flat_field_gives_the_fall_off_back_whatever_the_order_of_the_rows() {
    let field = FlatField {
        file: "flat.png".into(),
        pixels: frame(None, 9),
    };
    for boustrophedon in [false, true] {
        let place = place(boustrophedon);
        let flat = field
            .factors(&place, &ResponseCurve::linear(4096, 1.0))
            .unwrap();
        let off = apart(&flat, &truth(boustrophedon));
        assert!(off < 1.01, "{off} {flat:?}");
        let got = concluded(boustrophedon, Some(flat));
        assert_eq!(got.calibration.evenness.source, LightSource::FlatField);
        // A tenth of what is asked of even light is 0.002 D.
        let before = residual(&place, boustrophedon, None);
        let after = residual(&place, boustrophedon, got.light);
        assert!(before > 0.02 && after < 0.003, "{before} {after}");
    }
    let place = place(false);
    // A clipped field says nothing.
    let clipped = FlatField {
        file: "flat.png".into(),
        pixels: Pixels::U16(Array3::from_elem((ROWS * CELL, COLUMNS * CELL, 1), 65535)),
    };
    assert!(
        clipped
            .factors(&place, &ResponseCurve::linear(4096, 1.0))
            .is_none()
    );
}
