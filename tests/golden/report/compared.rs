//! A made-up comparison for the report's tests: numbers measured on nothing.
use stopspan_core::finding::Finding;
use stopspan_core::raster::{Point, Region};
use stopspan_core::results::{
    Compared, Comparison, Difference, DoubleEdges, Edge, EdgeResponse, Ghost, Ghosts, Interval,
    Knot, Quantity, SecondImage, ToneCurve, ToneKind, ToneTile,
};

const REGION: Region = Region {
    top: 80,
    left: 120,
    height: 64,
    width: 48,
};

fn near(value: f64, half: f64) -> Interval {
    Interval {
        value,
        low95: Some(value - half),
        high95: Some(value + half),
    }
}

fn response(file: &str, mtf50: f64) -> EdgeResponse {
    let falls = |i: i32| 0.5f64.powf((f64::from(i) * 0.02 / mtf50).powi(2));
    EdgeResponse {
        file: file.into(),
        mtf50: near(mtf50, 0.004),
        mtf10: Some(near(1.8 * mtf50, 0.01)),
        overshoot: near(0.08, 0.01),
        undershoot: near(0.05, 0.01),
        response: (0..51).map(falls).collect(),
    }
}

fn row(quantity: Quantity, unit: &str, camera: Interval, merge: Interval) -> Compared {
    let less = Difference::of(&camera, &merge);
    Compared {
        quantity,
        unit: unit.into(),
        camera_hdr: Some(camera),
        merge: Some(merge),
        single: Some(merge),
        single_file: Some("bench_double.jpg".into()),
        against_merge: Some(less),
        against_single: Some(less),
    }
}

fn tone() -> ToneCurve {
    let knot = |i: i32| {
        let stops = f64::from(i) / 3.0 - 9.0;
        let level = 0.9 * (stops / 5.0).exp2();
        Knot {
            stops,
            level,
            low95: Some(level - 0.01),
            high95: Some(level + 0.01),
        }
    };
    let knots: Vec<Knot> = (0..28).map(knot).collect();
    ToneCurve {
        cloud: knots.iter().map(|k| [k.stops, k.level]).collect(),
        knots,
        cells: 8123,
        kind: ToneKind::Local,
        residual: near(0.03, 0.002),
        off_curve: near(0.21, 0.03),
        tiles: vec![ToneTile {
            region: REGION,
            cells: 40,
            offset: 0.02,
            residual: 0.03,
            off_curve: 0.2,
        }],
    }
}

fn quantities() -> Vec<Compared> {
    vec![
        row(
            Quantity::LevelsNoise,
            "steps",
            near(19.0, 0.0),
            near(21.0, 0.0),
        ),
        row(
            Quantity::UsableStops1,
            "stops",
            near(11.1, 0.3),
            near(11.3, 0.3),
        ),
        row(
            Quantity::Mtf50,
            "cycles/pixel",
            near(0.36, 0.004),
            near(0.31, 0.003),
        ),
        row(
            Quantity::Ghosts,
            "share",
            near(0.004, 0.001),
            near(0.0, 0.0),
        ),
    ]
}

fn edge() -> Edge {
    Edge {
        region: REGION,
        degrees: 5.1,
        contrast: 3.2,
        given: false,
        camera_hdr: response("bench_hdr.jpg", 0.36),
        merge: response("merge", 0.31),
        single: Some(response("bench_double.jpg", 0.32)),
    }
}

fn ghosts() -> Ghosts {
    Ghosts {
        share: 0.004,
        places: vec![Ghost {
            region: REGION,
            pixels: 2500,
            mixed: 0.5,
            frame: "bench_double.jpg".into(),
            explained: 0.93,
            residual: 0.08,
        }],
        unexplained: 0.001,
    }
}

/// The camera's picture against the merge: sharper, a tie in range, one ghost.
pub fn comparison() -> Comparison {
    Comparison {
        file: "bench_hdr.jpg".into(),
        centre: Point { x: 800.0, y: 600.0 },
        scale: 1.0,
        resampled: false,
        tone: Some(tone()),
        quantities: quantities(),
        edges: vec![edge()],
        ghosts: ghosts(),
        double_edges: Some(DoubleEdges {
            judged: 24,
            second: Some(SecondImage {
                places: 20,
                shift: Point { x: 3.0, y: 2.0 },
                distance: near(3.6, 0.1),
                strength: near(0.4, 0.02),
            }),
        }),
        findings: vec![Finding::FigureRefused {
            figure: "acutance".into(),
            reason: "an edge was found".into(),
        }],
    }
}
