//! The job on good input: files left, nothing overwritten, the same bits again.
use super::program::{files, maps, nothing_by_halves, program, run};
use super::scene::{SIZE, TIMES, Tags, bracket, frame, write};

#[test]
fn a_good_bracket_leaves_every_file() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = bracket(&input);
    let before: Vec<Vec<u8>> = frames.iter().map(|f| std::fs::read(f).unwrap()).collect();
    run(&[&input], &out).expect(0);
    nothing_by_halves(&out);
    for name in [
        "report.json",
        "report.html",
        "levels.csv",
        "steps.csv",
        "stops.csv",
    ] {
        assert!(out.join(name).is_file(), "{name}");
    }
    assert_eq!(maps(&out).len(), 1);
    let endings = |e: &str| {
        files(&out)
            .iter()
            .filter(|f| f.extension().is_some_and(|x| x == e))
            .count()
    };
    assert!(endings("hdr") >= 1 && endings("jpg") >= 1 && endings("png") >= 1);
    let after: Vec<Vec<u8>> = frames.iter().map(|f| std::fs::read(f).unwrap()).collect();
    assert_eq!(before, after, "an input was written");
    assert_eq!(
        files(&input).len(),
        frames.len(),
        "something was left beside the inputs"
    );
    let report = std::fs::read_to_string(out.join("report.html")).unwrap();
    for outside in ["src=\"http", "href=\"http", "@import", "url(http"] {
        assert!(!report.contains(outside), "the page reaches out: {outside}");
    }
}

/// FIPS 180-4 sums as another program gives them, and the whole report again but for the one marked line.
#[test]
fn the_same_inputs_and_settings_give_the_same_report() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    let frames = bracket(&input);
    let drawn = std::cell::RefCell::new(Vec::new());
    let texts = |name: &str| -> Vec<String> {
        let out = scratch.path().join(name);
        run(&[&input], &out).expect(0);
        let sheets: Vec<_> = files(&out)
            .into_iter()
            .filter(|f| f.parent().is_some_and(|p| p.ends_with("sheets")))
            .map(|f| {
                (
                    f.file_name().unwrap().to_owned(),
                    std::fs::read(&f).unwrap(),
                )
            })
            .collect();
        drawn.borrow_mut().push(sheets);
        ["report.json", "report.html", "levels.csv"]
            .map(|file| std::fs::read_to_string(out.join(file)).unwrap())
            .to_vec()
    };
    let first = texts("first");
    std::thread::sleep(std::time::Duration::from_millis(1100));
    let second = texts("second");
    let marks = ["  \"made\": \"", "<p class=\"made\">"];
    for ((a, b), mark) in first.iter().zip(&second).zip(marks) {
        let differing: Vec<_> = a.lines().zip(b.lines()).filter(|(a, b)| a != b).collect();
        assert_eq!(a.lines().count(), b.lines().count());
        assert_eq!(differing.len(), 1, "{differing:?}");
        assert!(differing[0].0.starts_with(mark) && differing[0].1.starts_with(mark));
    }
    assert_eq!(first[2], second[2]);
    let drawn = drawn.borrow();
    assert!(drawn[0].len() >= 8, "{}", drawn[0].len());
    assert_eq!(drawn[0], drawn[1], "a sheet differs");
    let report: serde_json::Value = serde_json::from_str(&first[0]).unwrap();
    let inputs = report["inputs"].as_array().unwrap();
    assert_eq!(inputs.len(), frames.len());
    for input in inputs {
        let told = std::process::Command::new("sha256sum")
            .arg(input["path"].as_str().unwrap())
            .output();
        // Where there is no such program the length and the letters are all that can be said.
        let expected = told.ok().filter(|o| o.status.success());
        let sum = input["sha256"].as_str().unwrap();
        assert!(sum.len() == 64 && sum.bytes().all(|b| b.is_ascii_hexdigit()));
        if let Some(output) = expected {
            let text = String::from_utf8(output.stdout).unwrap();
            assert_eq!(text.split_whitespace().next(), Some(sum));
        }
    }
}

#[test]
fn a_result_is_not_overwritten_unasked() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input);
    run(&[&input], &out).expect(0);
    let state = || -> Vec<Vec<u8>> {
        files(&out)
            .iter()
            .map(|f| std::fs::read(f).unwrap())
            .collect()
    };
    let first = state();
    let done = run(&[&input], &out).expect(1);
    assert!(done.err.contains("overwrite"), "{}", done.err);
    assert_eq!(first, state());
}

