//! Runs the program and looks at what it leaves.
use std::path::{Path, PathBuf};

/// What a run gave.
pub struct Done {
    /// Exit code.
    pub code: i32,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Done {
    /// Panics with both streams unless the exit code is the one expected.
    pub fn expect(self, code: i32) -> Self {
        assert_eq!(
            self.code, code,
            "exit code\n--- standard output\n{}\n--- standard error\n{}",
            self.out, self.err
        );
        self
    }

    /// Everything said.
    pub fn said(&self) -> String {
        format!("{}\n{}", self.out, self.err)
    }
}

/// Runs the program with these arguments, at most two minutes.
pub fn program(arguments: &[&str]) -> Done {
    let output = assert_cmd::Command::new(env!("CARGO_BIN_EXE_stopspan"))
        .args(arguments)
        .timeout(std::time::Duration::from_secs(120))
        .output()
        .unwrap();
    Done {
        code: output
            .status
            .code()
            .expect("ended by a signal or the time limit"),
        out: String::from_utf8(output.stdout).unwrap(),
        err: String::from_utf8(output.stderr).unwrap(),
    }
}

/// `stopspan run INPUT... --out OUT --no-wedge`.
pub fn run(inputs: &[&Path], out: &Path) -> Done {
    let mut arguments = vec!["run"];
    arguments.extend(inputs.iter().map(|p| p.to_str().unwrap()));
    arguments.extend(["--out", out.to_str().unwrap(), "--no-wedge"]);
    program(&arguments)
}

/// All files under a folder, sorted; none if it is not there.
pub fn files(folder: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    let Ok(entries) = std::fs::read_dir(folder) else {
        return found;
    };
    for entry in entries {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// The radiance maps under a folder.
pub fn maps(folder: &Path) -> Vec<PathBuf> {
    let mut found = files(folder);
    found.retain(|p| p.file_name().is_some_and(|n| n == "radiance.exr"));
    found
}

/// Panics if a file under the folder is empty, has a temporary name, or is a map that cannot be read back.
pub fn nothing_by_halves(folder: &Path) {
    for file in files(folder) {
        let name = file.file_name().unwrap().to_str().unwrap();
        let bytes = std::fs::read(&file).unwrap();
        assert!(!bytes.is_empty(), "{} is empty", file.display());
        let temporary = name.starts_with('.') || name.contains("tmp") || name.contains("part");
        assert!(!temporary, "{} was left behind", file.display());
        match file.extension().and_then(|e| e.to_str()) {
            Some("json") => {
                serde_json::from_slice::<serde_json::Value>(&bytes).unwrap();
            }
            Some("exr") => {
                exr::prelude::read_all_data_from_file(&file).unwrap();
            }
            Some("jpg" | "png") => {
                image::open(&file).unwrap();
            }
            Some("html") => assert!(bytes.ends_with(b"</html>\n") || bytes.ends_with(b"</html>")),
            _ => {}
        }
    }
}
