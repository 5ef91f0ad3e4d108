//! Bad input: a message that names the file and says what to do, nothing by halves, the other brackets still done.
use super::program::{Done, maps, nothing_by_halves, program, run};
use super::scene::{SIZE, TIMES, Tags, bracket, frame, write};
use std::path::Path;

/// Nothing failed: the pictures are only named as belonging to no bracket.
const LEFT_OVER: i32 = 0;

/// One kind of bad input.
struct Case {
    name: &'static str,
    /// Writes the bad files into the folder.
    make: fn(&Path),
    /// A file that must be named.
    file: &'static str,
    /// Words that must be said, of what is wrong or what to do.
    words: &'static [&'static str],
    /// Exit code where a good bracket is there as well: 3 where something failed, 0 where something was only left over.
    beside_good: i32,
}

const CASES: [Case; 5] = [
    Case {
        name: "truncated",
        make: truncated,
        file: "bad0.jpg",
        words: &["damaged or cut short", "copy the file"],
        beside_good: 3,
    },
    Case {
        name: "text",
        make: text,
        file: "bad0.jpg",
        words: &["is not a picture", "JPEG"],
        beside_good: 3,
    },
    Case {
        name: "one frame",
        make: one_frame,
        file: "bad1.jpg",
        words: &["no bracket"],
        beside_good: LEFT_OVER,
    },
    Case {
        name: "all clipped",
        make: all_clipped,
        file: "bad",
        words: &["clipped", "take the bracket again"],
        beside_good: 3,
    },
    Case {
        name: "huge header",
        make: huge_header,
        file: "bad0.png",
        words: &["100000 x 100000", "--max-pixels"],
        beside_good: 3,
    },
];

fn bad(folder: &Path, index: usize) -> std::path::PathBuf {
    folder.join(format!("bad{index}.jpg"))
}

fn tags(index: usize) -> Option<Tags> {
    Some(Tags {
        time: TIMES[index].0,
        second: 600 + index as u32,
    })
}

fn truncated(folder: &Path) {
    for (index, (_, exposure)) in TIMES.iter().enumerate() {
        let file = bad(folder, index);
        write(&file, &frame(*exposure, SIZE), tags(index));
        let bytes = std::fs::read(&file).unwrap();
        std::fs::write(&file, &bytes[..bytes.len() * 6 / 10]).unwrap();
    }
}

fn text(folder: &Path) {
    for index in 0..3 {
        std::fs::write(bad(folder, index), "Dear diary, these are not pixels.\n").unwrap();
    }
}

fn two_sizes(folder: &Path) {
    for (index, (_, exposure)) in TIMES.iter().enumerate() {
        let size = if index == 2 { (128, 96) } else { SIZE };
        write(&bad(folder, index), &frame(*exposure, size), tags(index));
    }
}

fn one_frame(folder: &Path) {
    write(&bad(folder, 1), &frame(1.0, SIZE), tags(1));
}

fn all_equal(folder: &Path) {
    for index in 0..3 {
        write(&bad(folder, index), &frame(1.0, SIZE), tags(1));
    }
}

fn all_clipped(folder: &Path) {
    for index in 0..3 {
        let white = image::RgbImage::from_pixel(SIZE.0, SIZE.1, image::Rgb([255; 3]));
        write(&bad(folder, index), &white, tags(index));
    }
}

/// A PNG whose header claims 100000 x 100000 16-bit RGB pixels (60 GB) and holds none.
fn huge_header(folder: &Path) {
    let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\x0d".to_vec();
    let mut chunk = b"IHDR".to_vec();
    chunk.extend(100_000u32.to_be_bytes());
    chunk.extend(100_000u32.to_be_bytes());
    chunk.extend([16, 2, 0, 0, 0]);
    let crc = crc32(&chunk);
    bytes.extend(chunk);
    bytes.extend(crc.to_be_bytes());
    bytes.extend(b"\0\0\0\0IDAT\x35\xaf\x06\x1e");
    std::fs::write(folder.join("bad0.png"), bytes).unwrap();
}

