//! The report at the edge: JSON, CSV, terminal text and page of a made-up bracket.
mod compared;
mod coverage;
pub(super) mod fixture;
mod known;
mod run;
mod scene;
mod twice;

use super::golden;
use serde_json::Value;
use std::collections::BTreeSet;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{PictureKind, PictureMeasurement};
use stopspan_report::{csv, html, json, terminal, words};

#[test]
fn the_json_reads_back_as_the_same_report() {
    let report = run::report();
    let text = json::text(&report).unwrap();
    let back: Report = serde_json::from_str(&text).unwrap();
    assert!(back == report, "every field and every bit of every number");
    assert!(json::text(&back).unwrap() == text);
}

#[test]
fn a_number_that_is_none_becomes_null() {
    let mut report = run::report();
    report.brackets[0].pictures.frames[0].patches[0].snr = f64::NAN;
    report.brackets[0].pictures.frames[0].patches[1].snr = f64::INFINITY;
    let text = json::text(&report).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    for step in 0..2 {
        assert!(value["brackets"][0]["pictures"][0]["patches"][step]["snr"].is_null());
    }
    let rows = csv::steps(&report).unwrap();
    assert!(!rows.contains("NaN") && !rows.contains("inf"));
    let page = html::page(&report, &scene::figures());
    // Pictures in base64 hold any three letters.
    let mut parts = page.split("base64,").map(|part| {
        let picture = |c: char| c.is_ascii_alphanumeric() || "+/=".contains(c);
        part.trim_start_matches(picture)
    });
    assert!(!parts.any(|text| text.contains("NaN")));
}

#[test]
fn the_names_that_others_rely_on_are_there() {
    let text = json::text(&run::report()).unwrap();
    let value: Value = serde_json::from_str(&text).unwrap();
    assert_eq!(value["schema"], "stopspan-report/2");
    let bracket = &value["brackets"][0];
    assert_eq!(bracket["name"], "bench");
    for name in ["frames", "pictures"] {
        assert!(bracket[name].is_array(), "{name}");
    }
    assert!(bracket["response"].is_object());
    let kinds: Vec<&str> = (0..6)
        .map(|i| bracket["pictures"][i]["kind"].as_str().unwrap())
        .collect();
    assert_eq!(
        kinds,
        ["frame", "frame", "frame", "camera-hdr", "merge", "rendered"]
    );
    let picture = &bracket["pictures"][2];
    assert_eq!(picture["file"], fixture::FILES[2]);
    for name in ["noise", "code", "visual"] {
        assert!(picture["levels"][name].is_u64(), "{name}");
    }
    let joined = picture["joined"][0].as_array().unwrap();
    assert!(joined.len() == 3 && joined[0].is_u64() && joined[1].is_u64());
    assert_eq!(joined[2], "clipped");
    let usable = &picture["usable_stops"][0];
    assert_eq!(usable["snr"], 1.0);
    for name in ["stops", "low95", "high95"] {
        assert!(usable[name].is_f64(), "{name}");
    }
    assert_eq!(usable["limited_by"], "noise");
    assert_eq!(picture["patches"].as_array().unwrap().len(), fixture::STEPS);
}

/// Paths of all leaves, and of objects that may be null; findings end at their list.
fn paths(value: &Value, path: &str, out: &mut BTreeSet<String>) {
    let open = path.ends_with("findings[]") || path == "settings";
    match value {
        Value::Object(fields) if !open => {
            for (name, inner) in fields {
                let dot = if path.is_empty() { "" } else { "." };
                paths(inner, &format!("{path}{dot}{name}"), out);
            }
        }
        // A triple of different things is one value.
        Value::Array(items) if !path.ends_with("joined[]") => {
            for item in items {
                paths(item, &format!("{path}[]"), out);
            }
        }
        _ => {
            out.insert(path.to_owned());
        }
    }
}

#[test]
fn every_field_is_documented_and_every_documented_field_is_there() {
    let text = json::text(&twice::report()).unwrap();
    let mut found = BTreeSet::new();
    paths(&serde_json::from_str(&text).unwrap(), "", &mut found);
    let table = include_str!("../../src/report/schema.md");
    let rows = table.lines().filter_map(|l| l.strip_prefix("| `"));
    let mut documented = BTreeSet::new();
    for row in rows {
        let field = row.split('`').next().unwrap();
        assert!(documented.insert(field.to_owned()), "twice: {field}");
    }
    // A row `a.*` stands for a struct whose fields are documented where it is at home.
    let covers = |row: &str, path: &str| row.strip_suffix('*').is_some_and(|p| path.starts_with(p));
    let missing: Vec<_> = found
        .difference(&documented)
        .filter(|f| !documented.iter().any(|d| covers(d, f)))
        .collect();
    assert!(missing.is_empty(), "not documented: {missing:?}");
    let absent: Vec<_> = documented
        .difference(&found)
        .filter(|d| {
            !found
                .iter()
                .any(|f| f.starts_with(&format!("{d}.")) || covers(d, f))
        })
        .collect();
    assert!(
        absent.is_empty(),
        "documented but not in the sample: {absent:?}"
    );
    assert!(documented.len() > 100, "{} rows read", documented.len());
}

