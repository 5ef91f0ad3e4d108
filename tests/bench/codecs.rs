//! What reading and writing cost at 12 megapixels: the floor under any merge, and the coding schemes to choose from.
//!
//! `floor` is three JPEG frames decoded side by side and the radiance map written, with no arithmetic in between.
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use exr::prelude::{
    AnyChannel, AnyChannels, Compression, Encoding, FlatSamples, Image, Layer, LayerAttributes,
    WritableImage,
};
use ndarray::{Array2, Array3, s};
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;
use std::hint::black_box;
use std::path::PathBuf;
use stopspan_core::model::Limits;
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_formats::jpeg;
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::map_file;
use stopspan_formats::staged::Outputs;
use stopspan_formats::{png, read_header, read_picture, rgbe, srgb_profile};

const ROWS: usize = 3000;
const COLUMNS: usize = 4000;
const SEED: u64 = 20_111_126;

/// A scene of 12 stops: slow waves, hard edges, and 1 % noise.
fn radiance() -> Array3<f32> {
    let mut random = ChaCha8Rng::seed_from_u64(SEED);
    Array3::from_shape_fn((ROWS, COLUMNS, 3), |(r, c, k)| {
        let wave = (r as f32 / 310.0).sin() + (c as f32 / 470.0).cos() + 0.2 * k as f32;
        let edge = if (r / 97 + c / 131) % 2 == 0 {
            1.0
        } else {
            0.0
        };
        (3.0 * wave + edge - 6.0).exp2() * (1.0 + 0.01 * noise(&mut random))
    })
}

/// Sum of three uniform numbers, scaled to a variance of 1.
fn noise(random: &mut ChaCha8Rng) -> f32 {
    2.0 * (random.random::<f32>() + random.random::<f32>() + random.random::<f32>() - 1.5)
}

fn map() -> RadianceMap {
    let radiance = radiance();
    RadianceMap {
        primaries: Default::default(),
        statistical: radiance.mapv(|l| (1e-4 * l + 1e-6).sqrt()),
        systematic: radiance.mapv(|l| 0.005 + 0.003 * (40.0 * l.ln()).sin()),
        flags: Array2::from_shape_fn((ROWS, COLUMNS), |(r, c)| {
            ((((r / 60) + (c / 90)) % 3) << 8) as u16
        }),
        radiance,
    }
}

fn frame(radiance: &Array3<f32>, gain: f32) -> Array3<u8> {
    radiance.mapv(|l| (255.0 * (l * gain).clamp(0.0, 1.0).powf(1.0 / 2.2)).round() as u8)
}

fn strip(map: &RadianceMap, rows: std::ops::Range<usize>) -> Planes {
    Planes::of_rows(map, rows)
}

struct Bench {
    folder: tempfile::TempDir,
    map: RadianceMap,
    frames: Vec<PathBuf>,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let map = map();
        let frames = [1.0, 2.0, 4.0].map(|gain| {
            let file = folder.path().join(format!("{gain}.jpg"));
            let levels = frame(&map.radiance, gain);
            let bytes = jpeg::encode(levels.view(), 92, Subsampling::Half, None, None).unwrap();
            std::fs::write(&file, bytes).unwrap();
            file
        });
        Bench {
            folder,
            map,
            frames: frames.to_vec(),
        }
    }

    fn decode(&self) -> usize {
        let pictures: Vec<_> = self
            .frames
            .par_iter()
            .map(|f| read_picture(f, &Limits::default()).unwrap())
            .collect();
        pictures.len()
    }

    fn policy(&self) -> Outputs {
        Outputs {
            overwrite: true,
            inputs: self.frames.clone(),
        }
    }

    fn write(&self) {
        let file = self.folder.path().join("map.exr");
        let strips = map_file::Strips {
            shape: self.map.radiance.dim(),
            rows: |rows| strip(&self.map, rows),
        };
        let none = map_file::MapStorage::default();
        map_file::write_exr(&file, &self.policy(), &none, &strips).unwrap();
    }

    /// Reads the written map back once, so that nothing wrong is timed.
    fn check(&self) {
        self.write();
        let file = self.folder.path().join("map.exr");
        println!("map.exr: {} bytes", file.metadata().unwrap().len());
        let back = map_file::read_exr(&file, &Limits::default()).unwrap();
        assert_eq!(back.flags, self.map.flags);
        let pairs = back.radiance.iter().zip(&self.map.radiance);
        assert!(
            pairs
                .into_iter()
                .all(|(a, b)| (a - b).abs() <= b.abs() / 65536.0)
        );
    }
}