#[test]
fn one_thread_gives_the_same_map_as_four() {
    let scratch = tempfile::tempdir().unwrap();
    let frames = bracket(&scratch.path().join("in"));
    let map = |threads: &str| {
        let out = scratch.path().join(format!("{threads}.exr"));
        let mut arguments = vec!["merge"];
        arguments.extend(frames.iter().map(|f| f.to_str().unwrap()));
        arguments.extend(["--threads", threads, "--out", out.to_str().unwrap()]);
        program(&arguments).expect(0);
        std::fs::read(out).unwrap()
    };
    assert!(map("1") == map("4"), "the maps differ");
}

#[test]
fn the_order_of_the_frames_does_not_matter() {
    let scratch = tempfile::tempdir().unwrap();
    let frames = bracket(&scratch.path().join("in"));
    let map = |name: &str, order: [usize; 3]| {
        let out = scratch.path().join(name);
        let mut arguments = vec!["merge"];
        arguments.extend(order.iter().map(|&i| frames[i].to_str().unwrap()));
        arguments.extend(["--out", out.to_str().unwrap()]);
        program(&arguments).expect(0);
        std::fs::read(out).unwrap()
    };
    assert!(
        map("a.exr", [0, 1, 2]) == map("b.exr", [2, 0, 1]),
        "the maps differ"
    );
}

#[test]
fn a_dry_run_lists_and_writes_nothing() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input);
    let out_name = out.to_str().unwrap();
    let done = program(&[
        "run",
        input.to_str().unwrap(),
        "--out",
        out_name,
        "--dry-run",
    ])
    .expect(0);
    for name in ["good0.jpg", "good1.jpg", "good2.jpg"] {
        assert!(done.out.contains(name), "{}", done.out);
    }
    assert!(files(&out).is_empty());
}

/// Without any exposure, or with times of 0, order and steps come from the pixels, and every figure in stops is said to be
/// relative.
#[test]
fn frames_without_exposures_are_measured_relatively() {
    for zero in [false, true] {
        let scratch = tempfile::tempdir().unwrap();
        let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
        std::fs::create_dir(&input).unwrap();
        // Names that do not follow the exposures.
        for (index, (name, (_, exposure))) in ["b", "c", "a"].iter().zip(&TIMES).enumerate() {
            let tags = zero.then_some(Tags {
                time: (0, 1),
                second: index as u32,
            });
            let file = input.join(format!("{name}.jpg"));
            write(&file, &frame(*exposure, SIZE), tags);
        }
        let done = run(&[&input], &out).expect(0);
        let report: serde_json::Value =
            serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap();
        let frames = report["brackets"][0]["frames"].as_array().unwrap();
        let files: Vec<&str> = frames.iter().map(|f| f["file"].as_str().unwrap()).collect();
        assert_eq!(files, ["b.jpg", "c.jpg", "a.jpg"]);
        let said: Vec<String> = done.said().split_whitespace().map(str::to_owned).collect();
        let said = said.join(" ");
        for words in ["figure in stops scales with it", "--exposure FILE=SECONDS"] {
            assert!(said.contains(words), "{words}: {said}");
        }
    }
}

/// A merge tells which named frames it did not use and why, and what it found on the way.
#[test]
fn a_merge_tells_what_it_did_not_use() {
    let scratch = tempfile::tempdir().unwrap();
    let frames = bracket(&scratch.path().join("in"));
    let other = scratch.path().join("words.jpg");
    std::fs::write(&other, "no picture").unwrap();
    let out = scratch.path().join("map.exr");
    let mut arguments = vec!["merge"];
    arguments.extend(frames.iter().map(|f| f.to_str().unwrap()));
    arguments.extend([other.to_str().unwrap(), "--out", out.to_str().unwrap()]);
    // A named file that cannot be used is an error, unless leave is given to go on without it.
    let refused = program(&arguments).expect(1);
    assert!(
        refused.err.contains("words.jpg") && !out.exists(),
        "{}",
        refused.err
    );
    arguments.push("--accept-damaged");
    let done = program(&arguments).expect(0);
    for words in [
        "words.jpg was not used: ",
        "note: ",
        "The exposure span",
        "3 frames merged",
    ] {
        assert!(done.out.contains(words), "{words}: {}", done.out);
    }
    assert_eq!(done.out.matches("words.jpg").count(), 1, "{}", done.out);
}
