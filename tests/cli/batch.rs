//! Many brackets: parts that share a folder, going on after an end of any kind, and what is not done again.
use super::program::{Done, files, program};
use super::scene::{SIZE, TIMES, Tags, frame, write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, SystemTime};

/// `count` brackets of the small scene, a minute apart, in one folder.
fn brackets(folder: &Path, count: u32) {
    std::fs::create_dir_all(folder).unwrap();
    for bracket in 0..count {
        for (index, (time, exposure)) in (0..).zip(&TIMES) {
            let tags = Tags {
                time: *time,
                second: 60 * bracket + index,
            };
            let file = folder.join(format!("b{bracket:02}_{index}.jpg"));
            // Every bracket has its own light, so that none can pass for another.
            let light = exposure * (1.0 - 0.02 * f64::from(bracket));
            write(&file, &frame(light, SIZE), Some(tags));
        }
    }
}

fn arguments<'a>(input: &'a Path, out: &'a Path, more: &[&'a str]) -> Vec<&'a str> {
    let mut all = vec![
        "run",
        input.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ];
    all.extend(["--no-wedge", "--sheet-look", "none", "--quiet"]);
    all.extend(more);
    all
}

fn run(input: &Path, out: &Path, more: &[&str]) -> Done {
    program(&arguments(input, out, more))
}

/// Every file below a folder with its bytes, the one line that tells the moment taken out.
fn content(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let without_moment = |file: PathBuf| {
        let mut bytes = std::fs::read(&file).unwrap();
        let name = file.file_name().unwrap().to_str().unwrap();
        if name == "report.json" || name == "report.html" {
            let text = String::from_utf8(bytes).unwrap();
            let lines = text.lines();
            let kept =
                lines.filter(|l| !l.starts_with("  \"made\"") && !l.contains("class=\"made\""));
            bytes = kept.collect::<Vec<_>>().join("\n").into_bytes();
        }
        (file.strip_prefix(folder).unwrap().to_owned(), bytes)
    };
    files(folder).into_iter().map(without_moment).collect()
}

fn assert_same(a: &Path, b: &Path) {
    let (a, b) = (content(a), content(b));
    let names = |c: &[(PathBuf, Vec<u8>)]| c.iter().map(|f| f.0.clone()).collect::<Vec<_>>();
    assert_eq!(names(&a), names(&b));
    for ((name, a), (_, b)) in a.iter().zip(&b) {
        assert!(a == b, "{} differs", name.display());
    }
}

/// Nine brackets: one more than stand on one page, so each has a page of its own.
#[test]
fn parts_together_give_what_one_run_gives() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    brackets(&at("in"), 9);
    run(&at("in"), &at("whole"), &[]).expect(0);
    for part in ["2/4", "1/4", "4/4", "3/4"] {
        run(&at("in"), &at("parts"), &["--part", part]).expect(0);
        assert!(!at("parts").join("report.json").exists());
    }
    run(&at("in"), &at("parts"), &["--resume"]).expect(0);
    assert_same(&at("whole"), &at("parts"));
    let pages = files(&at("whole"));
    let pages = pages.iter().filter(|f| f.ends_with("report.html")).count();
    assert_eq!(pages, 1 + 9);
    let told = std::fs::read_to_string(at("whole").join("report.html")).unwrap();
    assert_eq!(told.matches("/report.html\"").count(), 9);
}

#[test]
fn a_part_that_makes_no_sense_is_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let done = run(
        scratch.path(),
        &scratch.path().join("out"),
        &["--part", "3/2"],
    );
    assert!(done.expect(2).said().contains("K/N"));
}

#[test]
fn only_what_is_not_finished_is_done_again() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    brackets(&at("in"), 2);
    run(&at("in"), &at("out"), &[]).expect(0);
    run(&at("in"), &at("again"), &[]).expect(0);
    let maps = super::program::maps(&at("out"));
    assert_eq!(maps.len(), 2);
    // As if the first bracket had been stopped half-way.
    let first = maps[0].parent().unwrap();
    std::fs::remove_file(first.join("done.json")).unwrap();
    std::fs::write(first.join(".picture.png.999999-3.part"), b"half").unwrap();
    std::fs::write(&maps[0], b"half").unwrap();
    std::fs::remove_file(at("out").join("report.json")).unwrap();
    let moment = |file: &Path| -> SystemTime { file.metadata().unwrap().modified().unwrap() };
    let before = moment(&maps[1]);
    run(&at("in"), &at("out"), &["--resume"]).expect(0);
    assert_eq!(
        moment(&maps[1]),
        before,
        "a finished bracket was done again"
    );
    assert_same(&at("again"), &at("out"));
}

