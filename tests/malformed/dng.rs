//! Damaged, false and refused raw files: an error that says what to do, or a stated fallback; never a panic.
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::{Path, PathBuf};
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::finding::Finding;
use stopspan_core::model::{Limits, Picture};
use stopspan_formats::{read_header, read_picture};
use stopspan_frames::parse_exposure;

fn bytes(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/dng");
    std::fs::read(folder.join(name)).unwrap()
}

fn read(bytes: &[u8]) -> (PathBuf, Result<Picture, Error>) {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.dng");
    std::fs::write(&file, bytes).unwrap();
    let read = read_picture(&file, &Limits::default());
    (file, read)
}

fn problem(bytes: &[u8]) -> InputProblem {
    let (file, read) = read(bytes);
    let error = read.expect_err("the file was accepted");
    assert!(error.to_string().contains("frame.dng"), "{error}");
    assert!(!error.advice().is_empty());
    match error {
        Error::Input {
            file: f, problem, ..
        } => {
            assert_eq!(f, file);
            problem
        }
        other => panic!("{other}"),
    }
}

/// The place of the entry of a tag and type in the first, the raw or the EXIF directory of a little-endian file.
fn entry(bytes: &[u8], tag: u16, kind: u16) -> usize {
    let long = |at: usize| u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap());
    let short = |at: usize| u16::from_le_bytes([bytes[at], bytes[at + 1]]);
    let mut directories = vec![long(4) as usize];
    let mut found = Vec::new();
    while let Some(start) = directories.pop() {
        for at in (0..usize::from(short(start))).map(|i| start + 2 + 12 * i) {
            match (short(at), short(at + 2)) {
                (330 | 34665, _) => directories.push(long(at + 8) as usize),
                found_here if found_here == (tag, kind) => found.push(at),
                _ => {}
            }
        }
    }
    // The last one found is the deepest: the raw picture's, where the first directory holds a preview.
    *found.last().unwrap_or_else(|| panic!("no tag {tag}"))
}

fn with(name: &str, tag: u16, kind: u16, value: &[u8]) -> Vec<u8> {
    let mut bytes = bytes(name);
    let at = entry(&bytes, tag, kind) + 8;
    bytes[at..at + value.len()].copy_from_slice(value);
    bytes
}

const SHORT: u16 = 3;
const LONG: u16 = 4;

#[test]
fn what_is_not_read_is_refused_by_name() {
    let plain = "packed-16.dng";
    let cases: [(Vec<u8>, &str); 6] = [
        (
            with(plain, 259, SHORT, &34892u16.to_le_bytes()),
            "lossy JPEG",
        ),
        (with(plain, 259, SHORT, &52546u16.to_le_bytes()), "JPEG XL"),
        (
            with(plain, 259, SHORT, &9u16.to_le_bytes()),
            "compression 9",
        ),
        (
            with(plain, 33421, SHORT, &[6, 0, 6, 0]),
            "colour filter array",
        ),
        (with(plain, 33422, 1, &[0, 1, 2, 3]), "colour filter array"),
        (
            with(plain, 258, SHORT, &32u16.to_le_bytes()),
            "samples of 32 bits",
        ),
    ];
    for (bytes, words) in cases {
        let found = problem(&bytes);
        assert!(
            matches!(&found, InputProblem::RawVariant(w) if w.contains(words)),
            "{found:?}"
        );
        let file = read(&bytes).0;
        assert!(Error::input(file, found).advice().contains("DNG"));
    }
}

/// The first bytes of other makers' raw files (signatures from memory; common practice, no source): refused by the name of
/// their kind, whatever the file is called, and not taken for the TIFF or JPEG preview that some of them hold.
#[test]
fn other_raw_files_are_refused_by_their_kind() {
    let cases: [(&[u8], &str); 8] = [
        (b"II\x2a\0\x10\0\0\0CR\x02\0rest", "CR2"),
        (b"\0\0\0\x18ftypcrx \0\0\0\x01", "CR3"),
        (b"II\x1a\0\0\0HEAPCCDR\x02\0", "CRW"),
        (b"anymakerCCD-RAW 0201", "RAF"),
        (b"IIU\0\x18\0\0\0\x88\xe7\x74\xd8", "RW2"),
        (b"IIRO\x08\0\0\0and more data", "ORF"),
        (b"MMOR\0\0\0\x08and more data", "ORF"),
        (b"FOVb\0\0\x02\0and more data", "X3F"),
    ];
    for (bytes, kind) in cases {
        let found = problem(bytes);
        assert!(
            matches!(&found, InputProblem::OtherRaw(f) if f.contains(kind)),
            "{kind}: {found:?}"
        );
        let advice = Error::input(Path::new("x"), found).advice();
        assert!(
            advice.contains("DNG") && advice.contains("TIFF"),
            "{advice}"
        );
    }
}

