//! Any text as what a person types, and as the files of the command line's own: exposures, places, densities, kept wedges,
//! scenarios. The first byte chooses the reader.
#![no_main]
use libfuzzer_sys::fuzz_target;
use std::sync::LazyLock;
use stopspan_frames::ExposureOverride;
use stopspan_measure::wedge::{KeptWedge, parse_corners, parse_densities, parse_grid, read_densities};
use stopspan::pipeline::Part;
use stopspan_report::sheet::SheetSettings;
use stopspan_simulate::ScenarioSource;

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
        b'1' => drop(parse_corners(text)),
        b'2' => {
            if let Ok((rows, columns)) = parse_grid(text) {
                assert!(rows > 0 && columns > 0);
            }
        }
        b'3' => {
            if let Ok(densities) = parse_densities(text, 21) {
                assert!(densities.iter().all(|d| d.is_finite()));
            }
        }
        b'4' => drop(Part::parse(text)),
        b'5' => drop(SheetSettings::parse_size(text)),
        _ => drop(SheetSettings::parse_crop(text)),
    }
});
