//! Sheets of a made-up bracket: text that can be selected, pixels as the files have them, the same bytes again.
use super::golden;
use super::report::fixture::bracket;
use base64::Engine;
use ndarray::Array3;
use stopspan_core::results::NotComparable;
use stopspan_core::results::PictureKind;
use stopspan_core::results::{BracketReport, Report};
use stopspan_core::results::{CameraComparison, CameraRow, RankedFigure, RankedPicture};
use stopspan_core::units::{ExposureTime, FNumber, IsoSpeed};
use stopspan_report::Strip;
use stopspan_report::cameras::compare;
use stopspan_report::sheet;
use stopspan_report::sheet::{CameraStrip, CropCell, CropRow, Look, Sheet, SheetSettings};

fn noise(rows: usize, columns: usize) -> Array3<u8> {
    Array3::from_shape_fn((rows, columns, 3), |(r, c, k)| {
        let mixed = ((r * 300 + c + k * 60_000) as u32).wrapping_mul(2_654_435_761);
        (mixed ^ (mixed >> 15))
            .wrapping_mul(2_246_822_519)
            .to_be_bytes()[0]
    })
}

fn sheets(settings: &SheetSettings) -> (BracketReport, Vec<Sheet>) {
    let bracket = bracket();
    let strip = || Strip {
        rgb: noise(32, 24 * 21),
        note: String::new(),
    };
    let strips: Vec<Option<Strip>> = bracket.pictures.iter().map(|_| Some(strip())).collect();
    let cell = |file: &str| CropCell {
        file: file.into(),
        about: "1/50 s, f/4.0, ISO 100".into(),
        rgb: noise(200, 300),
    };
    let crops = [CropRow {
        what: "step 21 of the wedge".into(),
        cells: vec![cell("a.jpg"), cell("b.jpg")],
    }];
    let made = sheet::of_bracket(&bracket, &strips, &crops, settings);
    (bracket, made)
}

fn decoded(sheet: &Sheet) -> image::RgbImage {
    let bytes = sheet::png(sheet).unwrap();
    image::load_from_memory(&bytes).unwrap().to_rgb8()
}

#[test]
fn every_sheet_has_the_size_asked_for_and_text_to_select() {
    let settings = SheetSettings {
        size: (1280, 720),
        ..SheetSettings::default()
    };
    let (bracket, made) = sheets(&settings);
    let names: Vec<&str> = made.iter().map(|s| s.name.as_str()).collect();
    // The bracket made up has no camera's HDR to compare.
    let kinds = ["wedge", "range", "response", "crops"];
    let all: Vec<String> = ["light", "dark"]
        .iter()
        .flat_map(|look| kinds.map(|kind| format!("{kind}-{look}")))
        .collect();
    assert_eq!(names, all);
    for one in &made {
        assert_eq!(decoded(one).dimensions(), (1280, 720));
        let svg = one.svg();
        assert!(svg.contains("<title id=\"t\">") && svg.contains("<desc id=\"d\">"));
        assert!(one.description.len() > 40, "{}", one.description);
    }
    let wedge = made[0].svg();
    for picture in bracket.pictures.iter().filter(|p| p.levels.is_some()) {
        let levels = picture.levels.unwrap();
        assert!(wedge.contains(&format!(">{}</text>", levels.noise)));
        assert!(wedge.contains(&format!(">of {}</text>", levels.steps)));
    }
}

/// The crop stands in the PNG sample by sample; found by its first row.
#[test]
fn a_crop_is_there_pixel_for_pixel() {
    let settings = SheetSettings {
        looks: vec![Look::Dark],
        ..SheetSettings::default()
    };
    let (_, made) = sheets(&settings);
    let page = decoded(made.iter().find(|s| s.name == "crops-dark").unwrap());
    let crop = noise(200, 300);
    let same = |left: u32, top: u32, rows: usize, columns: usize| {
        (0..rows).all(|r| {
            (0..columns).all(|c| {
                let pixel = page.get_pixel(left + c as u32, top + r as u32).0;
                (0..3).all(|k| pixel[k] == crop[[r, c, k]])
            })
        })
    };
    let places: Vec<(u32, u32)> = (0..page.height() - 200)
        .flat_map(|top| (0..page.width() - 300).map(move |left| (left, top)))
        .filter(|(left, top)| same(*left, *top, 1, 40))
        .collect();
    assert_eq!(places.len(), 2, "one in each column: {places:?}");
    for (left, top) in places {
        assert!(same(left, top, 200, 300));
    }
}

/// The SVG with each picture's data replaced by its size and a checksum of its samples (FNV-1a), so that the drawing can be kept and
/// read, and this program's version, which changes without the drawing.
fn drawing(sheet: &Sheet) -> String {
    const DATA: &str = "data:image/png;base64,";
    let svg = sheet.svg().replace(env!("CARGO_PKG_VERSION"), "VERSION");
    let mut parts = svg.split(DATA);
    let mut out = parts.next().unwrap().to_owned();
    for part in parts {
        let (data, rest) = part.split_once('"').unwrap();
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(data)
            .unwrap();
        let picture = image::load_from_memory(&bytes).unwrap().to_rgb8();
        let sum = picture
            .as_raw()
            .iter()
            .fold(0xcbf2_9ce4_8422_2325u64, |sum, &v| {
                (sum ^ u64::from(v)).wrapping_mul(0x0100_0000_01b3)
            });
        let (columns, rows) = picture.dimensions();
        out += &format!("{columns}x{rows} samples {sum:016x}\"{rest}");
    }
    out
}

