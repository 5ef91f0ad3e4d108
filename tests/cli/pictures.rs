//! Pictures without a bracket, from outside: single shots measured one by one, and input that is not as it should be.
use super::program::{Done, files, program};
use image::{ImageEncoder, Rgb, RgbImage};
use std::path::Path;
use stopspan_core::results::{LinearLight, Report};

/// Columns and rows of a made-up picture.
const SIZE: (u32, u32) = (900, 420);
/// Steps of its wedge, each this many pixels wide and high.
const STEPS: u32 = 16;
const SIDE: u32 = 48;

/// Code of a step of a wedge, 0 the lightest: a third of a stop darker each by the transfer function of IEC 61966-2-1.
fn code(step: u32) -> f64 {
    255.0 * stopspan_core::units::srgb_level(0.9 * (-0.45 * f64::from(step)).exp2())
}

/// A picture with wedges at these corners (column, row), on a dark card; a little noise.
fn wedges(at: &[(i64, i64)], seed: u32) -> RgbImage {
    let mut state = seed.wrapping_mul(2_654_435_761).wrapping_add(1);
    RgbImage::from_fn(SIZE.0, SIZE.1, |c, r| {
        let inside = |&(left, top): &(i64, i64)| {
            let (x, y) = (i64::from(c) - left, i64::from(r) - top);
            let wide = i64::from(STEPS * SIDE);
            ((0..wide).contains(&x) && (0..i64::from(SIDE)).contains(&y)).then_some(x as u32 / SIDE)
        };
        let level = at.iter().find_map(inside).map_or(26.0, code);
        let mut noise = 0.0;
        for _ in 0..4 {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            noise += f64::from(state >> 8) / f64::from(1 << 24) - 0.5;
        }
        Rgb([(level + 1.2 * noise).round().clamp(0.0, 255.0) as u8; 3])
    })
}

fn jpeg(file: &Path, picture: &RgbImage) {
    let mut bytes = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 97);
    let (columns, rows) = picture.dimensions();
    encoder
        .write_image(
            picture.as_raw(),
            columns,
            rows,
            image::ExtendedColorType::Rgb8,
        )
        .unwrap();
    std::fs::write(file, bytes).unwrap();
}

/// Text without line breaks, as it was before it was wrapped.
fn flat(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

fn run(inputs: &[&Path], out: &Path) -> Done {
    let mut arguments = vec!["run"];
    arguments.extend(inputs.iter().map(|p| p.to_str().unwrap()));
    arguments.extend(["--out", out.to_str().unwrap(), "--sheet-look", "light"]);
    program(&arguments)
}

fn report(out: &Path) -> Report {
    serde_json::from_slice(&std::fs::read(out.join("report.json")).unwrap()).unwrap()
}

/// Ten pictures show a wedge and one does not: it is named with the reason, and the ten are measured.
#[test]
fn a_picture_without_a_wedge_among_ten_with_one() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    std::fs::create_dir(&input).unwrap();
    for index in 0..10 {
        let picture = wedges(&[(60, 180)], index);
        picture
            .save(input.join(format!("shot{index}.png")))
            .unwrap();
    }
    wedges(&[], 77).save(input.join("bare.png")).unwrap();
    let done = run(&[&input], &out).expect(0);
    assert!(
        flat(&done.out).contains("bare.png: No wedge was found"),
        "{}",
        done.out
    );
    let report = report(&out);
    assert_eq!(
        report.without_bracket.len(),
        10,
        "no camera is named, so each stands alone"
    );
    for one in &report.without_bracket {
        let picture = &one.pictures[0];
        assert_eq!(picture.measured.levels.unwrap().steps, STEPS as usize);
        assert_eq!(picture.light, LinearLight::Srgb);
        assert!(
            picture.measured.usable_stops.is_empty(),
            "assumed light gives no stops"
        );
        assert_eq!(picture.tint.len(), STEPS as usize);
    }
    assert_eq!(report.singles.len(), 1);
    let sheets = files(&out);
    let sheets = sheets
        .iter()
        .filter(|f| f.ends_with("sheets/wedge-light.png"));
    assert_eq!(sheets.count(), 10);
}