/// CRC of the PNG standard, bit by bit.
fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32, byte: &u8| {
        (0..8).fold(crc ^ u32::from(*byte), |c, _| {
            if c & 1 == 1 {
                0xedb8_8320 ^ (c >> 1)
            } else {
                c >> 1
            }
        })
    };
    !bytes.iter().fold(!0, step)
}

/// What is missing from what was said: the file, what is wrong, what to do; or a crash, or a message said twice.
fn unsaid(case: &Case, done: &Done, said: &str) -> Vec<String> {
    let mut problems = Vec::new();
    for word in case.words.iter().chain([&case.file]) {
        if !said.contains(word) {
            problems.push(format!("{word:?} is not said"));
        }
    }
    for crash in ["panicked", "RUST_BACKTRACE", "unwrap"] {
        if done.said().contains(crash) {
            problems.push(format!("{crash:?} is said"));
        }
    }
    let lines: Vec<&str> = done
        .err
        .lines()
        .filter(|l| l.starts_with("stopspan: "))
        .collect();
    for (index, line) in lines.iter().enumerate() {
        if lines[..index].contains(line) {
            problems.push(format!("said twice: {line}"));
        }
    }
    problems
}

/// Panics with every problem of every case.
fn judge(problems: &[(&str, Vec<String>, String)]) {
    let bad: Vec<String> = problems
        .iter()
        .filter(|p| !p.1.is_empty())
        .map(|(name, problems, said)| format!("== {name}: {}\n{said}", problems.join("; ")))
        .collect();
    assert!(bad.is_empty(), "{}", bad.join("\n"));
}

#[test]
fn alone_it_is_1_and_nothing_is_left() {
    let check = |case: &Case| {
        let scratch = tempfile::tempdir().unwrap();
        let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
        std::fs::create_dir(&input).unwrap();
        (case.make)(&input);
        let done = run(&[&input], &out);
        let mut problems = unsaid(case, &done, &done.err);
        if done.code != 1 {
            problems.push(format!("exit code {}", done.code));
        }
        nothing_by_halves(&out);
        if !maps(&out).is_empty() {
            problems.push("left a map".to_owned());
        }
        (case.name, problems, done.said())
    };
    judge(&CASES.iter().map(check).collect::<Vec<_>>());
}

#[test]
fn beside_a_good_bracket_that_is_still_done() {
    let check = |case: &Case| {
        let scratch = tempfile::tempdir().unwrap();
        let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
        let good = scratch.path().join("good");
        std::fs::create_dir(&input).unwrap();
        (case.make)(&input);
        bracket(&good);
        let done = run(&[&input, &good], &out);
        // What failed is named in the report too, for a run nobody watched.
        let report = std::fs::read_to_string(out.join("report.json")).unwrap_or_default();
        let mut problems = unsaid(case, &done, &done.said());
        if case.beside_good == LEFT_OVER {
            // The words for a person who gave nothing else are out of place here; the file is named all the same.
            problems.retain(|p| {
                !case
                    .words
                    .iter()
                    .any(|w| *p == format!("{w:?} is not said"))
            });
        }
        if !report.contains(case.file) {
            problems.push("not named in report.json".to_owned());
        }
        if done.code != case.beside_good {
            problems.push(format!("exit code {}", done.code));
        }
        nothing_by_halves(&out);
        if maps(&out).len() != 1 {
            problems.push(format!("{} maps", maps(&out).len()));
        }
        (case.name, problems, done.said())
    };
    judge(&CASES.iter().map(check).collect::<Vec<_>>());
}

/// Pictures of one exposure are no bracket: nothing is merged, and each is named.
#[test]
fn pictures_of_one_exposure_are_no_bracket() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    std::fs::create_dir(&input).unwrap();
    all_equal(&input);
    let done = run(&[&input], &out);
    assert!(maps(&out).is_empty(), "{}", done.said());
    for index in 0..3 {
        let name = format!("bad{index}.jpg");
        assert!(done.said().contains(&name), "{name}: {}", done.said());
    }
    assert!(done.out.contains("Not measured"), "{}", done.said());
    nothing_by_halves(&out);
}

