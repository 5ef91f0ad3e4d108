//! The floors: decodes the frames side by side and writes results that are there already, nothing between. Under a merge that
//! is the map; under a whole run the map as OpenEXR and RGBE and the rendering as JPEG and 16-bit PNG, side by side.
//!
//! `cargo bench --bench floor -- MAP.exr FRAME...` prints the seconds of the quickest of five rounds (or ROUNDS) of each, and the CPU
//! seconds of the cheapest, where the system tells them. Reading and rendering the map is not counted.
use ndarray::Array3;
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use std::time::Instant;
use stopspan_core::model::Limits;
use stopspan_core::model::{Planes, RadianceMap};
use stopspan_formats::jpeg;
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::map_file;
use stopspan_formats::map_file::{MapStorage, Strips};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_formats::{png, read_picture, rgbe};
use stopspan_tone as tone;
use stopspan_tone::ToneSettings;

fn main() {
    let arguments = std::env::args_os().skip(1).filter(|a| a != "--bench");
    let files: Vec<PathBuf> = arguments.map(PathBuf::from).collect();
    let Some((map, frames)) = files.split_first() else {
        println!("floor: needs a map and its frames");
        return;
    };
    let map = map_file::read_exr(map, &Limits::default()).unwrap();
    let codes = tone::render(&map, &ToneSettings::default());
    let read = || {
        frames.par_iter().for_each(|frame| {
            let picture = read_picture(frame, &Limits::default()).unwrap();
            assert_eq!(picture.pixels.dim(), map.radiance.dim());
        });
    };
    let (seconds, cpu) = quickest(|folder| {
        read();
        write_map(folder, &map);
    });
    println!("floor {seconds:.3}\nfloor-cpu {cpu:.3}");
    let (seconds, cpu) = quickest(|folder| {
        read();
        rayon::join(
            || write_map(folder, &map),
            || write_rest(folder, &map, &codes),
        );
    });
    println!("run-floor {seconds:.3}\nrun-floor-cpu {cpu:.3}");
}

/// Least seconds of wall clock and of CPU of the rounds, each in a new folder.
fn quickest(round: impl Fn(&Path)) -> (f64, f64) {
    let wanted = std::env::var("ROUNDS").ok().and_then(|r| r.parse().ok());
    let rounds = (0..wanted.unwrap_or(5)).map(|_| {
        let folder = tempfile::tempdir().unwrap();
        let (begun, used) = (Instant::now(), cpu_seconds());
        round(folder.path());
        (begun.elapsed().as_secs_f64(), cpu_seconds() - used)
    });
    rounds.fold((f64::INFINITY, f64::INFINITY), |a, b| {
        (a.0.min(b.0), a.1.min(b.1))
    })
}

/// CPU seconds this process has used, in user and system mode: fields 14 and 15 of proc(5)'s stat, in hundredths. No number
/// elsewhere than on Linux.
fn cpu_seconds() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let after_name = stat.rsplit(')').next().unwrap_or_default();
    let field = |n: usize| {
        let text = after_name.split_whitespace().nth(n - 3);
        text.and_then(|t| t.parse::<f64>().ok()).unwrap_or(f64::NAN)
    };
    (field(14) + field(15)) / 100.0
}

fn write_map(folder: &Path, map: &RadianceMap) {
    let (none, out) = (MapStorage::default(), folder.join("map.exr"));
    let strips = Strips {
        shape: map.radiance.dim(),
        rows: |rows| Planes::of_rows(map, rows),
    };
    map_file::write_exr(&out, &Outputs::default(), &none, &strips).unwrap();
}

fn write_rest(folder: &Path, map: &RadianceMap, codes: &Array3<u16>) {
    let none = Outputs::default();
    let put = |name: &str, bytes: Vec<u8>| {
        write_whole(&folder.join(name), &none, |sink| sink.write_all(&bytes)).unwrap();
    };
    let finished = || {
        let eight = tone::to_8_bit(codes);
        let bytes = jpeg::encode(eight.view(), 92, Subsampling::Full, None, None);
        put("picture.jpg", bytes.unwrap());
        put("picture.png", png::encode16(codes.view(), None).unwrap());
    };
    let light = || {
        write_whole(&folder.join("map.hdr"), &none, |sink| {
            rgbe::write(sink, map.radiance.view(), "floor", None)
        })
        .unwrap();
    };
    rayon::join(finished, light);
}
