//! Time of rendering a 12-megapixel map, operator by operator.
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use ndarray::{Array2, Array3};
use stopspan_core::model::RadianceMap;
use stopspan_tone::{Operator, ToneSettings, render};

fn map(rows: usize, columns: usize) -> RadianceMap {
    let radiance = Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let wave = (r as f32 * 0.013).sin() * (c as f32 * 0.007).cos() * 5.0;
        let texture = ((r * 31 + c * 17 + k * 7) % 64) as f32 / 64.0;
        (wave + texture - 2.0).exp2()
    });
    RadianceMap {
        primaries: Default::default(),
        statistical: Array3::zeros((0, 0, 0)),
        systematic: Array3::zeros((0, 0, 0)),
        flags: Array2::zeros((rows, columns)),
        radiance,
    }
}

fn bench(criterion: &mut Criterion) {
    let map = map(3000, 4000);
    let mut group = criterion.benchmark_group("tone");
    group.sample_size(10);
    group.throughput(Throughput::Elements(12_000_000));
    for operator in [
        Operator::DefaultLook,
        Operator::Photographic,
        Operator::Logarithmic,
        Operator::Bilateral,
    ] {
        let settings = ToneSettings::with(operator);
        group.bench_function(format!("{operator:?}"), |b| {
            b.iter(|| render(&map, &settings))
        });
    }
    group.finish();
}

criterion_group!(benches, bench);
criterion_main!(benches);