/// Frames of two sizes are two scenes to a folder's sorting, so what is left over is named; asked to be one bracket they
/// are refused.
#[test]
fn two_sizes_are_no_bracket() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    std::fs::create_dir(&input).unwrap();
    two_sizes(&input);
    let done = run(&[&input], &out).expect(0);
    assert!(done.out.contains("bad2.jpg"), "{}", done.out);
    assert_eq!(maps(&out).len(), 1);
    let map = scratch.path().join("map.exr");
    let names: Vec<String> = (0..3)
        .map(|i| bad(&input, i).display().to_string())
        .collect();
    let mut arguments = vec!["merge"];
    arguments.extend(names.iter().map(String::as_str));
    arguments.extend(["--out", map.to_str().unwrap()]);
    let done = program(&arguments).expect(1);
    for word in ["bad2.jpg", "differ in size", "160, 120", "128, 96"] {
        assert!(done.err.contains(word), "{word}: {}", done.err);
    }
    assert!(!map.exists());
}

/// A folder of folders is walked one level; folders deeper inside are not searched, and named.
#[test]
fn a_folder_of_folders_is_walked_one_level() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input.join("evening"));
    bracket(&input.join("evening").join("deeper"));
    let done = run(&[&input], &out).expect(0);
    assert!(done.out.contains("evening"), "{}", done.said());
    assert_eq!(maps(&out).len(), 1, "{}", done.said());
    let report = std::fs::read_to_string(out.join("report.json")).unwrap();
    assert!(report.contains("deeper"), "the folder passed over is named");
}

/// One damaged frame of three: the other two are a bracket, and the report says what was left out.
#[test]
fn one_damaged_frame_is_left_out() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = bracket(&input);
    let bytes = std::fs::read(&frames[2]).unwrap();
    std::fs::write(&frames[2], &bytes[..bytes.len() / 2]).unwrap();
    run(&[&input], &out).expect(3);
    nothing_by_halves(&out);
    assert_eq!(maps(&out).len(), 1);
    let report = std::fs::read_to_string(out.join("report.json")).unwrap();
    assert!(report.contains("frame-left-out") && report.contains("good2.jpg"));
}

/// Frames without anything to measure noise on but their own codes, at the codes that the given response expects: a map can be
/// made of them, but no range in stops is stated.
#[test]
fn frames_of_one_tone_get_no_range() {
    for response in ["srgb", "linear"] {
        let scratch = tempfile::tempdir().unwrap();
        let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
        std::fs::create_dir(&input).unwrap();
        for (index, code) in [70, 100, 140].into_iter().enumerate() {
            let flat = image::RgbImage::from_pixel(SIZE.0, SIZE.1, image::Rgb([code; 3]));
            let tags = Tags {
                time: [(1, 120), (1, 60), (1, 30)][index],
                second: index as u32,
            };
            write(&bad(&input, index), &flat, Some(tags));
        }
        let (folder, to) = (input.to_str().unwrap(), out.to_str().unwrap());
        program(&["run", folder, "--response", response, "--out", to]).expect(0);
        let text = std::fs::read_to_string(out.join("report.json")).unwrap();
        let report: serde_json::Value = serde_json::from_str(&text).unwrap();
        let pictures = report["brackets"][0]["pictures"].as_array().unwrap();
        assert!(pictures.len() >= 4, "{response}: {pictures:?}");
        for picture in pictures {
            let stops = picture["usable_stops"].as_array().unwrap();
            assert!(stops.is_empty(), "{response}: {stops:?}");
        }
        let findings = report["brackets"][0]["findings"].as_array().unwrap();
        let refused = |f: &&serde_json::Value| f["kind"] == "figure-refused";
        assert_eq!(findings.iter().filter(refused).count(), 1, "{response}");
    }
}