#[test]
fn another_input_under_an_old_name_is_not_taken_for_the_old_one() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    brackets(&at("in"), 2);
    run(&at("in"), &at("out"), &[]).expect(0);
    let maps = super::program::maps(&at("out"));
    let old = std::fs::read(&maps[0]).unwrap();
    let tags = Tags {
        time: TIMES[1].0,
        second: 1,
    };
    write(&at("in").join("b00_1.jpg"), &frame(0.9, SIZE), Some(tags));
    let done = run(&at("in"), &at("out"), &["--resume"]).expect(3);
    assert!(
        done.err.contains("other inputs") && done.err.contains("--overwrite"),
        "{}",
        done.err
    );
    assert_eq!(std::fs::read(&maps[0]).unwrap(), old);
    run(&at("in"), &at("out"), &["--resume", "--overwrite"]).expect(0);
    assert_ne!(std::fs::read(&maps[0]).unwrap(), old);
    // Other settings are as good as other inputs.
    let done = run(&at("in"), &at("out"), &["--resume", "--response", "srgb"]).expect(1);
    assert!(done.err.contains("other settings"), "{}", done.err);
}

/// Sends the program a signal at `kills` moments spread over its run; each time the next run goes through and gives what a
/// run that was left alone gives. What the program itself can do on a signal is to take its unfinished files away, and end with
/// 130; KILL leaves it no time.
fn stopped_and_gone_on(signal: &str, kills: u32) {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    brackets(&at("in"), 2);
    let inputs = content(&at("in"));
    let begun = std::time::Instant::now();
    run(&at("in"), &at("whole"), &[]).expect(0);
    let whole = begun.elapsed();
    let mut stopped = 0;
    for kill in 0..kills {
        let out = at(&format!("out{kill}"));
        let mut child = Command::new(env!("CARGO_BIN_EXE_stopspan"))
            .args(arguments(&at("in"), &out, &["--resume"]))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Spread by the golden ratio, so that few kills already lie everywhere.
        let share = (f64::from(kill) * 0.618_034).fract();
        std::thread::sleep(Duration::from_secs_f64(whole.as_secs_f64() * share));
        let mut kill = Command::new("kill");
        kill.args(["-s", signal, &child.id().to_string()]);
        kill.stderr(Stdio::null()).status().unwrap();
        let ended = child.wait().unwrap();
        stopped += u32::from(!ended.success());
        if signal != "KILL" {
            // Before the handler is set the system ends the program, which has no code then.
            assert!(matches!(ended.code(), Some(0 | 130) | None), "{ended}");
        }
        // What has its name is whole.
        let whole_files = content(&at("whole"));
        for (name, bytes) in content(&out) {
            let hidden = name.file_name().unwrap().to_str().unwrap().starts_with('.');
            let good = whole_files.iter().find(|w| w.0 == name);
            assert!(
                (hidden && signal == "KILL") || good.is_some_and(|g| g.1 == bytes),
                "{}",
                name.display()
            );
        }
        run(&at("in"), &out, &["--resume"]).expect(0);
        assert_same(&at("whole"), &out);
        std::fs::remove_dir_all(&out).unwrap();
    }
    assert!(
        stopped * 2 >= kills,
        "only {stopped} of {kills} were stopped"
    );
    assert_eq!(content(&at("in")), inputs, "an input was touched");
}

#[test]
fn a_killed_run_leaves_nothing_by_halves_and_goes_on() {
    stopped_and_gone_on("KILL", 6);
}

#[test]
#[ignore = "study: a hundred kills take minutes"]
fn study_of_a_hundred_kills() {
    stopped_and_gone_on("KILL", 100);
}

#[test]
fn a_run_told_to_end_takes_its_unfinished_files_away() {
    stopped_and_gone_on("INT", 4);
    stopped_and_gone_on("TERM", 4);
}

/// All that a run leaves, its moment apart, whatever the number of threads.
#[test]
fn one_thread_gives_the_same_files_as_four() {
    let scratch = tempfile::tempdir().unwrap();
    let at = |name: &str| scratch.path().join(name);
    brackets(&at("in"), 1);
    for threads in ["1", "4"] {
        let arguments = ["run", "--quiet", "--threads", threads];
        let (input, out) = (at("in"), at(threads));
        let places = [input.to_str().unwrap(), "--out", out.to_str().unwrap()];
        program(&[arguments.as_slice(), &places].concat()).expect(0);
    }
    assert!(content(&at("1")).len() > 10);
    assert_same(&at("1"), &at("4"));
}
