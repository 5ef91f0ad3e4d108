//! What an old result was made of: a run that resumes takes it only where every file that was opened, and every setting that
//! changes a figure, is the same.
use super::program::{Done, files, maps, program};
use image::{Rgb, RgbImage};
use sha2::Digest;
use std::path::{Path, PathBuf};
use stopspan_formats::staged::Outputs;
use stopspan_simulate::{FileKind, Scenario, write_scenario};

/// Corners of four patches on the small bench.
const CORNERS: &str = "13,98,147,99,147,110,13,109";

/// Three frames and the camera's own HDR picture, 160 x 120 pixels.
fn bracket(folder: &Path, files: FileKind, raw_beside: bool) {
    let text = r#"{ "name": "s", "seed": 4, "size": [160, 120], "scene": { "kind": "bench" }, "camera_hdr": true,
        "frames": [ { "name": "nominal", "ev": 0.0 }, { "name": "double", "ev": 1.0 }, { "name": "half", "ev": -1.0 } ] }"#;
    let mut scenario: Scenario = serde_json::from_str(text).unwrap();
    (scenario.files, scenario.raw_beside) = (files, raw_beside);
    write_scenario(&scenario, folder, &Outputs::default()).unwrap();
}

/// A job in a folder of its own: a bracket in `in`, and beside it every other kind of file that can be named.
struct Job {
    scratch: tempfile::TempDir,
}

impl Job {
    fn new() -> Self {
        let job = Job {
            scratch: tempfile::tempdir().unwrap(),
        };
        bracket(&job.at("in"), FileKind::Png, false);
        for (name, level) in [("dark.png", 1), ("flat.png", 128)] {
            let picture = RgbImage::from_pixel(160, 120, Rgb([level; 3]));
            picture.save(job.at(name)).unwrap();
        }
        let densities = "step,density\n1,0.1\n2,0.4\n3,0.7\n4,1.0\n";
        std::fs::write(job.at("densities.csv"), densities).unwrap();
        let wedge = r#"{ "schema": "stopspan-wedge/1", "picture": { "columns": 160, "rows": 120 },
            "corners": [[13, 98], [147, 99], [147, 110], [13, 109]], "grid": { "rows": 1, "columns": 4 } }"#;
        std::fs::write(job.at("wedge.json"), wedge).unwrap();
        job
    }

    fn at(&self, name: &str) -> PathBuf {
        self.scratch.path().join(name)
    }

    /// Runs the job with these options; values that name a file of the folder are made paths.
    fn run(&self, options: &[&str]) -> Done {
        let path = |text: &str| match self.at(text) {
            file if file.exists() => file.to_str().unwrap().to_owned(),
            _ => text.to_owned(),
        };
        let fixed = ["run", "in", "--sheet-look", "none", "--quiet", "--out"];
        let mut all: Vec<String> = fixed.iter().map(|t| path(t)).collect();
        all.push(self.at("out").to_str().unwrap().to_owned());
        all.extend(options.iter().map(|t| path(t)));
        let all: Vec<&str> = all.iter().map(String::as_str).collect();
        program(&all)
    }

    /// Adds a byte to a file, which no reader minds.
    fn change(&self, name: &str) {
        let file = self.at(name);
        let mut bytes = std::fs::read(&file).unwrap();
        bytes.push(b'\n');
        std::fs::write(&file, bytes).unwrap();
    }

    fn map(&self) -> Vec<u8> {
        std::fs::read(&maps(&self.at("out"))[0]).unwrap()
    }
}

/// A job done with these options is taken as done, and no longer when `file` has changed.
fn refused_after_a_change_of(file: &str, options: &[&str]) {
    let job = Job::new();
    job.run(options).expect(0);
    let map = job.map();
    let again = [options, &["--resume"]].concat();
    job.run(&again).expect(0);
    job.change(file);
    let done = job.run(&again).expect(1);
    assert!(done.err.contains("other inputs"), "{file}: {}", done.err);
    assert!(job.map() == map, "{file}: the old map was replaced");
}

#[test]
fn a_changed_frame_is_another_input() {
    refused_after_a_change_of("in/s_half.png", &["--no-wedge"]);
}

