//! Help that teaches, completions, and what a wrong command line is answered with.
use super::program::program;

#[test]
fn help_names_the_commands_and_the_exit_codes() {
    let help = program(&["--help"]).expect(0).out;
    for word in [
        "run",
        "merge",
        "render",
        "measure",
        "simulate",
        "completions",
        "Exit codes",
    ] {
        assert!(help.contains(word), "{word} is not in:\n{help}");
    }
    let run = program(&["run", "--help"]).expect(0).out;
    let options = [
        "--out",
        "--wedge-corners",
        "--wedge-grid",
        "--wedge-densities",
        "--exposure",
        "--dry-run",
    ];
    for option in options {
        assert!(run.contains(option), "{option} is not in:\n{run}");
    }
    assert!(
        program(&["--version"])
            .expect(0)
            .out
            .contains(env!("CARGO_PKG_VERSION"))
    );
}

/// What a command refuses whatever else is said is not offered by its help, and is refused with a reason.
#[test]
fn what_a_command_refuses_is_not_in_its_help() {
    for (command, hidden) in [("measure", "flat-field"), ("render", "exposure-fusion")] {
        for help in ["-h", "--help"] {
            let out = program(&[command, help]).expect(0).out;
            assert!(!out.contains(hidden), "{command} {help}:\n{out}");
        }
        let run = program(&["run", "--help"]).expect(0).out;
        assert!(run.contains(hidden), "{run}");
    }
    let fused = [
        "render",
        "a.exr",
        "--out",
        "a.jpg",
        "--tone",
        "exposure-fusion",
    ];
    let even = ["measure", "a.jpg", "--flat-field", "b.jpg"];
    for (arguments, words) in [(&fused[..], "a map has none"), (&even, "flat field")] {
        let said = program(arguments).expect(2).err;
        assert!(said.contains(words), "{said}");
    }
}

#[test]
fn completions_for_three_shells() {
    for shell in ["bash", "zsh", "fish"] {
        let script = program(&["completions", shell]).expect(0).out;
        assert!(
            script.contains("stopspan") && script.contains("wedge-corners"),
            "{shell}"
        );
    }
}

/// A reader that has seen enough is no failure.
#[cfg(unix)]
#[test]
fn completions_survive_a_reader_that_goes_away() {
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_stopspan"))
        .args(["completions", "bash"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    drop(child.stdout.take());
    assert_eq!(child.wait().unwrap().code(), Some(0));
}

#[test]
fn a_wrong_command_line_is_2_and_says_what() {
    let cases: [(&[&str], &str); 6] = [
        (&[], "Usage"),
        (&["run"], "INPUT"),
        (&["run", "a.jpg"], "--out"),
        (
            &["run", "a.jpg", "--out", "x", "--no-such-option"],
            "--no-such-option",
        ),
        (
            &["run", "a.jpg", "--out", "x", "--wedge-corners", "1,2,3"],
            "--wedge-corners",
        ),
        (
            &["run", "a.jpg", "--out", "x", "--exposure", "a.jpg"],
            "--exposure",
        ),
    ];
    for (arguments, word) in cases {
        let done = program(arguments).expect(2);
        assert!(done.err.contains(word), "{arguments:?}: {}", done.err);
        assert!(done.out.is_empty(), "{arguments:?}: {}", done.out);
    }
    assert!(!std::path::Path::new("x").exists());
}