/// The four sheets of the made-up bracket as they were looked at, drawn and rasterized, in November 2026.
#[test]
fn sheets_are_as_they_were_looked_at() {
    let settings = SheetSettings {
        looks: vec![Look::Light],
        ..SheetSettings::default()
    };
    let (_, made) = sheets(&settings);
    assert_eq!(made.len(), 4);
    for sheet in &made {
        let look = std::path::Path::new(env!("CARGO_TARGET_TMPDIR"));
        std::fs::write(
            look.join(format!("{}.png", sheet.name)),
            sheet::png(sheet).unwrap(),
        )
        .unwrap();
        golden(&format!("sheets/{}.svg", sheet.name), &drawing(sheet));
    }
}

#[test]
fn only_pictures_that_were_asked_for_are_shown() {
    let settings = SheetSettings {
        pictures: vec!["merge".into()],
        looks: vec![Look::Light],
        ..SheetSettings::default()
    };
    let (bracket, made) = sheets(&settings);
    let range = made.iter().find(|s| s.name == "range-light").unwrap().svg();
    let shown = |kind| {
        let mut of_kind = bracket.pictures.iter().filter(|p| p.kind == kind);
        of_kind.all(|p| range.contains(&format!(">{}</text>", p.file)))
    };
    assert!(shown(PictureKind::Merge) && !shown(PictureKind::Frame));
    let none = SheetSettings {
        looks: Vec::new(),
        ..SheetSettings::default()
    };
    assert!(sheets(&none).1.is_empty());
}

/// Sheets of the made-up bracket, and of eight cameras with long names, in both usual shapes.
fn all_sheets(size: (usize, usize)) -> Vec<Sheet> {
    let settings = SheetSettings {
        size,
        looks: vec![Look::Light],
        ..SheetSettings::default()
    };
    let (first, mut made) = sheets(&settings);
    let mut report = Report::new();
    report.brackets = (0..8)
        .map(|k| {
            let mut one = other(0.3 * f64::from(k), 1.0, 1.0);
            one.name = format!("bracket-{k}");
            one.camera = Some(format!(
                "A Rather Long Name of a Camera Maker, Model {k} Mark II"
            ));
            one
        })
        .collect();
    report.cameras = compare(&report.brackets, &[]);
    made.extend(sheet::of_cameras(&report, &settings));
    let shot = first.pictures.frames.iter().find(|p| p.levels.is_some());
    let strips: Vec<CameraStrip> = (0..8)
        .map(|k| CameraStrip {
            camera: format!("A Rather Long Name of a Camera Maker, Model {k} Mark II"),
            about: ["1/50 s, f/4.0, ISO 100".into(), format!("shot_{k}.jpg")],
            assumed: true,
            picture: shot.unwrap().clone(),
            strip: Strip {
                rgb: noise(32, 24 * 21),
                note: String::new(),
            },
        })
        .collect();
    made.extend(sheet::of_strips(&strips, &settings));
    made
}

/// Letters of 30 pixels on a sheet 1920 wide or 1080 x 1920 (the project's own limit, so that a phone shows them), all within the
/// sheet. More rows than five take further sheets.
#[test]
fn letters_are_large_and_rows_are_few() {
    for size in [(1920, 1080), (1080, 1920)] {
        let made = all_sheets(size);
        let of = |name: &str| made.iter().filter(|s| s.name.starts_with(name)).count();
        assert!(of("cameras") >= 2 && of("wedges") == 2, "{size:?}");
        let mut texts = 0;
        for sheet in &made {
            let svg = sheet.svg();
            let number = |line: &str, name: &str| -> f64 {
                let rest = line.split(&format!(" {name}=\"")).nth(1).unwrap();
                rest.split('"').next().unwrap().parse().unwrap()
            };
            for line in svg.lines().filter(|l| l.starts_with("<text x=")) {
                texts += 1;
                assert!(number(line, "font-size") >= 30.0, "{}: {line}", sheet.name);
                let (x, y) = (number(line, "x"), number(line, "y"));
                let inside =
                    (0.0..=size.0 as f64).contains(&x) && (0.0..=size.1 as f64).contains(&y);
                assert!(inside, "{}: {line}", sheet.name);
            }
        }
        assert!(texts > 150, "{texts}");
    }
}

