//! Checks on camera files that are not part of the project, for their licences ask for notices of their own.
//!
//! The folder is named by STOPSPAN_OUTSIDE_DATA, or is `../shared/data` beside the project. As it may be absent, every test here is
//! ignored, so that none counts as passed without its data; `.ci/run` runs them where the folder is:
//! `cargo test --release outside_data -- --ignored`. Without the data they fail.
mod gain_map;
mod real_bracket;
mod real_bracket_map;

use std::path::{Path, PathBuf};

/// A file or folder of the outside data. Panics with its path where it is absent.
fn file(name: &str) -> PathBuf {
    let beside = || Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared/data");
    let data = std::env::var_os("STOPSPAN_OUTSIDE_DATA").map_or_else(beside, PathBuf::from);
    let path = data.join(name);
    assert!(
        path.exists(),
        "{} is not there (set STOPSPAN_OUTSIDE_DATA)",
        path.display()
    );
    path
}
