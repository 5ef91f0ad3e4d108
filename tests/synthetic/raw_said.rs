//! What raw files ask for is said, and changes nothing: corrections of the lens (opcode lists), BaselineExposure.
use std::path::Path;
use stopspan::pipeline::{Settings, prepare, survey};
use stopspan_core::finding::Finding;
use stopspan_formats::staged::Outputs;
use stopspan_report::words::finding;
use stopspan_simulate::{Scenario, write_scenario};

fn scenario() -> Scenario {
    let text = r#"{ "name": "s", "seed": 8, "size": [640, 480], "scene": { "kind": "valley", "light": 1.0 },
        "sensor": { "full_well": 20000.0, "read_noise": 4.0, "adc_bits": 14, "black": 512.0 },
        "frames": [ { "name": "under", "ev": -2.0 }, { "name": "nominal", "ev": 0.0 }, { "name": "over", "ev": 2.0 } ],
        "files": { "kind": "dng", "deflate": true } }"#;
    serde_json::from_str(text).unwrap()
}

const UNDEFINED: u16 = 7;
const SRATIONAL: u16 = 10;

/// A big-endian TIFF with entries (tag, type, count, value) added to its first directory, which is written anew at the end
/// (TIFF 6.0, section 2).
fn with_entries(bytes: &[u8], added: &[(u16, u16, u32, Vec<u8>)]) -> Vec<u8> {
    assert_eq!(bytes[..4], *b"MM\0\x2a");
    let mut out = bytes.to_vec();
    let start = u32::from_be_bytes(bytes[4..8].try_into().unwrap()) as usize;
    let count = usize::from(u16::from_be_bytes(
        bytes[start..start + 2].try_into().unwrap(),
    ));
    let entries = bytes[start + 2..start + 2 + 12 * count].chunks_exact(12);
    let mut entries: Vec<Vec<u8>> = entries.map(<[u8]>::to_vec).collect();
    let next = bytes[start + 2 + 12 * count..][..4].to_vec();
    for (tag, kind, count, value) in added {
        let place = (out.len() as u32).to_be_bytes();
        let mut entry = [tag.to_be_bytes(), kind.to_be_bytes()].concat();
        entry.extend(count.to_be_bytes());
        assert!(value.len() > 4);
        entry.extend(place);
        out.extend(value);
        out.resize(out.len().next_multiple_of(2), 0);
        entries.push(entry);
    }
    entries.sort_by_key(|e| u16::from_be_bytes([e[0], e[1]]));
    let place = out.len() as u32;
    out[4..8].copy_from_slice(&place.to_be_bytes());
    out.extend((entries.len() as u16).to_be_bytes());
    out.extend(entries.concat());
    out.extend(next);
    out
}

/// A list of opcodes without data (DNG specification 1.7, chapter 7).
fn opcodes(numbers: &[u32]) -> Vec<u8> {
    let mut list = (numbers.len() as u32).to_be_bytes().to_vec();
    for number in numbers {
        list.extend([*number, 0x0103_0000, 0, 0].map(u32::to_be_bytes).concat());
    }
    list
}

/// Findings and noise of the bracket in a folder.
fn prepared(folder: &Path) -> (Vec<Finding>, String) {
    let settings = Settings::new(vec![folder.to_path_buf()], folder.join("map.exr"));
    let plan = survey(&settings).unwrap().brackets.remove(0);
    let made = prepare(&plan, &settings, &|_| {}).unwrap();
    let values = format!(
        "{:?} {:?}",
        made.noise,
        stopspan_merge::MapSource::of(&made).rows(20..40).radiance
    );
    (made.bracket.findings, values)
}

#[test]
fn corrections_and_baseline_exposure_are_said_and_the_map_stays() {
    let folder = tempfile::tempdir().unwrap();
    write_scenario(&scenario(), folder.path(), &Outputs::default()).unwrap();
    let (before, plain) = prepared(folder.path());
    let asks = |f: &&Finding| {
        matches!(
            f,
            Finding::CorrectionsNotMade { .. } | Finding::BaselineExposure { .. }
        )
    };
    assert_eq!(before.iter().filter(asks).count(), 0);
    for name in ["under", "nominal", "over"] {
        let file = folder.path().join(format!("s_{name}.dng"));
        let whole = std::fs::read(&file).unwrap();
        let lists = [
            (51008, opcodes(&[5])),
            (51009, opcodes(&[9, 9])),
            (51022, opcodes(&[1, 3, 99])),
        ];
        let mut added = lists
            .map(|(tag, list)| (tag, UNDEFINED, list.len() as u32, list))
            .to_vec();
        let baseline = [(-7i32).to_be_bytes(), 10i32.to_be_bytes()].concat();
        added.push((50730, SRATIONAL, 1, baseline));
        std::fs::write(&file, with_entries(&whole, &added)).unwrap();
    }
    let (after, asked) = prepared(folder.path());
    assert_eq!(plain, asked);
    let said: Vec<&Finding> = after.iter().filter(asks).collect();
    let names = [
        "FixBadPixelsList",
        "GainMap",
        "WarpRectilinear",
        "FixVignetteRadial",
        "opcode 99",
    ];
    assert_eq!(said.len(), 2);
    for one in &said {
        match one {
            Finding::CorrectionsNotMade { names: found, .. } => assert_eq!(found[..], names),
            Finding::BaselineExposure { stops, .. } => assert!((stops + 0.7).abs() < 1e-9),
            _ => {}
        }
    }
    let words: Vec<String> = said.iter().map(|f| finding(f)).collect();
    assert!(
        words
            .iter()
            .any(|w| w.contains("WarpRectilinear") && w.contains("not applied")),
        "{words:?}"
    );
    assert!(
        words.iter().any(|w| w.contains("0.70 stops darker")),
        "{words:?}"
    );
}
