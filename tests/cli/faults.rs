//! Faults of the machine and odd names: an error that names the file, nothing by halves, inputs untouched, the next run fine.
#![cfg(unix)]
use super::program::{Done, files, maps, nothing_by_halves, program, run};
use super::scene::bracket;
use std::ffi::OsStr;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::process::Command;

/// Runs a line of the shell with the program as `$0`.
fn shell(line: &str, arguments: &[&Path]) -> Done {
    let output = Command::new("sh")
        .args(["-c", line, env!("CARGO_BIN_EXE_stopspan")])
        .args(arguments)
        .output()
        .unwrap();
    Done {
        code: output.status.code().unwrap_or(-1),
        out: String::from_utf8_lossy(&output.stdout).into_owned(),
        err: String::from_utf8_lossy(&output.stderr).into_owned(),
    }
}

fn no_panic(done: &Done) {
    assert!(!done.said().contains("panicked"), "{}", done.said());
}

/// A limit on file sizes (POSIX ulimit -f, in blocks of 512 bytes) stands in for a disk that fills up while the map is
/// written: the system refuses the write half-way.
#[test]
fn a_full_disk_leaves_nothing_by_halves() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = bracket(&input);
    let before: Vec<Vec<u8>> = frames.iter().map(|f| std::fs::read(f).unwrap()).collect();
    let line =
        "trap '' XFSZ; ulimit -f 64; exec \"$0\" run \"$1\" --out \"$2\" --no-wedge --resume";
    let done = shell(line, &[&input, &out]).expect(1);
    no_panic(&done);
    assert!(
        done.err.contains("radiance.exr: cannot be written"),
        "{}",
        done.err
    );
    assert!(done.err.contains("free space"), "{}", done.err);
    assert_eq!(files(&out), Vec::<std::path::PathBuf>::new());
    let after: Vec<Vec<u8>> = frames.iter().map(|f| std::fs::read(f).unwrap()).collect();
    assert_eq!(before, after);
    run(&[&input], &out).expect(0);
    nothing_by_halves(&out);
}

#[test]
fn a_place_that_cannot_be_written_is_named() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    bracket(&input);
    // A file where a folder is wanted, and a place where even the superuser makes no folder.
    let file = scratch.path().join("taken");
    std::fs::write(&file, b"mine").unwrap();
    for out in [file.as_path(), Path::new("/dev/null/out")] {
        let done = run(&[&input], out).expect(1);
        no_panic(&done);
        assert!(
            done.err.contains(&out.display().to_string()),
            "{}",
            done.err
        );
    }
    assert_eq!(std::fs::read(&file).unwrap(), b"mine");
}

/// The folder is taken away while the run is at work; whether it ends well depends on the moment, a panic never.
#[test]
fn a_vanishing_folder_is_an_error() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input);
    let line = "\"$0\" run \"$1\" --out \"$2\" --no-wedge & p=$!; i=0; \
                while kill -0 $p 2>/dev/null && [ $i -lt 500 ]; do rm -rf \"$2\"; i=$((i+1)); done; wait $p";
    let done = shell(line, &[&input, &out]);
    no_panic(&done);
    assert!(
        done.code == 1 && done.err.contains("cannot be written"),
        "{} {}",
        done.code,
        done.err
    );
}

/// A pipe that nobody writes to would be waited for without end.
#[test]
fn a_pipe_is_not_read() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input);
    let pipe = input.join("pipe.jpg");
    assert!(
        Command::new("mkfifo")
            .arg(&pipe)
            .status()
            .unwrap()
            .success()
    );
    let done = run(&[&input], &out);
    no_panic(&done);
    assert!(
        matches!(done.code, 0 | 3) && done.said().contains("pipe.jpg"),
        "{}",
        done.said()
    );
    assert_eq!(maps(&out).len(), 1);
}

#[test]
fn links_lead_to_the_same_files() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, linked) = (scratch.path().join("in"), scratch.path().join("linked"));
    let frames = bracket(&input);
    std::fs::create_dir(&linked).unwrap();
    for frame in &frames {
        std::os::unix::fs::symlink(frame, linked.join(frame.file_name().unwrap())).unwrap();
    }
    std::os::unix::fs::symlink("nowhere.jpg", linked.join("broken.jpg")).unwrap();
    let out = scratch.path().join("out");
    let done = run(&[&linked], &out);
    no_panic(&done);
    assert!(matches!(done.code, 0 | 3), "{}", done.said());
    assert_eq!(maps(&out).len(), 1);
    // A result never goes over an input, by whatever link.
    let over = scratch.path().join("over.exr");
    std::fs::hard_link(&frames[0], &over).unwrap();
    let before = std::fs::read(&frames[0]).unwrap();
    let mut arguments: Vec<&str> = vec!["merge", "--overwrite", "--out", over.to_str().unwrap()];
    arguments.extend(frames.iter().map(|f| f.to_str().unwrap()));
    let done = program(&arguments).expect(1);
    assert!(done.err.contains("is one of the inputs"), "{}", done.err);
    assert_eq!(std::fs::read(&frames[0]).unwrap(), before);
}

