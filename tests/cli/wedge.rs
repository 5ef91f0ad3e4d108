//! What is said of the wedge on the command line: every mistake is named with its option or file, before or instead of figures;
//! a wedge kept by one run serves the next.
use super::program::{Done, program};
use std::path::Path;
use stopspan_formats::staged::Outputs;
use stopspan_simulate::{Scenario, write_scenario};

/// Two frames of a small bench.
fn bench(folder: &Path) {
    let text = r#"{ "name": "s", "seed": 4, "size": [480, 360], "scene": { "kind": "bench" },
        "frames": [ { "name": "nominal", "ev": 0.0 }, { "name": "double", "ev": 1.0 }, { "name": "half", "ev": -1.0 } ] }"#;
    let scenario: Scenario = serde_json::from_str(text).unwrap();
    write_scenario(&scenario, folder, &Outputs::default()).unwrap();
}

fn job(input: &Path, out: &Path, more: &[&str]) -> Done {
    let mut arguments = vec![
        "run",
        input.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
        "--overwrite",
        "--quiet",
        "--sheet-look",
        "none",
    ];
    arguments.extend(more);
    program(&arguments)
}

/// Corners of the bench's wedge at this size.
const GOOD: &str = "38,294,442,299,442,328,38,323";

const CORNERS: &str = "--wedge-corners";
const GRID: &str = "--wedge-grid";
const DENSITIES: &str = "--wedge-densities";
const UNCERTAINTY: &str = "--wedge-density-uncertainty";

