//! A block of the DWAB scheme that states 550 GB for itself, in a file of 1.4 kB: found by the fuzzer from a file of OpenEXR's test suite.
use crate::cli::program::program;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::Limits;

#[test]
fn a_block_of_impossible_size_is_damage() {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz/seeds/pictures/i.exr");
    assert!(matches!(
        stopspan_formats::read_picture(&file, &Limits::default()),
        Err(Error::Input {
            problem: InputProblem::Damaged,
            ..
        })
    ));
    let scratch = tempfile::tempdir().unwrap();
    let out = scratch.path().join("a.png");
    let render = [
        "render",
        file.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ];
    let done = program(&render).expect(1);
    assert!(done.err.contains("i.exr: is damaged"), "{}", done.err);
}