fn floor(criterion: &mut Criterion) {
    let bench = Bench::new();
    bench.check();
    let mut group = criterion.benchmark_group("12 MP");
    group.sample_size(10);
    group.throughput(Throughput::Elements((ROWS * COLUMNS) as u64));
    group.bench_function("read one JPEG header", |b| {
        b.iter(|| black_box(read_header(&bench.frames[0], &Limits::default()).unwrap()));
    });
    group.bench_function("decode one JPEG", |b| {
        b.iter(|| black_box(read_picture(&bench.frames[0], &Limits::default()).unwrap()));
    });
    group.bench_function("decode three JPEG side by side", |b| {
        b.iter(|| bench.decode())
    });
    group.bench_function("write the map as OpenEXR", |b| b.iter(|| bench.write()));
    group.bench_function("floor: decode three, write the map", |b| {
        b.iter(|| {
            bench.decode();
            bench.write();
        });
    });
    group.bench_function("read the map back", |b| {
        let file = bench.folder.path().join("map.exr");
        b.iter(|| black_box(map_file::read_exr(&file, &Limits::default()).unwrap()));
    });
    group.finish();
    encoders(criterion, &bench);
    schemes(criterion, &bench.map);
}

fn encoders(criterion: &mut Criterion, bench: &Bench) {
    let eight = frame(&bench.map.radiance, 1.0);
    let sixteen = bench
        .map
        .radiance
        .mapv(|l| (65535.0 * l.clamp(0.0, 1.0)) as u16);
    let profile = srgb_profile();
    let mut group = criterion.benchmark_group("12 MP, to memory");
    group.sample_size(10);
    group.throughput(Throughput::Elements((ROWS * COLUMNS) as u64));
    let jpeg = || jpeg::encode(eight.view(), 92, Subsampling::Half, Some(&profile), None).unwrap();
    let png8 = || png::encode8(eight.view(), Some(&profile)).unwrap();
    let png16 = || png::encode16(sixteen.view(), Some(&profile)).unwrap();
    let hdr = || {
        let mut out = Vec::new();
        rgbe::write(&mut out, bench.map.radiance.view(), "bench", None).unwrap();
        out
    };
    println!(
        "bytes: JPEG {} PNG 8 {} PNG 16 {} RGBE {}",
        jpeg().len(),
        png8().len(),
        png16().len(),
        hdr().len()
    );
    group.bench_function("JPEG quality 92, 4:2:0", |b| b.iter(|| black_box(jpeg())));
    group.bench_function("PNG, 8 bits", |b| b.iter(|| black_box(png8())));
    group.bench_function("PNG, 16 bits", |b| b.iter(|| black_box(png16())));
    group.bench_function("Radiance RGBE", |b| b.iter(|| black_box(hdr())));
    group.finish();
}

/// The same channels by the `exr` crate's own compressors, to memory, against the writer of this program.
fn schemes(criterion: &mut Criterion, map: &RadianceMap) {
    let mut group = criterion.benchmark_group("12 MP map by other schemes, to memory");
    group.sample_size(10);
    for (name, compression) in [
        ("none", Compression::Uncompressed),
        ("RLE", Compression::RLE),
        ("ZIP", Compression::ZIP16),
        ("PIZ", Compression::PIZ),
        ("PXR24", Compression::PXR24),
    ] {
        let mut picture = other_writer(map);
        picture.layer_data.encoding = Encoding {
            compression,
            ..Encoding::FAST_LOSSLESS
        };
        picture.layer_data.encoding.blocks = exr::prelude::Blocks::ScanLines;
        let write = || {
            let mut out = std::io::Cursor::new(Vec::new());
            picture.write().to_buffered(&mut out).unwrap();
            out.into_inner().len()
        };
        println!("{name}: {} bytes", write());
        group.bench_function(name, |b| b.iter(|| black_box(write())));
    }
    group.finish();
}

fn other_writer(map: &RadianceMap) -> Image<Layer<AnyChannels<FlatSamples>>> {
    let plane = |samples: &Array3<f32>, k: usize| {
        samples
            .slice(s![.., .., k])
            .iter()
            .copied()
            .collect::<Vec<f32>>()
    };
    let mut channels = Vec::new();
    for (k, letter) in ["R", "G", "B"].into_iter().enumerate() {
        channels.push(AnyChannel::new(
            letter,
            FlatSamples::F32(plane(&map.radiance, k)),
        ));
        for (layer, samples) in [("sigma", &map.statistical), ("systematic", &map.systematic)] {
            let halves = plane(samples, k)
                .into_iter()
                .map(half::f16::from_f32)
                .collect();
            channels.push(AnyChannel::new(
                format!("{layer}.{letter}").as_str(),
                FlatSamples::F16(halves),
            ));
        }
    }
    let flags = map.flags.iter().map(|&f| u32::from(f)).collect();
    channels.push(AnyChannel::new("flags", FlatSamples::U32(flags)));
    let channels = AnyChannels::sort(channels.into());
    Image::from_layer(Layer::new(
        (COLUMNS, ROWS),
        LayerAttributes::default(),
        Encoding::FAST_LOSSLESS,
        channels,
    ))
}

criterion_group!(benches, floor);
criterion_main!(benches);