/// Without DNGVersion a file of TIFF structure with a mosaic is some camera maker's own.
#[test]
fn raw_files_of_tiff_structure_without_a_dng_version_are_refused() {
    let mut bytes = bytes("packed-16.dng");
    let at = entry(&bytes, 50706, 1);
    bytes[at..at + 2].copy_from_slice(&50999u16.to_le_bytes());
    let found = problem(&bytes);
    assert!(
        matches!(&found, InputProblem::OtherRaw(f) if f.contains("own kind")),
        "{found:?}"
    );
}

#[test]
fn cut_and_contradicting_files_are_damaged() {
    let whole = bytes("packed-16.dng");
    let huge = with("packed-16.dng", 256, LONG, &40_000u32.to_le_bytes());
    let white = with("active-area.dng", 50717, LONG, &60u32.to_le_bytes());
    for bytes in [beyond_single(&whole), huge, white] {
        assert_eq!(problem(&bytes), InputProblem::Damaged);
    }
    for name in ["lossless-jpeg-strip.dng", "deflate.dng", "packed-12.dng"] {
        let whole = bytes(name);
        let at = entry(&whole, 279, LONG);
        let count = u32::from_le_bytes(whole[at + 4..at + 8].try_into().unwrap());
        let mut cut = whole.clone();
        if count == 1 {
            let length = u32::from_le_bytes(whole[at + 8..at + 12].try_into().unwrap());
            cut[at + 8..at + 12].copy_from_slice(&(length / 2).to_le_bytes());
        } else {
            let list = u32::from_le_bytes(whole[at + 8..at + 12].try_into().unwrap()) as usize;
            let length = u32::from_le_bytes(whole[list..list + 4].try_into().unwrap());
            cut[list..list + 4].copy_from_slice(&(length / 2).to_le_bytes());
        }
        assert_eq!(problem(&cut), InputProblem::Damaged, "{name}");
    }
}

/// The first strip's offset moved to the end of the file.
fn beyond_single(whole: &[u8]) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    let at = entry(&bytes, 273, LONG);
    let list = u32::from_le_bytes(bytes[at + 8..at + 12].try_into().unwrap()) as usize;
    bytes[list..list + 4].copy_from_slice(&(whole.len() as u32 - 4).to_le_bytes());
    bytes
}

/// Time, f-number and speed of zero, as some cameras write them: the picture is read, the tags are not believed, and it is said.
#[test]
fn zero_settings_are_findings_not_errors() {
    let mut bytes = bytes("packed-16.dng");
    for tag in [33434, 33437] {
        let at = entry(&bytes, tag, 5) + 8;
        let place = u32::from_le_bytes(bytes[at..at + 4].try_into().unwrap()) as usize;
        bytes[place..place + 8].fill(0);
    }
    let at = entry(&bytes, 34855, SHORT) + 8;
    bytes[at..at + 2].fill(0);
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("frame.dng");
    std::fs::write(&file, &bytes).unwrap();
    let header = read_header(&file, &Limits::default()).unwrap();
    let judged = parse_exposure("frame.dng", &header, None);
    assert_eq!(judged.stated, None);
    for wanted in ["ExposureTime", "FNumber", "PhotographicSensitivity"] {
        let said = judged
            .findings
            .iter()
            .any(|f| matches!(f, Finding::TagUnusable { tag, .. } if tag == wanted));
        assert!(said, "{wanted}: {:?}", judged.findings);
    }
    assert!(read(&bytes).1.is_ok());
}

/// Bytes changed at random, and files cut at random: an error or a picture of the size the header says.
#[test]
fn mutations_never_panic() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference/dng");
    let files = std::fs::read_dir(folder)
        .unwrap()
        .map(|f| f.unwrap().path());
    let files: Vec<PathBuf> = files
        .filter(|f| f.extension().is_some_and(|e| e == "dng"))
        .collect();
    assert_eq!(files.len(), 18);
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("frame.dng");
    let limits = Limits {
        pixels: 1 << 20,
        ..Limits::default()
    };
    let (mut refused, mut accepted) = (0, 0);
    for whole in files.iter().map(|f| std::fs::read(f).unwrap()) {
        for round in 0..40 {
            let mut bytes = whole.clone();
            if round % 4 == 0 {
                bytes.truncate(random.random_range(8..whole.len()));
            } else {
                for _ in 0..random.random_range(1..6) {
                    // The directories stand at the end.
                    let at = random.random_range(whole.len() * 2 / 3..whole.len());
                    bytes[at] = random.random();
                }
            }
            std::fs::write(&file, &bytes).unwrap();
            match read_picture(&file, &limits) {
                Ok(picture) => {
                    let size = (picture.header.columns, picture.header.rows);
                    assert_eq!((picture.pixels.columns(), picture.pixels.rows()), size);
                    accepted += 1;
                }
                Err(Error::Input { .. }) => refused += 1,
                Err(other) => panic!("{other}"),
            }
        }
    }
    assert_eq!(refused + accepted, 18 * 40);
    assert!(refused > 100 && accepted > 20, "{refused} {accepted}");
}