#[test]
fn odd_names_are_names() {
    let scratch = tempfile::tempdir().unwrap();
    for (n, name) in [
        b"with space".as_slice(),
        b"quote'\"<&>#%?",
        "r\u{fc}ckseite \u{5c71}".as_bytes(),
        b"not utf-8 \xff\xfe",
        b"-dash",
        b"new\nline",
    ]
    .into_iter()
    .enumerate()
    {
        let input = scratch.path().join(OsStr::from_bytes(name));
        for file in bracket(&input) {
            let mut odd = name.to_vec();
            odd.extend(file.file_name().unwrap().as_bytes());
            std::fs::rename(&file, input.join(OsStr::from_bytes(&odd))).unwrap();
        }
        let out = scratch.path().join(format!("out{n}"));
        let line = "exec \"$0\" run \"$1\" --out \"$2\" --no-wedge --sheet-look none";
        let done = shell(line, &[&input, &out]).expect(0);
        no_panic(&done);
        assert_eq!(maps(&out).len(), 1, "{}", done.said());
        shell(&format!("{line} --resume"), &[&input, &out]).expect(0);
    }
}

#[test]
fn ten_thousand_other_files_do_not_matter() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    bracket(&input);
    for n in 0..10_000 {
        std::fs::write(input.join(format!("note{n}.txt")), b"text").unwrap();
    }
    run(&[&input], &out).expect(0);
    assert_eq!(maps(&out).len(), 1);
}

/// What to put before a command so that permissions bind: nothing for an ordinary user, util-linux's setpriv for the superuser.
fn bound(folder: &Path) -> &'static str {
    use std::os::unix::fs::PermissionsExt;
    let file = folder.join("closed");
    std::fs::write(&file, b"x").unwrap();
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o000)).unwrap();
    let prefix = "setpriv --bounding-set=-all --inh-caps=-all ";
    let opens = |prefix| shell(&format!("{prefix}cat \"$1\""), &[&file]);
    if opens("").code != 0 {
        return "";
    }
    let refused = opens(prefix);
    assert!(
        refused.code == 1 && refused.err.contains("ermission"),
        "permissions do not bind here: run as an ordinary user, or with setpriv (util-linux): {}",
        refused.err
    );
    prefix
}

#[test]
fn what_may_not_be_read_or_written_is_named() {
    use std::os::unix::fs::PermissionsExt;
    let scratch = tempfile::tempdir().unwrap();
    let prefix = bound(scratch.path());
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = bracket(&input);
    let mode = |path: &Path, mode| {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    };
    let line = format!("exec {prefix}\"$0\" run \"$1\" --out \"$2\" --no-wedge --sheet-look none");
    // A folder that may be read only.
    std::fs::create_dir(&out).unwrap();
    mode(&out, 0o555);
    let done = shell(&line, &[&input, &out]).expect(1);
    no_panic(&done);
    assert!(done.err.contains("cannot be written"), "{}", done.err);
    mode(&out, 0o755);
    assert!(files(&out).is_empty());
    // A frame that may not be read: the others are done, and it is named.
    mode(&frames[0], 0);
    let done = shell(&line, &[&input, &out]);
    no_panic(&done);
    assert!(matches!(done.code, 0 | 3), "{}", done.said());
    assert!(done.said().contains("good0.jpg"), "{}", done.said());
    assert_eq!(maps(&out).len(), 1);
}

/// A frame that grows all the time, as while it is being copied, is left out and named.
#[test]
fn a_frame_that_changes_while_it_is_read_is_left_out() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = bracket(&input);
    // Long enough to be read for a while.
    let long = std::fs::OpenOptions::new().write(true).open(&frames[0]);
    long.unwrap().set_len(64 << 20).unwrap();
    let line = "\"$0\" run \"$1\" --out \"$2\" --no-wedge --sheet-look none & p=$!; \
                while kill -0 $p 2>/dev/null; do printf x >> \"$3\"; done; wait $p";
    let done = shell(line, &[&input, &out, &frames[0]]);
    no_panic(&done);
    assert!(matches!(done.code, 0 | 3), "{}", done.said());
    let report = std::fs::read_to_string(out.join("report.json")).unwrap();
    let told = done.said() + &report;
    assert!(
        told.contains("good0.jpg") && told.contains("changed while"),
        "{told}"
    );
    nothing_by_halves(&out);
    assert_eq!(maps(&out).len(), 1);
}

/// What a killed run left beside a result goes when that result is made, also without --resume.
#[test]
fn leftovers_of_a_killed_merge_go() {
    let scratch = tempfile::tempdir().unwrap();
    let frames = bracket(&scratch.path().join("in"));
    let map = scratch.path().join("map.exr");
    std::fs::write(scratch.path().join(".map.exr.999999-0.part"), b"half").unwrap();
    let mut arguments: Vec<&str> = vec!["merge", "--out", map.to_str().unwrap()];
    arguments.extend(frames.iter().map(|f| f.to_str().unwrap()));
    program(&arguments).expect(0);
    let left = files(scratch.path());
    assert_eq!(left.len(), 1 + frames.len(), "{left:?}");
}