/// A second camera made of the first: its range moved, its light and settings changed.
fn other(stops: f64, time: f64, light: f64) -> BracketReport {
    let mut other = bracket();
    other.name = "other".into();
    other.camera = Some("Another Camera".into());
    for picture in other.pictures.iter_mut() {
        for usable in &mut picture.usable_stops {
            let moved = |v: &mut Option<f64>| *v = v.map(|v| v + stops);
            moved(&mut usable.stops);
            moved(&mut usable.low95);
            moved(&mut usable.high95);
        }
        for patch in &mut picture.patches {
            patch.linear *= light;
        }
    }
    for frame in &mut other.frames {
        let was = frame.settings;
        frame.settings.time = was.time.map(|t| ExposureTime(t.0 * time));
    }
    other
}

fn settled() -> BracketReport {
    let mut bracket = bracket();
    for frame in &mut bracket.frames {
        frame.settings.time = Some(ExposureTime(0.01));
        frame.settings.aperture = Some(FNumber(4.0));
        frame.settings.speed = Some(IsoSpeed(100.0));
    }
    bracket
}

#[test]
fn ranks_are_shared_where_intervals_overlap() {
    assert!(
        compare(&[bracket(), bracket()], &[]).is_none(),
        "one camera"
    );
    let far = compare(&[bracket(), other(3.0, 1.0, 1.0)], &[]).unwrap();
    assert_eq!(far.rows[0].camera, "Another Camera");
    // At SNR 1 the wedge ends both ranges: lower bounds, which are not ranked.
    assert_eq!(
        (far.rows[0].rank_stops, far.rows[1].rank_stops),
        (None, None)
    );
    let at_snr10 = |compared: &CameraComparison| {
        let row = |row: &CameraRow| {
            row.standing(RankedPicture::Merge, RankedFigure::Stops10)?
                .rank
        };
        (row(&compared.rows[0]), row(&compared.rows[1]))
    };
    assert_eq!(at_snr10(&far), (Some(1), Some(2)));
    // Both merges resolve every step: two lower bounds again.
    assert_eq!(
        (far.rows[0].rank_levels, far.rows[1].rank_levels),
        (None, None)
    );
    let near = compare(&[bracket(), other(0.01, 1.0, 1.0)], &[]).unwrap();
    assert_eq!(at_snr10(&near), (Some(1), Some(1)));
}

/// APEX: twice the time is one stop more, on paper and on the wedge; a stop that the settings do not explain is said.
#[test]
fn light_is_held_against_the_settings() {
    let mut second = other(-1.0, 1.0, 2.0);
    for frame in &mut second.frames {
        frame.settings = settled().frames[0].settings;
        frame.settings.time = Some(ExposureTime(0.02));
    }
    let fair = compare(&[settled(), second.clone()], &[]).unwrap();
    let pair = &fair.light[0];
    assert!((pair.expected.unwrap() - 1.0).abs() < 1e-12);
    assert!((pair.measured.unwrap().value - 1.0).abs() < 1e-9);
    assert!(fair.not_comparable.is_empty(), "{:?}", fair.not_comparable);
    for frame in &mut second.frames {
        frame.settings.time = Some(ExposureTime(0.01));
    }
    let changed = compare(&[settled(), second], &[]).unwrap();
    let said = &changed.not_comparable[..];
    assert!(
        matches!(said, [NotComparable::Light { difference, .. }] if (difference - 1.0).abs() < 1e-9),
        "{said:?}"
    );
}

#[test]
fn cameras_get_a_sheet_and_a_section() {
    let mut report = Report::new();
    report.brackets = vec![bracket(), other(1.5, 1.0, 1.0)];
    assert!(sheet::of_cameras(&report, &SheetSettings::default()).is_empty());
    report.cameras = compare(&report.brackets, &[]);
    let made = sheet::of_cameras(&report, &SheetSettings::default());
    assert_eq!(made.len(), 2);
    assert!(made[0].svg().contains("Another Camera"));
    let page = stopspan_report::html::page(&report, &Default::default());
    assert!(page.contains("Cameras compared") && page.contains("Another Camera"));
    let text = stopspan_report::csv::cameras(&report).unwrap().unwrap();
    let mut table = csv::Reader::from_reader(text.as_bytes());
    let heads: Vec<String> = table.headers().unwrap().iter().map(String::from).collect();
    let rows: Vec<csv::StringRecord> = table.records().map(|r| r.unwrap()).collect();
    assert_eq!(rows.len(), 2);
    let column = |name: &str| heads.iter().position(|h| h == name).unwrap();
    let cameras = &report.cameras.as_ref().unwrap().rows;
    for (row, camera) in rows.iter().zip(cameras) {
        assert_eq!(row.len(), heads.len());
        assert_eq!(&row[column("camera")], camera.camera);
        // A lower bound stands in the column of the lower end alone, and is not ranked.
        let bound = camera.merge.snr1.unwrap().stops.unwrap();
        assert_eq!(&row[column("merge_stops1")], "");
        assert_eq!(
            row[column("merge_stops1_low95")].parse::<f64>().unwrap(),
            bound
        );
        assert_eq!(&row[column("rank_stops")], "");
        let stops = camera.merge.snr10.unwrap().stops.unwrap();
        assert_eq!(row[column("merge_stops10")].parse::<f64>().unwrap(), stops);
    }
}
