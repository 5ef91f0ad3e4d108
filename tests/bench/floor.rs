//! The floor under a merge: decodes the frames side by side and writes a map that is there already, nothing between.
//!
//! `cargo bench --bench floor -- MAP.exr FRAME...` prints the seconds of the quickest of five rounds. Reading the map is
//! not counted.
use rayon::prelude::*;
use std::path::PathBuf;
use std::time::Instant;
use stopspan::formats::staged::Outputs;
use stopspan::formats::{Limits, read_picture};
use stopspan::merge::Planes;
use stopspan::merge::store::{self, Stored};

fn main() {
    let arguments = std::env::args_os().skip(1).filter(|a| a != "--bench");
    let files: Vec<PathBuf> = arguments.map(PathBuf::from).collect();
    let Some((map, frames)) = files.split_first() else {
        println!("floor: needs a map and its frames");
        return;
    };
    let map = store::read_exr(map, &Limits::default()).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let rounds = (0..5).map(|n| {
        let begun = Instant::now();
        frames.par_iter().for_each(|frame| {
            let picture = read_picture(frame, &Limits::default()).unwrap();
            assert_eq!(picture.pixels.dim(), map.radiance.dim());
        });
        let out = folder.path().join(format!("{n}.exr"));
        let none = Stored::default();
        let strip = |rows: std::ops::Range<usize>| Planes::of(&map.strip(rows));
        store::write_exr(&out, &Outputs::default(), &none, map.radiance.dim(), strip).unwrap();
        let seconds = begun.elapsed().as_secs_f64();
        std::fs::remove_file(out).unwrap();
        seconds
    });
    println!("floor {:.3}", rounds.fold(f64::INFINITY, f64::min));
}