#[test]
fn a_changed_camera_hdr_is_another_input() {
    let options = ["--no-wedge", "--camera-hdr", "in/s_hdr.png"];
    refused_after_a_change_of("in/s_hdr.png", &options);
}

#[test]
fn a_changed_dark_frame_is_another_input() {
    let options = ["--no-wedge", "--linear", "--dark-frame", "dark.png"];
    refused_after_a_change_of("dark.png", &options);
}

#[test]
fn a_changed_flat_field_is_another_input() {
    let corners = ["--wedge-corners", CORNERS, "--wedge-grid", "1x4"];
    let options = [&corners[..], &["--flat-field", "flat.png"]].concat();
    refused_after_a_change_of("flat.png", &options);
}

#[test]
fn changed_densities_are_another_input() {
    let corners = ["--wedge-corners", CORNERS, "--wedge-grid", "1x4"];
    let options = [&corners[..], &["--wedge-densities", "densities.csv"]].concat();
    refused_after_a_change_of("densities.csv", &options);
}

#[test]
fn a_changed_wedge_file_is_another_input() {
    refused_after_a_change_of("wedge.json", &["--wedge-file", "wedge.json"]);
}

/// The raw files are a bracket of their own, and an input of the finished pictures' bracket too.
#[test]
fn a_changed_raw_file_is_another_input_of_both_brackets() {
    let job = Job::new();
    std::fs::remove_dir_all(job.at("in")).unwrap();
    bracket(&job.at("in"), FileKind::default(), true);
    job.run(&["--no-wedge"]).expect(0);
    job.change("in/s_half.dng");
    let done = job.run(&["--no-wedge", "--resume"]).expect(1);
    assert_eq!(done.err.matches("other inputs").count(), 2, "{}", done.err);
}

#[test]
fn other_settings_are_another_job() {
    let job = Job::new();
    job.run(&["--no-wedge"]).expect(0);
    for other in [
        &["--no-motion"][..],
        &["--no-register"],
        &["--jpeg-quality", "80"],
        &["--tone-exposure", "0.5"],
        &["--sheet-size", "1280x720"],
        &["--edge", "10,10,60,60"],
    ] {
        let options = [other, &["--no-wedge", "--resume"]].concat();
        let done = job.run(&options).expect(1);
        assert!(
            done.err.contains("other settings"),
            "{other:?}: {}",
            done.err
        );
    }
    job.run(&["--no-wedge", "--resume", "--threads", "1"])
        .expect(0);
}

/// Results that were changed, cut or removed after the run are made again; a temporary file that a killed run left goes.
#[test]
fn results_that_are_not_as_they_were_are_made_again() {
    let job = Job::new();
    job.run(&["--no-wedge"]).expect(0);
    let folder = maps(&job.at("out"))[0].parent().unwrap().to_path_buf();
    let first: Vec<(PathBuf, Vec<u8>)> = files(&folder)
        .into_iter()
        .map(|file| (file.clone(), std::fs::read(&file).unwrap()))
        .collect();
    assert!(first.len() >= 4, "{} files", first.len());
    let spoil: [fn(&Path); 3] = [
        |file| std::fs::remove_file(file).unwrap(),
        |file| std::fs::write(file, b"cut").unwrap(),
        |file| {
            let mut bytes = std::fs::read(file).unwrap();
            let middle = bytes.len() / 2;
            bytes[middle] ^= 1;
            std::fs::write(file, bytes).unwrap();
        },
    ];
    for (k, spoil) in spoil.into_iter().enumerate() {
        std::fs::write(folder.join(".done.json.4711-3.part"), b"left").unwrap();
        spoil(&folder.join("radiance.exr"));
        job.run(&["--no-wedge", "--resume"]).expect(0);
        let now = files(&folder);
        let names: Vec<&PathBuf> = first.iter().map(|(file, _)| file).collect();
        assert_eq!(now.iter().collect::<Vec<_>>(), names, "case {k}");
        for (file, bytes) in &first {
            // The record of the end of a run differs by nothing either.
            assert!(std::fs::read(file).unwrap() == *bytes, "case {k}: {file:?}");
        }
    }
}