/// Arguments with a mistake, and words that the message must contain.
type Mistake<'a> = (&'a [&'a str], &'a [&'a str]);

/// Runs the program on the bench in `scratch` with each mistake: it fails, and names it.
fn are_named(scratch: &Path, mistakes: &[Mistake]) {
    let input = scratch.join("in");
    bench(&input);
    for (index, (arguments, words)) in mistakes.iter().enumerate() {
        let out = scratch.join(format!("out{index}"));
        let done = job(&input, &out, arguments);
        assert_ne!(done.code, 0, "{arguments:?}\n{}", done.said());
        for word in *words {
            assert!(
                done.said().contains(word),
                "{arguments:?}: \"{word}\" in\n{}",
                done.said()
            );
        }
    }
}

#[test]
fn every_mistake_about_corners_and_grid_is_named() {
    let mistakes: [Mistake; 8] = [
        (
            &[CORNERS, "-90,294,442,299,442,328,38,323", GRID, "1x21"],
            &[CORNERS, "outside"],
        ),
        (
            &[CORNERS, "300,294,760,299,760,328,300,323", GRID, "1x21"],
            &[CORNERS, "outside", "whole wedge"],
        ),
        (
            &[CORNERS, "38,294,442,328,442,299,38,323", GRID, "1x21"],
            &[CORNERS, "cross"],
        ),
        (
            &[CORNERS, "38,294,38,294,38,294,38,294", GRID, "1x21"],
            &[CORNERS, "line"],
        ),
        (
            &[CORNERS, "38,294,442,299", GRID, "1x21"],
            &[CORNERS, "4 numbers"],
        ),
        (&[CORNERS, GOOD], &[CORNERS, GRID]),
        (&[CORNERS, GOOD, GRID, "1x99"], &[CORNERS, "pixels"]),
        (&[CORNERS, GOOD, GRID, "21"], &[GRID, "ROWSxCOLS"]),
    ];
    are_named(tempfile::tempdir().unwrap().path(), &mistakes);
}

#[test]
fn every_mistake_about_densities_is_named() {
    let mistakes: [Mistake; 4] = [
        (
            &[CORNERS, GOOD, GRID, "1x5", DENSITIES, "1,2,3,4,5,6"],
            &[DENSITIES, "6 densities", "5 patches"],
        ),
        (
            &[CORNERS, GOOD, GRID, "1x21", DENSITIES, "0.1,0.3,0.2"],
            &[DENSITIES, "rise or fall"],
        ),
        (&[UNCERTAINTY, "0.9"], &["uncertainty"]),
        (&[UNCERTAINTY, "0"], &["uncertainty"]),
    ];
    are_named(tempfile::tempdir().unwrap().path(), &mistakes);
}

#[test]
fn every_mistake_in_a_file_about_the_wedge_is_named() {
    let scratch = tempfile::tempdir().unwrap();
    let file = |name: &str, text: &str| {
        let path = scratch.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    };
    let letters = file("letters.csv", "step,density\n1,black\n");
    let gap = file("gap.csv", "step,density\n1,0.05\n3,0.2\n");
    let headless = file("headless.csv", "0.05\n0.2\n");
    let broken = file("broken.json", "{ \"schema\": 1 ");
    let other = file("other.json", "{ \"schema\": \"something-else\" }");
    let missing = scratch.path().join("none.csv");
    let missing = missing.to_str().unwrap();
    let mistakes: [Mistake; 7] = [
        (
            &[DENSITIES, &letters],
            &[DENSITIES, "letters.csv", "line 2", "black"],
        ),
        (&[DENSITIES, &gap], &[DENSITIES, "gap.csv", "line 3"]),
        (
            &[DENSITIES, &headless],
            &[DENSITIES, "headless.csv", "step,density"],
        ),
        (
            &[DENSITIES, missing],
            &[DENSITIES, "none.csv", "cannot be read"],
        ),
        (&["--wedge-file", &broken], &["--wedge-file", "broken.json"]),
        (&["--wedge-file", &other], &["--wedge-file", "other.json"]),
        (&["--flat-field", missing], &["none.csv"]),
    ];
    are_named(scratch.path(), &mistakes);
}

#[test]
fn a_wedge_kept_by_one_run_serves_the_next() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    bench(&input);
    let first = scratch.path().join("first");
    let given = [
        "--wedge-corners",
        GOOD,
        "--wedge-grid",
        "1x21",
        "--wedge-densities",
        "0.05:0.15",
    ];
    job(&input, &first, &given).expect(0);
    let read = |out: &Path| -> serde_json::Value {
        serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap()
    };
    let report = read(&first);
    let name = report["brackets"][0]["name"].as_str().unwrap().to_owned();
    let kept = first.join(name).join("wedge.json");
    assert!(kept.is_file());
    let second = scratch.path().join("second");
    job(&input, &second, &["--wedge-file", kept.to_str().unwrap()]).expect(0);
    let again = read(&second);
    let of = |r: &serde_json::Value, what: &str| r["brackets"][0][what].clone();
    assert_eq!(of(&report, "wedge"), of(&again, "wedge"));
    assert_eq!(of(&report, "pictures"), of(&again, "pictures"));
    assert_eq!(of(&report, "calibration"), of(&again, "calibration"));
    // The same wedge for pictures of another size: its corners are not used, and that is said.
    let text = std::fs::read_to_string(&kept).unwrap();
    let other = scratch.path().join("other.json");
    std::fs::write(&other, text.replace("\"columns\": 480", "\"columns\": 481")).unwrap();
    let third = scratch.path().join("third");
    let done = job(
        &input,
        &third,
        &["--verbose", "--wedge-file", other.to_str().unwrap()],
    );
    assert!(done.said().contains("481 x 360"), "{}", done.said());
}

/// Noise so deep that the two darkest of 21 steps are no patches by themselves: all 21 are found, and said to be the least there is; a
/// list of 23 densities is not laid over them.
#[test]
fn a_wedge_that_ends_in_noise_is_said_to_go_on() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    let text = r#"{ "name": "s", "seed": 7, "size": [1200, 900], "scene": { "kind": "bench" },
        "sensor": { "full_well": 600.0, "read_noise": 6.0, "blur": 0.6 },
        "frames": [ { "name": "half", "ev": -1.0 }, { "name": "nominal", "ev": 0.0 }, { "name": "double", "ev": 1.0 } ] }"#;
    let scenario: Scenario = serde_json::from_str(text).unwrap();
    write_scenario(&scenario, &input, &Outputs::default()).unwrap();
    let list: Vec<String> = (0..23)
        .map(|i| format!("{:.2}", 0.05 + 0.15 * f64::from(i)))
        .collect();
    let list = list.join(",");
    let kinds = |out: &Path| -> Vec<String> {
        let text = std::fs::read(out.join("report.json")).unwrap();
        let report: serde_json::Value = serde_json::from_slice(&text).unwrap();
        let findings = report["brackets"][0]["findings"].as_array().unwrap();
        let kind = |f: &serde_json::Value| f["kind"].as_str().unwrap().to_owned();
        findings.iter().map(kind).collect()
    };
    let out = scratch.path().join("counted");
    job(&input, &out, &[]).expect(0);
    let said = kinds(&out);
    assert!(said.iter().any(|k| k == "wedge-may-go-on"), "{said:?}");
    let text = std::fs::read(out.join("report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_slice(&text).unwrap();
    assert_eq!(report["brackets"][0]["wedge"]["columns"], 21);
    let out = scratch.path().join("listed");
    job(&input, &out, &["--wedge-densities", &list]).expect(0);
    let said = kinds(&out);
    assert!(said.iter().any(|k| k == "wedge-doubtful"), "{said:?}");
    assert!(!said.iter().any(|k| k == "wedge-found"), "{said:?}");
}

/// A full well of 200 electrons and read noise of 10: no block of pixels is even enough for a response. That is said with
/// numbers and a way out, and the way out gives a report with its doubts.
#[test]
fn noise_that_hides_the_response_is_named_and_the_way_out_leads_to_a_report() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    let text = r#"{ "name": "s", "seed": 7, "size": [900, 675], "scene": { "kind": "bench" },
        "sensor": { "full_well": 200.0, "read_noise": 10.0 },
        "frames": [ { "name": "half", "ev": -1.0 }, { "name": "nominal", "ev": 0.0 }, { "name": "double", "ev": 1.0 } ] }"#;
    let scenario: Scenario = serde_json::from_str(text).unwrap();
    write_scenario(&scenario, &input, &Outputs::default()).unwrap();
    let done = job(&input, &scratch.path().join("fitted"), &[]);
    assert_eq!(done.code, 1, "{}", done.said());
    for words in [
        "response curve cannot be recovered",
        "codes of 256",
        "--response srgb",
    ] {
        assert!(
            done.said().contains(words),
            "\"{words}\" in\n{}",
            done.said()
        );
    }
    let out = scratch.path().join("as-srgb");
    job(&input, &out, &["--response", "srgb"]).expect(0);
    let text = std::fs::read(out.join("report.json")).unwrap();
    let report: serde_json::Value = serde_json::from_slice(&text).unwrap();
    let bracket = &report["brackets"][0];
    assert!(!bracket["findings"].as_array().unwrap().is_empty());
    assert_eq!(
        bracket["pictures"].as_array().unwrap().len(),
        4,
        "frames and merge"
    );
}

/// Corners of 21 steps said to hold one more or one fewer: the counts are no counts, and that is said; with the right number not.
#[test]
fn a_wrong_number_of_patches_is_said() {
    let scratch = tempfile::tempdir().unwrap();
    let input = scratch.path().join("in");
    bench(&input);
    let out = scratch.path().join("out");
    for (grid, wrong) in [("1x20", true), ("1x21", false), ("1x22", true)] {
        let more = ["--wedge-corners", GOOD, "--wedge-grid", grid];
        let done = job(&input, &out, &more);
        assert_eq!(done.code, 0, "{}", done.err);
        let report = std::fs::read_to_string(out.join("report.json")).unwrap();
        assert_eq!(report.contains("wedge-grid-doubtful"), wrong, "{grid}");
    }
}