/// Two wedges in view: one is measured, the other named with its place.
#[test]
fn a_second_wedge_in_view_is_named() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("two.png");
    wedges(&[(60, 60), (60, 300)], 5).save(&file).unwrap();
    let done = program(&["measure", file.to_str().unwrap()]).expect(0);
    let said = flat(&done.out);
    assert!(
        said.contains("A second wedge (16 steps, near column 444, row "),
        "{said}"
    );
    let one = scratch.path().join("one.png");
    wedges(&[(60, 60)], 5).save(&one).unwrap();
    let done = program(&["measure", one.to_str().unwrap()]).expect(0);
    assert!(!flat(&done.out).contains("second wedge"), "{}", done.out);
}

/// A wedge half outside the picture: what is seen is measured, and the end at the picture's edge is doubted.
#[test]
fn a_wedge_half_outside_is_doubted() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("cut.png");
    // Its six lightest steps lie to the left of the picture.
    wedges(&[(-6 * i64::from(SIDE), 180)], 5)
        .save(&file)
        .unwrap();
    let done = program(&["measure", file.to_str().unwrap()]).expect(0);
    let said = flat(&done.out);
    assert!(
        said.contains("more than the 10 steps found: the frame ends right after the lightest one"),
        "{said}"
    );
    assert!(said.contains("of 10)"), "{said}");
}

/// Files of kinds that are not read are named by what they are, with what to do, and do not keep the others from being measured.
#[test]
fn what_is_not_read_is_named_by_what_it_is() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    std::fs::create_dir(&input).unwrap();
    jpeg(&input.join("shot.jpg"), &wedges(&[(60, 180)], 1));
    std::fs::write(
        input.join("IMG_1.HEIC"),
        b"\0\0\0\x18ftypheic\0\0\0\0mif1heic",
    )
    .unwrap();
    std::fs::write(
        input.join("MOV_1.mp4"),
        b"\0\0\0\x18ftypmp42\0\0\0\0mp42isom",
    )
    .unwrap();
    let done = run(&[&input], &out).expect(0);
    let said = flat(&done.out);
    for words in [
        "IMG_1.HEIC: a HEIC picture, which is not read: save it as PNG",
        "MOV_1.mp4: a video: to measure it, save a still from it as PNG",
        "single shot shot.jpg 16",
    ] {
        assert!(said.contains(words), "{words}: {said}");
    }
    // Named, they are errors.
    for (name, words) in [
        ("IMG_1.HEIC", "is a HEIC picture, which is not read"),
        ("MOV_1.mp4", "is a video"),
    ] {
        let done = program(&["measure", input.join(name).to_str().unwrap()]).expect(1);
        let said = flat(&done.said());
        assert!(said.contains(words) && said.contains("PNG"), "{said}");
    }
    let raw = input.join("IMG_2.CR3");
    std::fs::write(&raw, b"\0\0\0\x18ftypcrx \0\0\0\0crx isom").unwrap();
    let done = program(&["measure", raw.to_str().unwrap()]).expect(1);
    assert!(
        done.err.contains("a raw file of the CR3 kind"),
        "{}",
        done.err
    );
}

/// Known densities give ranges, with what the light rests on; a response that a run saved is taken for pictures of its depth.
#[test]
fn densities_give_ranges_and_corners_outside_are_refused() {
    let scratch = tempfile::tempdir().unwrap();
    let file = scratch.path().join("shot.png");
    wedges(&[(60, 180)], 3).save(&file).unwrap();
    let (name, json) = (file.to_str().unwrap(), scratch.path().join("out.json"));
    let arguments = ["measure", name, "--wedge-densities", "0.1:0.1355", "--out"];
    program(&[&arguments[..], &[json.to_str().unwrap()]].concat()).expect(0);
    let report: Report = serde_json::from_slice(&std::fs::read(&json).unwrap()).unwrap();
    let picture = &report.without_bracket[0].pictures[0];
    assert!(
        matches!(picture.light, LinearLight::Wedge { steps: 16, .. }),
        "{:?}",
        picture.light
    );
    assert!(!picture.measured.usable_stops.is_empty());
    let corners = "-200,180,700,180,700,228,-200,228";
    let done = program(&[
        "measure",
        name,
        "--wedge-corners",
        corners,
        "--wedge-grid",
        "1x16",
    ]);
    assert!(
        done.code != 0 && done.said().contains("wedge-corners"),
        "{}",
        done.said()
    );
}