#[test]
fn a_record_that_was_altered_is_refused() {
    let job = Job::new();
    job.run(&["--no-wedge"]).expect(0);
    let record = maps(&job.at("out"))[0].with_file_name("done.json");
    let text = std::fs::read_to_string(&record).unwrap();
    let (word, other) = ("nominal", "nominaX");
    assert!(text.contains(word));
    std::fs::write(&record, text.replacen(word, other, 1)).unwrap();
    let done = job.run(&["--no-wedge", "--resume"]).expect(1);
    assert!(done.err.contains("not overwritten"), "{}", done.err);
}

/// Ends an attribute and an element, and begins one that acts.
const ATTACK: &str = "\"'></p><img src=\"x\" onerror=\"alert(1)\">";

/// Appends [`ATTACK`] to every text of a record that is not the name of a variant; returns to how many.
fn attacked(value: &mut serde_json::Value) -> usize {
    const TEXTS: [&str; 7] = [
        "headline", "name", "file", "note", "camera", "what", "reason",
    ];
    match value {
        serde_json::Value::Array(list) => list.iter_mut().map(attacked).sum(),
        serde_json::Value::Object(fields) if fields.contains_key("format") => 0, // an encoded picture
        serde_json::Value::Object(fields) => {
            let one = |(key, field): (&String, &mut serde_json::Value)| match field {
                serde_json::Value::String(text) if TEXTS.contains(&key.as_str()) => {
                    text.push_str(ATTACK);
                    1
                }
                other => attacked(other),
            };
            fields.iter_mut().map(one).sum()
        }
        _ => 0,
    }
}

/// The first encoded picture in a record.
fn picture(value: &mut serde_json::Value) -> Option<&mut serde_json::Value> {
    match value {
        serde_json::Value::Array(list) => list.iter_mut().find_map(picture),
        serde_json::Value::Object(fields) if fields.contains_key("format") => Some(value),
        serde_json::Value::Object(fields) => fields.values_mut().find_map(picture),
        _ => None,
    }
}

/// Whoever knows how the sum is made can make it right again. What is taken up is data: texts are escaped once more on the page, and a
/// picture that is not the bytes of a file is refused.
#[test]
fn a_record_with_a_script_in_it_does_nothing() {
    let job = Job::new();
    job.run(&["--no-wedge"]).expect(0);
    let record = maps(&job.at("out"))[0].with_file_name("done.json");
    let as_made = std::fs::read_to_string(&record).unwrap();
    let sealed = |change: &dyn Fn(&mut serde_json::Value)| {
        let mut whole: serde_json::Value = serde_json::from_str(&as_made).unwrap();
        let mut bracket: serde_json::Value =
            serde_json::from_str(whole["bracket"].as_str().unwrap()).unwrap();
        change(&mut bracket);
        let text = bracket.to_string();
        let sum = sha2::Sha256::digest(&text);
        let sum: String = sum.iter().map(|byte| format!("{byte:02x}")).collect();
        (whole["sha256"], whole["bracket"]) = (sum.into(), text.into());
        std::fs::write(&record, whole.to_string()).unwrap();
    };
    let page = || std::fs::read_to_string(job.at("out/report.html")).unwrap();
    // The same seal on what was not changed is taken.
    sealed(&|_| ());
    job.run(&["--no-wedge", "--resume"]).expect(0);
    let images = page().matches("<img ").count();
    sealed(&|bracket| {
        let (entry, figures) = (
            attacked(&mut bracket["entry"]),
            attacked(&mut bracket["figures"]),
        );
        assert!(entry >= 5 && figures >= 2, "{entry} {figures}");
    });
    job.run(&["--no-wedge", "--resume"]).expect(0);
    assert_eq!(page().matches("<img ").count(), images);
    assert!(page().contains("&lt;img src=&quot;x&quot; onerror="));
    assert!(!page().contains("onerror=\""));
    for (field, text) in [("file", ATTACK), ("format", "svg+xml")] {
        sealed(&|bracket| picture(&mut bracket["figures"]).unwrap()[field] = text.into());
        let done = job.run(&["--no-wedge", "--resume"]).expect(1);
        assert!(done.err.contains("not overwritten"), "{}", done.err);
    }
    job.run(&["--no-wedge", "--resume", "--overwrite"])
        .expect(0);
    assert!(!page().contains("onerror"));
}
