//! Text and pages against files that someone looked at.
mod report;
mod sheets;

/// A text result against the file kept under tests/golden/. A missing file is written, and the test fails until
/// someone has looked at it and kept it.
fn golden(name: &str, text: &str) {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    let file = folder.join(name);
    match std::fs::read_to_string(&file) {
        Ok(kept) => assert_eq!(
            text, kept,
            "{name} changed: look, then delete the file to renew it"
        ),
        Err(_) => {
            std::fs::write(&file, text).unwrap();
            panic!("{name} was missing and has been written: look at it, then run again");
        }
    }
}
