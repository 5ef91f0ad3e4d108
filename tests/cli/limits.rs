//! Limits of memory, of devices, and of where results may go.
use super::program::{maps, program, run};
use super::scene::{self, TIMES, Tags};
use std::path::Path;

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// A bracket of larger frames than the usual ones.
fn large_bracket(folder: &Path) {
    std::fs::create_dir_all(folder).unwrap();
    for (second, (time, exposure)) in (0..).zip(TIMES) {
        let tags = Tags { time, second };
        let file = folder.join(format!("large{second}.jpg"));
        scene::write(&file, &scene::frame(exposure, (1000, 800)), Some(tags));
    }
}

/// 0.8 megapixels take some 60 MB more than 0.02 do: a limit between the two costs the large bracket only.
#[test]
fn a_bracket_that_takes_more_memory_than_allowed_is_named_and_the_others_are_done() {
    let scratch = tempfile::tempdir().unwrap();
    let (small, large) = (scratch.path().join("small"), scratch.path().join("large"));
    scene::bracket(&small);
    large_bracket(&large);
    let out = scratch.path().join("out");
    let inputs = ["run", text(&small), text(&large), "--out", text(&out)];
    let options = ["--no-wedge", "--sheet-look", "none", "--max-memory", "90MB"];
    let done = program(&[&inputs[..], &options].concat()).expect(3);
    assert_eq!(maps(&out).len(), 1, "{}", done.said());
    for words in ["large0.jpg", "of memory", "limit of 0.1 GB", "--max-memory"] {
        assert!(done.err.contains(words), "{}", done.err);
    }
    let map = scratch.path().join("map.exr");
    let frames: Vec<String> = (0..3)
        .map(|k| format!("{}/large{k}.jpg", text(&large)))
        .collect();
    let mut arguments = vec!["merge", "--out", text(&map), "--max-memory", "70MB"];
    arguments.extend(frames.iter().map(String::as_str));
    program(&arguments).expect(1);
    assert!(!map.exists());
    *arguments.iter_mut().find(|a| **a == "70MB").unwrap() = "90MB";
    program(&arguments).expect(0);
}

#[test]
fn a_picture_and_a_map_are_held_to_the_limit_too() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("frames");
    let frames = scene::bracket(&folder);
    let map = scratch.path().join("map.exr");
    let mut arguments = vec!["merge", "--out", text(&map)];
    arguments.extend(frames.iter().map(|f| text(f)));
    program(&arguments).expect(0);
    let picture = scratch.path().join("picture.png");
    for arguments in [
        &["measure", text(&frames[0])][..],
        &["measure", text(&map)],
        &["render", text(&map), "--out", text(&picture)],
    ] {
        let arguments = [arguments, &["--max-memory", "50MB"]].concat();
        let done = program(&arguments).expect(1);
        assert!(done.said().contains("memory"), "{}", done.said());
    }
    assert!(!picture.exists());
}

/// Results in the folder of the pictures: what a run left there is no input of the next one, and may be replaced when that was asked for.
#[test]
fn results_may_lie_in_the_folder_of_the_pictures() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("frames");
    let frames = scene::bracket(&folder);
    let bytes = |file: &Path| std::fs::read(file).unwrap();
    let before: Vec<Vec<u8>> = frames.iter().map(|f| bytes(f)).collect();
    run(&[&folder], &folder).expect(0);
    run(&[&folder], &folder).expect(1);
    for more in ["--resume", "--overwrite"] {
        let arguments = [
            "run",
            text(&folder),
            "--out",
            text(&folder),
            "--no-wedge",
            more,
        ];
        program(&arguments).expect(0);
        assert_eq!(maps(&folder).len(), 1);
    }
    let after: Vec<Vec<u8>> = frames.iter().map(|f| bytes(f)).collect();
    assert_eq!(before, after);
}

/// A file of the user's that has the name of a result is an input, and never written.
#[test]
fn a_file_with_the_name_of_a_result_is_kept() {
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("frames");
    scene::bracket(&folder);
    let own = folder.join("levels.csv");
    std::fs::write(&own, "mine").unwrap();
    let arguments = ["run", text(&folder), "--out", text(&folder), "--no-wedge"];
    for more in ["--resume", "--overwrite"] {
        let done = program(&[&arguments[..], &[more]].concat()).expect(1);
        assert!(done.err.contains("levels.csv"), "{}", done.err);
        assert_eq!(std::fs::read(&own).unwrap(), b"mine");
    }
}

/// A full device under standard output is an error, and a device is no place for a result.
#[cfg(target_os = "linux")]
#[test]
fn a_full_device_is_an_error() {
    use std::process::{Command, Stdio};
    let scratch = tempfile::tempdir().unwrap();
    let folder = scratch.path().join("frames");
    let frames = scene::bracket(&folder);
    let out = scratch.path().join("out");
    let whole_job = ["run", text(&folder), "--out", text(&out), "--no-wedge"];
    for (arguments, code) in [
        (&whole_job[..], 3),
        (&["run", text(&folder), "--dry-run"], 3),
        (&["completions", "bash"], 3),
        (&["run", "--help"], 1),
    ] {
        let full = std::fs::File::options().write(true).open("/dev/full");
        let child = Command::new(env!("CARGO_BIN_EXE_stopspan"))
            .args(arguments)
            .stdout(Stdio::from(full.unwrap()))
            .output()
            .unwrap();
        assert_eq!(child.status.code(), Some(code), "{arguments:?}");
    }
    assert_eq!(maps(&out).len(), 1);
    let onto = [
        "measure",
        text(&frames[0]),
        "--overwrite",
        "--out",
        "/dev/full",
    ];
    let done = program(&onto).expect(1);
    assert!(done.err.contains("a device"), "{}", done.err);
    assert!(!Path::new("/dev/full").is_file());
}