/// A copy that was cut short beside the good frame of the same shot: the good one is used, and the bracket is done.
#[test]
fn a_damaged_copy_beside_a_good_frame() {
    let scratch = tempfile::tempdir().unwrap();
    let (input, out) = (scratch.path().join("in"), scratch.path().join("out"));
    let frames = super::scene::bracket(&input);
    let bytes = std::fs::read(&frames[1]).unwrap();
    std::fs::write(
        input.join("good1 (copy).jpg"),
        &bytes[..bytes.len() * 2 / 3],
    )
    .unwrap();
    let done = super::program::run(&[&input], &out);
    assert!(done.code == 0 || done.code == 3, "{}", done.said());
    let report = report(&out);
    assert_eq!(report.brackets.len(), 1, "{}", done.said());
    let used: Vec<&str> = report.brackets[0]
        .frames
        .iter()
        .map(|f| f.file.as_str())
        .collect();
    assert_eq!(used, ["good0.jpg", "good1.jpg", "good2.jpg"]);
    assert!(done.said().contains("good1 (copy).jpg"), "{}", done.said());
}

/// Pictures of one size without any exposure are a bracket only where they show one view in one kind of samples: those of several
/// cameras are single shots, each measured. (Common practice, no source: a bracket has one camera, held still.)
#[test]
fn pictures_without_exposure_are_a_bracket_only_of_one_view() {
    let scratch = tempfile::tempdir().unwrap();
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/bench");
    let open = |name: &str| image::open(samples.join(name)).unwrap();
    let frames = ["bench_half.jpg", "bench_nominal.jpg", "bench_double.jpg"];
    let found = |name: &str, pictures: [image::DynamicImage; 3]| {
        let (input, out) = (
            scratch.path().join(name),
            scratch.path().join(format!("{name}-out")),
        );
        std::fs::create_dir(&input).unwrap();
        for (index, picture) in pictures.iter().enumerate() {
            picture.save(input.join(format!("{index}.png"))).unwrap();
        }
        run(&[&input], &out).expect(0);
        let text = std::fs::read_to_string(out.join("report.json")).unwrap();
        let report: Report = serde_json::from_str(&text).unwrap();
        let single = report.without_bracket.iter();
        (
            report.brackets.len(),
            single.map(|w| w.pictures.len()).sum::<usize>(),
        )
    };
    assert_eq!(found("one-view", frames.map(open)), (1, 0));
    let mut views = frames.map(open);
    let (wide, high) = (views[0].width(), views[0].height());
    let part = views[1].crop_imm(wide / 20, high / 20, wide * 9 / 10, high * 9 / 10);
    views[1] = part.resize_exact(wide, high, image::imageops::FilterType::CatmullRom);
    assert_eq!(found("other-view", views), (0, 3));
    let mut depths = frames.map(open);
    depths[2] = image::DynamicImage::ImageRgb16(depths[2].to_rgb16());
    assert_eq!(found("other-depth", depths), (0, 3));
}

/// Three cameras of one default shot each and an HDR picture: one table, what all share once, no line wider than 79 characters.
#[test]
fn cameras_without_brackets_are_told_in_few_lines() {
    let scratch = tempfile::tempdir().unwrap();
    let out = scratch.path().join("out");
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("samples/cameras");
    let (samples, out) = (samples.to_str().unwrap(), out.to_str().unwrap());
    let listed = program(&["run", samples, "--dry-run"]).expect(0);
    assert!(listed.out.contains("a_shot.jpg"), "{}", listed.out);
    let done = program(&["run", samples, "--out", out, "--sheet-look", "none"]).expect(0);
    assert_eq!(done.out.matches("No stops").count(), 1, "{}", done.out);
    assert!(
        done.out
            .contains("Pictures of 3 cameras without a bracket:"),
        "{}",
        done.out
    );
    // All three show the wedge of 21 steps; camera C shows its darkest step clearly.
    assert!(!done.out.contains("may have more than"), "{}", done.out);
    assert!(done.out.lines().count() <= 36, "{}", done.out);
    assert!(
        done.out
            .lines()
            .all(|l| l.chars().count() <= 79 || l.contains(out))
    );
}
