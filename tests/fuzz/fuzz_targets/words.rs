//! Any text as what a person types, and as the files of the command line's own: exposures, places, densities, kept wedges,
//! scenarios. The first byte chooses the reader.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;
use stopspan_frames::ExposureOverride;
use stopspan_measure::wedge::{KeptWedge, parse_densities, read_densities};
use stopspan_simulate::ScenarioSource;

#[path = "../../../src/cli/values.rs"]
mod values;

/// A file in memory, where the system has such a folder.
static PLACE: LazyLock<std::path::PathBuf> = LazyLock::new(|| {
    let shared = std::path::Path::new("/dev/shm");
    let folder = if shared.is_dir() {
        shared.into()
    } else {
        std::env::temp_dir()
    };
    folder.join(format!("stopspan-words-{}", std::process::id()))
});

fuzz_target!(|bytes: &[u8]| {
    let Some((&which, bytes)) = bytes.split_first() else {
        return;
    };
    if (b'a'..=b'c').contains(&which) {
        if std::fs::write(&*PLACE, bytes).is_err() {
            return;
        }
        match which {
            b'a' => drop(read_densities(&PLACE, 21)),
            b'b' => {
                if let Ok(kept) = KeptWedge::read(&PLACE) {
                    assert!(
                        kept.quad()
                            .iter()
                            .all(|p| p.x.is_finite() && p.y.is_finite())
                    );
                }
            }
            _ => {
                if let Ok(scenario) = ScenarioSource::File(PLACE.clone()).load() {
                    let _ = scenario.check();
                }
            }
        }
        return;
    }
    let Ok(text) = std::str::from_utf8(bytes) else {
        return;
    };
    match which {
        b'0' => drop(ExposureOverride::parse(text)),
        b'1' => drop(values::corners(text)),
        b'2' => {
            if let Ok((rows, columns)) = values::grid(text) {
                assert!(rows > 0 && columns > 0);
            }
        }
        b'3' => {
            if let Ok(densities) = parse_densities(text, 21) {
                assert!(densities.iter().all(|d| d.is_finite()));
            }
        }
        b'4' => drop(values::part(text)),
        b'5' => drop(values::sheet_size(text)),
        b'7' => drop(values::edge(text)),
        _ => drop(values::crop(text)),
    }
});
