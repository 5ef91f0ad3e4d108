//! The pages in a real browser: headless Chromium, driven over the DevTools protocol by scripts for Node without packages.
//!
//! Where Chromium or Node are absent the tests print SKIPPED. With `STOPSPAN_NODE_MODULES`, the folder that `npm install` makes of
//! package.json beside this file, the accessibility checker axe-core looks at every page (rules of WCAG 2.2 and good practice), and the
//! TypeScript compiler checks the types of the pages' modules. `STOPSPAN_BROWSER_SHOTS` names a folder that keeps what the window showed.
use super::cli::program::{files, program};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

/// True if a program answers when asked for its version.
fn answers(name: &str) -> bool {
    let mut command = Command::new(name);
    command
        .arg("--version")
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command.status().is_ok_and(|status| status.success())
}

/// True if the browser and Node are there; says so if not.
fn browser_there() -> bool {
    let chromium = std::env::var("CHROMIUM").unwrap_or_else(|_| "chromium".into());
    let there = answers(&chromium) && answers("node");
    if !there {
        println!("SKIPPED: no Chromium or no Node");
    }
    there
}

fn modules() -> Option<PathBuf> {
    let folder = std::env::var_os("STOPSPAN_NODE_MODULES").map(PathBuf::from);
    if folder.is_none() {
        println!("SKIPPED: npm packages (set STOPSPAN_NODE_MODULES)");
    }
    folder
}

/// A folder for pictures of the window.
fn shots(temporary: &Path, name: &str) -> PathBuf {
    let kept = std::env::var_os("STOPSPAN_BROWSER_SHOTS").map(PathBuf::from);
    let folder = kept.unwrap_or_else(|| temporary.join("shots")).join(name);
    std::fs::create_dir_all(&folder).unwrap();
    folder
}

/// Runs a script with these arguments and, where it is there, the accessibility checker; returns its standard output.
fn script(name: &str, arguments: &[&str]) -> String {
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser");
    let mut command = Command::new("node");
    command.arg(here.join(name)).args(arguments);
    if let Some(modules) = modules() {
        command.arg(modules.join("axe-core/axe.min.js"));
    }
    let output = command.output().unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    println!("{said}");
    assert!(output.status.success(), "{name}:\n{said}");
    String::from_utf8(output.stdout).unwrap()
}

fn sample() -> String {
    format!("{}/samples/bench", env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn the_report_and_its_viewer_work_from_a_folder_and_from_a_host() {
    if !browser_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    program(&["run", &sample(), "--out", out.to_str().unwrap(), "-q"]).expect(0);
    let shots = shots(folder.path(), "report");
    script(
        "report.mjs",
        &[out.to_str().unwrap(), shots.to_str().unwrap()],
    );
}

/// The program as a desk; ended with the test.
struct Desk(Child);

impl Drop for Desk {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts a desk on the sample; returns it and the address it prints.
fn desk(results: &Path) -> (Desk, String) {
    let child = Command::new(env!("CARGO_BIN_EXE_stopspan"))
        .args(["desk", &sample(), "--no-browser", "--out"])
        .arg(results)
        .stdout(Stdio::piped())
        .spawn();
    let mut desk = Desk(child.unwrap());
    let lines = BufReader::new(desk.0.stdout.take().unwrap()).lines();
    for line in lines.map_while(Result::ok) {
        if let Some(at) = line.find("http://") {
            return (desk, line[at..].trim().to_owned());
        }
    }
    panic!("the desk printed no address");
}

#[test]
fn the_whole_job_is_done_on_the_desk() {
    if !browser_there() {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let (desk, address) = desk(&folder.path().join("results"));
    let shots = shots(folder.path(), "desk");
    let said = script("desk.mjs", &[&address, shots.to_str().unwrap()]);
    drop(desk);
    let said: Value = serde_json::from_str(said.trim()).unwrap();
    let run = PathBuf::from(said["folder"].as_str().unwrap());
    let maps: Vec<PathBuf> = files(&run)
        .into_iter()
        .filter(|f| f.ends_with("radiance.exr") && !f.starts_with(run.join("published")))
        .collect();
    assert_eq!(maps.len(), 1, "{maps:?}");
    value_is_the_maps(&maps[0], &said["value"]);
    let files: Vec<&str> = said["files"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(Value::as_str)
        .collect();
    for wanted in ["wedge-light.png", "wedge-dark.svg", "web/index.html"] {
        assert!(
            files.iter().any(|f| f.ends_with(wanted)),
            "{wanted} is not among {files:?}"
        );
    }
    same_as_run(&run, folder.path());
}

/// The value read on the page is the one in the file, read by the `exr` crate. The file's compression (PXR24) keeps 24 of 32 bits of
/// a float, 15 of them of its fraction.
fn value_is_the_maps(map: &Path, value: &Value) {
    let layer = exr::prelude::read_first_flat_layer_from_file(map)
        .unwrap()
        .layer_data;
    let green = layer
        .channel_data
        .list
        .iter()
        .find(|c| c.name.eq("G"))
        .unwrap();
    let at = |k: usize| value["place"][k].as_u64().unwrap() as usize;
    let in_file = green
        .sample_data
        .value_by_flat_index(at(1) * layer.size.0 + at(0))
        .to_f32();
    let read = value["green"].as_f64().unwrap();
    let apart = (read / f64::from(in_file) - 1.0).abs();
    assert!(
        apart < 2f64.powi(-15),
        "{read} on the page, {in_file} in the file"
    );
}

/// The files are those of `run` with the same settings, byte for byte; those that state the moment but for that.
fn same_as_run(run: &Path, folder: &Path) {
    let out = folder.join("by-run");
    program(&["run", &sample(), "--out", out.to_str().unwrap(), "-q"]).expect(0);
    let mut compared = 0;
    for file in files(&out) {
        let name = file.strip_prefix(&out).unwrap();
        let there = run.join(name);
        let (a, b) = (
            std::fs::read(&file).unwrap(),
            std::fs::read(&there).unwrap(),
        );
        match name.file_name().and_then(|n| n.to_str()) {
            Some("report.html" | "report.json") => {
                assert!(
                    without_moment(&a) == without_moment(&b),
                    "{} differs",
                    name.display()
                );
            }
            _ => assert!(a == b, "{} differs", name.display()),
        }
        compared += 1;
    }
    assert!(compared > 20, "{compared} files compared");
}

/// The lines of a report but the one that states when it was made.
fn without_moment(text: &[u8]) -> Vec<&[u8]> {
    let lines = text.split(|b| *b == b'\n');
    let made = |line: &&[u8]| {
        let line = line.trim_ascii_start();
        line.starts_with(b"<p class=\"made\">") || line.starts_with(b"\"made\":")
    };
    lines.filter(|line| !made(line)).collect()
}

#[test]
fn the_types_of_the_modules_are_right() {
    if !answers("node") {
        return println!("SKIPPED: no Node");
    }
    let Some(modules) = modules() else {
        return;
    };
    let project = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/tsconfig.json");
    let output = Command::new("node")
        .arg(modules.join("typescript/bin/tsc"))
        .arg("-p")
        .arg(project)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}");
}
