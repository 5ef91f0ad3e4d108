//! Time of every stage of a merge on a simulated bracket of 6 megapixels, in the order in which they run.
//!
//! Every stage is run once and looked at before it is timed, so that nothing wrong is timed.
use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use std::hint::black_box;
use std::path::PathBuf;
use stopspan::pipeline::{self, Settings};
use stopspan_align as align;
use stopspan_core::model::Limits;
use stopspan_core::model::Recovered;
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_formats::map_file;
use stopspan_formats::read_picture;
use stopspan_formats::staged::Outputs;
use stopspan_frames as frames;
use stopspan_frames::Overrides;
use stopspan_merge::{Merger, MotionSettings, motion, noise};
use stopspan_response as response;
use stopspan_response::ResponseRequest;
use stopspan_simulate::{Scenario, write_scenario};
use stopspan_tone as tone;
use stopspan_tone::ToneSettings;

const COLUMNS: usize = 3000;
const ROWS: usize = 2000;
const SCENARIO: &str = r#"{
  "name": "stages", "seed": 20261125, "size": [3000, 2000],
  "scene": { "kind": "bench", "wedge": { "steps": 41, "density_step": 0.1 } },
  "sensor": { "full_well": 3000, "read_noise": 8, "response": { "name": "srgb" } },
  "frames": [ { "name": "under", "ev": -2 }, { "name": "normal", "ev": 0 }, { "name": "over", "ev": 2 } ],
  "files": { "kind": "jpeg", "quality": 92, "half_chroma": true }
}"#;

struct Bench {
    folder: tempfile::TempDir,
    settings: Settings,
    files: Vec<PathBuf>,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let scenario: Scenario = serde_json::from_str(SCENARIO).unwrap();
        let made = folder.path().join("frames");
        write_scenario(&scenario, &made, &Outputs::default()).unwrap();
        let settings = Settings::new(vec![made], folder.path().join("out"));
        let survey = pipeline::survey(&settings).unwrap();
        let plans = &survey.brackets[0].frames;
        let files: Vec<PathBuf> = plans.iter().map(|f| f.file.clone()).collect();
        assert_eq!(files.len(), 3);
        for file in &files {
            let picture = read_picture(file, &Limits::default()).unwrap();
            assert_eq!(picture.pixels.dim(), (ROWS, COLUMNS, 3));
        }
        Bench {
            folder,
            settings,
            files,
        }
    }

    fn load(&self) -> stopspan_core::model::Bracket {
        let survey = pipeline::survey(&self.settings).unwrap();
        frames::load(&survey.brackets[0], &Overrides::default()).unwrap()
    }

    fn prepare(&self) -> Recovered {
        let survey = pipeline::survey(&self.settings).unwrap();
        pipeline::prepare(&survey.brackets[0], &self.settings, &|_| {}).unwrap()
    }

    fn write(&self, map: &RadianceMap) {
        self.write_planes(|rows| Planes::of_rows(map, rows));
    }

    fn write_planes(&self, strip: impl Fn(std::ops::Range<usize>) -> Planes + Sync) {
        let policy = Outputs {
            overwrite: true,
            inputs: self.files.clone(),
        };
        let file = self.folder.path().join("map.exr");
        let strips = map_file::Strips {
            shape: (ROWS, COLUMNS, 3),
            rows: strip,
        };
        let none = map_file::MapStorage::default();
        map_file::write_exr(&file, &policy, &none, &strips).unwrap();
    }

    /// What was written comes back within the rounding of the file.
    fn check(&self, map: &RadianceMap) {
        assert!(map.radiance.iter().all(|v| v.is_finite()));
        self.write(map);
        let file = self.folder.path().join("map.exr");
        println!("map.exr: {} bytes", file.metadata().unwrap().len());
        let back = map_file::read_exr(&file, &Limits::default()).unwrap();
        let mut pairs = back.radiance.iter().zip(&map.radiance);
        assert!(pairs.all(|(a, b)| (a - b).abs() <= b.abs() / 65536.0));
        assert_eq!(back.flags, map.flags);
    }
}

fn stages(criterion: &mut Criterion) {
    let bench = Bench::new();
    let bracket = bench.load();
    assert_eq!(align::register(&bracket).placements.len(), 3);
    let done = bench.prepare();
    let merger = Merger::new(&done.bracket, &done.response, &done.noise);
    let map = merger.whole();
    bench.check(&map);
    let look = ToneSettings::default();
    assert_eq!(tone::render(&map, &look).dim(), (ROWS, COLUMNS, 3));

    let mut group = criterion.benchmark_group("6 MP");
    group.sample_size(10);
    group.throughput(Throughput::Elements((ROWS * COLUMNS) as u64));
    group.bench_function("read the headers, sort into brackets", |b| {
        b.iter(|| pipeline::survey(&bench.settings).unwrap());
    });
    group.bench_function("decode three frames", |b| b.iter(|| bench.load()));
    group.bench_function("register", |b| b.iter(|| align::register(&bracket)));
    group.bench_function("clip levels", |b| b.iter(|| frames::clip_levels(&bracket)));
    group.bench_function("look whether the frames are linear", |b| {
        b.iter(|| response::looks_linear(&bracket, &frames::clip_levels(&bracket)));
    });
    group.bench_function("recover the response", |b| {
        b.iter(|| {
            response::recover(&done.bracket, &done.clips, None, ResponseRequest::Fit).unwrap()
        });
    });
    group.bench_function("estimate the noise", |b| {
        b.iter(|| noise::estimate(&done.bracket, &done.response, &done.clips));
    });
    let moved = MotionSettings::default();
    group.bench_function("look for what moved", |b| {
        b.iter(|| motion::find(&done.bracket, &done.response, &done.noise, &moved).unwrap());
    });
    group.bench_function("merge", |b| b.iter(|| merger.whole()));
    group.bench_function("merge and write, strip by strip", |b| {
        b.iter(|| bench.write_planes(|rows| merger.planes(rows)));
    });
    group.bench_function("render", |b| b.iter(|| tone::render(&map, &look)));
    group.bench_function("write the map", |b| b.iter(|| bench.write(&map)));
    group.bench_function("floor: decode three frames, write the map", |b| {
        b.iter(|| {
            black_box(bench.load());
            bench.write(&map);
        });
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