/// Shots that were saved twice: side by side in the terminal (kept), and a section of the page with its table and chart.
#[test]
fn pictures_stand_beside_the_raw_files_of_the_same_shots() {
    let report = twice::report();
    let text = terminal::table(&report);
    assert!(text.lines().all(|l| l.chars().count() <= 79));
    let at = text.find("bench beside the raw files").unwrap();
    golden("report/twice.txt", &text[at..]);
    let page = html::page(&report, &scene::figures());
    let section = page
        .split("<section>")
        .find(|s| s.contains("beside its raw files"));
    let section = section.unwrap().split("</section>").next().unwrap();
    assert_eq!(section.matches("role=\"rowheader\"").count(), 4);
    assert_eq!(section.matches("<svg").count(), 1);
    for words in ["3.1 %", "0.4 %", "0.015", "1.003", "bench_", ".dng"] {
        assert!(section.contains(words), "{words}: {section}");
    }
}

#[test]
fn the_table_of_steps_has_one_row_a_picture_and_step() {
    let report = run::report();
    let text = csv::steps(&report).unwrap();
    let mut reader = ::csv::Reader::from_reader(text.as_bytes());
    let heads: Vec<String> = reader
        .headers()
        .unwrap()
        .iter()
        .map(str::to_owned)
        .collect();
    let names: Vec<&str> = csv::STEP_COLUMNS.iter().map(|c| c.0).collect();
    assert_eq!(heads, names);
    let rows: Vec<_> = reader.records().map(|r| r.unwrap()).collect();
    assert_eq!(rows.len(), 6 * fixture::STEPS);
    let at = |name: &str| names.iter().position(|n| *n == name).unwrap();
    let first = &report.brackets[0].pictures.frames[0];
    for (row, patch) in rows.iter().zip(&first.patches) {
        assert_eq!(row[at("snr")].parse::<f64>().unwrap(), patch.snr);
        assert_eq!(row[at("step")], patch.step.to_string());
    }
    let merge = &rows[4 * fixture::STEPS];
    assert_eq!(&merge[at("kind")], "merge");
    assert_eq!(&merge[at("code_green")], "", "a radiance map has no codes");
    assert_eq!(
        &rows[fixture::STEPS - 1][at("next_separation")],
        "",
        "no step follows the last"
    );
}

#[test]
fn the_terminal_table_is_as_it_was_looked_at() {
    let text = terminal::table(&run::report());
    for line in text.lines() {
        assert!(line.chars().count() < 80, "too long: {line}");
    }
    golden("report/terminal.txt", &text);
}

fn of_kinds(kinds: &[PictureKind]) -> BracketReport {
    let mut bracket = fixture::bracket();
    let mut taken: Vec<PictureMeasurement> = Vec::new();
    for kind in kinds {
        let fresh = bracket
            .pictures
            .iter()
            .find(|p| p.kind == *kind && !taken.iter().any(|t| t.file == p.file));
        taken.push(fresh.unwrap().clone());
    }
    bracket.pictures = taken.into();
    bracket
}

#[test]
fn the_headline_says_what_there_is() {
    use PictureKind::{CameraHdr, Frame, Merge};
    assert_eq!(
        words::headline(&of_kinds(&[])),
        "No picture could be measured; the notes give the reasons."
    );
    assert_eq!(
        words::headline(&of_kinds(&[Frame])),
        "The single frame (bench_half.jpg) resolves 19 of 21 steps. Dynamic range at SNR 1: the single frame (bench_half.jpg) 11.1 stops."
    );
    assert_eq!(
        words::headline(&of_kinds(&[Merge])),
        "The merge resolves 21 of 21 steps. Dynamic range at SNR 1: the merge at least 13.4 stops."
    );
    assert_eq!(
        words::headline(&of_kinds(&[Frame, Frame, Frame, CameraHdr, Merge])),
        "The merge resolves 21 of 21 steps, the camera's HDR 19 (18 by 8 x 8 means), the best single frame (bench_nominal.jpg) 19. Dynamic range at SNR 1: the merge at least 13.4 stops, the camera's HDR 11.1, the best single frame (bench_nominal.jpg) 11.1."
    );
}

#[test]
fn the_headline_names_the_best_frame_and_does_without_a_wedge() {
    let mut bracket = fixture::bracket();
    // Without the scene the longest range decides.
    bracket.scene = None;
    for picture in bracket.pictures.iter_mut() {
        picture.levels = None;
    }
    bracket.pictures.frames[1].usable_stops[0].stops = Some(11.5);
    bracket.pictures = bracket.pictures.frames.into();
    assert_eq!(
        words::headline(&bracket),
        "Dynamic range at SNR 1: the best single frame (bench_nominal.jpg) 11.5 stops. No wedge was measured, so no steps are counted."
    );
    let one = bracket.pictures.frames[1].clone();
    bracket.pictures.frames.extend([one.clone(), one]);
    bracket.pictures.frames[0].usable_stops[0].stops = Some(12.25);
    assert_eq!(
        words::headline(&bracket),
        "Dynamic range at SNR 1: the best single frame (bench_half.jpg) 12.2 stops. No wedge was measured, so no steps are counted."
    );
}

