//! Valid files of other libraries' making, changed by chance in a seeded way: whatever comes of them is an error or a picture
//! that keeps its header's promises, never a panic. The coverage-guided fuzzer in `tests/fuzz` goes further, from the same seeds.
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};
use stopspan_core::model::Limits;
use stopspan_formats::map_file;
use stopspan_formats::{read_header, read_picture};
use stopspan_measure::wedge::{KeptWedge, read_densities};
use stopspan_simulate::ScenarioSource;

/// Largest picture accepted here, pixels.
const PIXELS: u64 = 1 << 16;

fn seeds(kind: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds");
    let entries = std::fs::read_dir(folder.join(kind)).unwrap();
    let mut files: Vec<PathBuf> = entries.map(|e| e.unwrap().path()).collect();
    files.sort();
    let read = |file: PathBuf| {
        let bytes = std::fs::read(&file).unwrap();
        (file, bytes)
    };
    files.into_iter().map(read).collect()
}

/// One to four changes: a bit, a byte, a number of two or four bytes as false headers have them, a piece taken out, doubled
/// or put elsewhere, the end cut off.
fn changed(bytes: &[u8], random: &mut ChaCha8Rng) -> Vec<u8> {
    const TELLING: [u32; 8] = [0, 1, 0x7f, 0x80, 0xff, 0x7fff_ffff, 0x8000_0000, u32::MAX];
    let mut out = bytes.to_vec();
    for _ in 0..random.random_range(1..=4) {
        if out.is_empty() {
            break;
        }
        let at = random.random_range(0..out.len());
        let end = out.len().min(at + random.random_range(1..=64));
        match random.random_range(0..7) {
            0 => out[at] ^= 1 << random.random_range(0..8),
            1 => out[at] = random.random(),
            2 | 3 => {
                let number = TELLING[random.random_range(0..TELLING.len())];
                let little = random.random::<bool>();
                let bytes = if little {
                    number.to_le_bytes()
                } else {
                    number.to_be_bytes()
                };
                let length = if random.random() { 2 } else { 4 };
                out.splice(
                    at..out.len().min(at + length),
                    bytes[..length].iter().copied(),
                );
            }
            4 => drop(out.drain(at..end)),
            5 => {
                let piece = out[at..end].to_vec();
                let to = random.random_range(0..=out.len());
                out.splice(to..to, piece);
            }
            _ => out.truncate(at),
        }
    }
    out
}

/// What the fuzzer's target of pictures asks of a file.
fn read_as_picture(file: &Path) {
    let limits = Limits {
        pixels: PIXELS,
        ..Limits::default()
    };
    let header = read_header(file, &limits);
    for accept_damaged in [false, true] {
        let limits = Limits {
            accept_damaged,
            ..limits
        };
        if let Ok(picture) = read_picture(file, &limits) {
            let header = header
                .as_ref()
                .expect("a picture whose header cannot be read");
            let (rows, columns, channels) = picture.pixels.dim();
            assert_eq!((columns, rows), (header.columns, header.rows));
            assert!((rows * columns) as u64 <= PIXELS && (channels == 1 || channels == 3));
            let last = |c| picture.pixels.level(rows - 1, columns - 1, c);
            assert!((0..channels).all(|c| last(c).is_finite()));
        }
    }
    let _ = map_file::read_exr(file, &limits);
}

/// The files of the command line's own; the first byte of a seed says which it is.
fn read_as_words(file: &Path, which: u8) {
    match which {
        b'a' => drop(read_densities(file, 21)),
        b'b' => {
            if let Ok(kept) = KeptWedge::read(file) {
                assert!(
                    kept.quad()
                        .iter()
                        .all(|p| p.x.is_finite() && p.y.is_finite())
                );
            }
        }
        _ => {
            if let Ok(scenario) = ScenarioSource::File(file.to_path_buf()).load() {
                let _ = scenario.check();
            }
        }
    }
}

/// Tries `count` changes of every seed; a failure names the seed and the number of the change, which make it again.
fn try_changes(
    seeds: &[(PathBuf, Vec<u8>)],
    count: u64,
    read: impl Fn(&Path) + std::panic::RefUnwindSafe,
) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("changed");
    for (seed, bytes) in seeds {
        for number in 0..count {
            let mut random = ChaCha8Rng::seed_from_u64(number);
            std::fs::write(&file, changed(bytes, &mut random)).unwrap();
            let went = std::panic::catch_unwind(|| read(&file));
            assert!(went.is_ok(), "{}, change {number}", seed.display());
        }
    }
}

#[test]
fn changed_pictures_are_errors_or_whole() {
    let seeds = seeds("pictures");
    assert!(seeds.len() >= 16, "{} seeds", seeds.len());
    try_changes(&seeds, 400, read_as_picture);
}

#[test]
fn changed_files_of_our_own_are_errors_or_sound() {
    let mut seeds = seeds("words");
    seeds.retain(|(_, bytes)| bytes.first().is_some_and(|b| (b'a'..=b'c').contains(b)));
    assert!(seeds.len() >= 3, "{} seeds", seeds.len());
    let files: Vec<_> = seeds
        .into_iter()
        .map(|(file, bytes)| (file, bytes[1..].to_vec(), bytes[0]))
        .collect();
    for (file, bytes, which) in files {
        try_changes(&[(file, bytes)], 400, |file| read_as_words(file, which));
    }
}

#[test]
#[ignore = "study: a million changed pictures take many minutes"]
fn study_of_a_million_changed_pictures() {
    let seeds = seeds("pictures");
    try_changes(
        &seeds,
        1_000_000_u64.div_ceil(seeds.len() as u64),
        read_as_picture,
    );
}