const HOSTILE: &str = "\"><img src=x onerror=alert(1)><script>'&.jpg";

/// The two take turns by style alone, and only where the reader has not asked for stillness; the section is left out where
/// nothing lay otherwise.
#[test]
fn before_and_after_take_turns_without_script() {
    let page = html::page(&run::report(), &scene::figures());
    assert!(page.contains("Alignment and movement"));
    assert!(page.contains("(prefers-reduced-motion: no-preference)"));
    assert!(!page.contains("<script"));
    // Halo and line for each of two frames.
    assert_eq!(page.matches("<polygon").count(), 4);
    let bare = html::page(&run::report(), &stopspan_report::Figures::default());
    assert!(!bare.contains("Alignment and movement"));
}

#[test]
fn hostile_names_stay_text_on_the_page() {
    let mut report = run::report();
    let bracket = &mut report.brackets[0];
    bracket.name = HOSTILE.into();
    bracket.camera = Some(HOSTILE.into());
    bracket.frames[0].file = HOSTILE.into();
    for picture in bracket.pictures.iter_mut() {
        picture.file = HOSTILE.into();
    }
    bracket.headline = words::headline(bracket);
    report.settings.insert(HOSTILE.into(), HOSTILE.into());
    report.inputs[0].path = HOSTILE.into();
    report.failed[0].name = HOSTILE.into();
    report.brackets.push(report.brackets[0].clone());
    let page = html::page(&report, &scene::figures());
    assert!(page.contains("&lt;script&gt;"), "the name is shown");
    assert!(!page.contains("<script") && !page.contains("<img src=x"));
    assert!(!page.contains(HOSTILE));
}

#[test]
fn the_page_stands_alone() {
    let page = html::page(&run::report(), &scene::figures());
    let look = std::path::Path::new(env!("CARGO_TARGET_TMPDIR")).join("report.html");
    std::fs::write(look, &page).unwrap();
    for forbidden in [
        "<script",
        "<link",
        "<iframe",
        "@import",
        "url(",
        "http:",
        "https:",
        "javascript:",
        " onload",
    ] {
        assert!(!page.contains(forbidden), "{forbidden}");
    }
    let sources = page.matches(" src=\"").count();
    assert_eq!(sources, page.matches(" src=\"data:image/").count());
    assert_eq!(
        sources, 14,
        "two strips of cameras compared, six of the bracket, preview, sources, what moved, before, after, ghosts"
    );
    let images = page.matches("<img ").count();
    assert_eq!(images, page.matches(" alt=\"").count());
    assert_eq!(
        page.matches("role=\"img\"").count(),
        8,
        "seven charts, the outlines of the frames"
    );
    assert_eq!(page.matches("<desc ").count(), 7);
    assert_eq!(
        page.matches("<table ").count(),
        page.matches("<caption>").count()
    );
    assert!(page.contains(&fixture::bracket().headline.replace('\'', "&#39;")));
}

#[test]
fn the_page_is_well_formed_and_its_identifiers_differ() {
    let mut report = run::report();
    // Names differ within a run, if only by a space.
    let mut second = fixture::bracket();
    second.name = "ben ch".to_owned();
    report.brackets.push(second);
    let page = html::page(&report, &scene::figures());
    for tag in [
        "section", "table", "tr", "td", "th", "div", "svg", "figure", "ul", "li", "dl", "span",
        "p", "details",
    ] {
        let opened =
            page.matches(&format!("<{tag}>")).count() + page.matches(&format!("<{tag} ")).count();
        assert_eq!(opened, page.matches(&format!("</{tag}>")).count(), "{tag}");
    }
    let ids: Vec<&str> = page
        .split(" id=\"")
        .skip(1)
        .map(|s| s.split('"').next().unwrap())
        .collect();
    let different: BTreeSet<&str> = ids.iter().copied().collect();
    assert_eq!(ids.len(), different.len());
    assert_eq!(
        ids.len(),
        (1 + 14) + (1 + 10),
        "two charts more where a comparison is"
    );
}

#[test]
fn an_empty_report_makes_a_page_that_says_so() {
    let page = html::page(&Report::new(), &stopspan_report::Figures::default());
    assert!(page.contains("Nothing was measured"));
    let mut bare = Report::new();
    bare.brackets = vec![BracketReport::default()];
    let page = html::page(&bare, &stopspan_report::Figures::default());
    assert!(!page.contains("NaN") && page.contains("</html>"));
}
