//! Damaged, false and hostile picture files: always an error that names the file, never a panic or a huge allocation.
use ndarray::Array3;
use rand::{Rng, SeedableRng};
use rand_chacha::ChaCha8Rng;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::Limits;
use stopspan_formats::jpeg;
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::openexr;
use stopspan_formats::openexr::{Attributes, Channel, ChannelRows, Kind, Layout};
use stopspan_formats::staged::Outputs;
use stopspan_formats::{png, read_header, read_picture, rgbe, srgb_profile};

const ROWS: usize = 40;
const COLUMNS: usize = 48;

/// One small valid file of every kind read, with metadata.
fn files(folder: &Path) -> Vec<(&'static str, Vec<u8>)> {
    let eight = Array3::from_shape_fn((ROWS, COLUMNS, 3), |(r, c, k)| {
        (r * 5 + c * 3 + k * 50) as u8
    });
    let sixteen = eight.mapv(|v| u16::from(v) * 257);
    let float = eight.mapv(|v| f32::from(v) / 16.0);
    let profile = srgb_profile();
    let exif = b"II\x2a\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0";
    let mut hdr = Vec::new();
    rgbe::write(&mut hdr, float.view(), "test", None).unwrap();
    let mut tif = std::io::Cursor::new(Vec::new());
    tiff::encoder::TiffEncoder::new(&mut tif)
        .unwrap()
        .with_compression(tiff::encoder::Compression::Lzw)
        .write_image::<tiff::encoder::colortype::RGB16>(
            COLUMNS as u32,
            ROWS as u32,
            sixteen.as_slice().unwrap(),
        )
        .unwrap();
    let exr = folder.join("valid.exr");
    let layout = Layout {
        rows: ROWS,
        columns: COLUMNS,
        channels: ["R", "G", "B"]
            .map(|n| Channel::new(n, Kind::Float))
            .to_vec(),
        attributes: Attributes::default(),
        scheme: Default::default(),
    };
    openexr::write(&exr, &Outputs::default(), &layout, |rows| {
        let part = float.slice(ndarray::s![rows, .., ..]);
        (0..3)
            .map(|k| {
                ChannelRows::Float(part.slice(ndarray::s![.., .., k]).iter().copied().collect())
            })
            .collect()
    })
    .unwrap();
    vec![
        (
            "jpg",
            jpeg::encode(
                eight.view(),
                90,
                Subsampling::Half,
                Some(&profile),
                Some(exif),
            )
            .unwrap(),
        ),
        ("png", png::encode8(eight.view(), Some(&profile)).unwrap()),
        ("png", png::encode16(sixteen.view(), None).unwrap()),
        ("tif", tif.into_inner()),
        ("hdr", hdr),
        ("exr", std::fs::read(exr).unwrap()),
    ]
}

fn problem(file: &Path, limits: &Limits) -> InputProblem {
    match read_picture(file, limits) {
        Err(Error::Input {
            file: named,
            problem,
            ..
        }) => {
            assert_eq!(named, file);
            problem
        }
        other => panic!("{}: no input error: {other:?}", file.display()),
    }
}

#[test]
fn files_cut_at_every_64th_byte_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let mut tried = 0;
    for (ending, content) in files(folder.path()) {
        let file = folder.path().join(format!("cut.{ending}"));
        std::fs::write(&file, &content).unwrap();
        read_picture(&file, &Limits::default()).unwrap();
        for length in (0..content.len()).step_by(64) {
            std::fs::write(&file, &content[..length]).unwrap();
            match problem(&file, &Limits::default()) {
                InputProblem::Damaged => {}
                InputProblem::UnknownFormat if length == 0 => {}
                other => panic!("{ending} cut at {length}: {other:?}"),
            }
            let _ = read_header(&file, &Limits::default());
            tried += 1;
        }
    }
    assert!(tried > 200, "{tried}");
}

#[test]
fn changed_bytes_never_panic_and_never_pass_the_limits() {
    let folder = tempfile::tempdir().unwrap();
    let mut random = ChaCha8Rng::seed_from_u64(64);
    let limits = Limits {
        pixels: 1_000_000,
        ..Limits::default()
    };
    for (ending, content) in files(folder.path()) {
        let file = folder.path().join(format!("changed.{ending}"));
        for round in 0..500 {
            let mut changed = content.clone();
            // headers are short: aim half of the changes at them
            let reach = if round % 2 == 0 {
                content.len().min(400)
            } else {
                content.len()
            };
            for _ in 0..random.random_range(1..6) {
                let place = random.random_range(0..reach);
                changed[place] = random.random();
            }
            std::fs::write(&file, &changed).unwrap();
            let limits = Limits {
                accept_damaged: round % 4 < 2,
                ..limits
            };
            let _ = read_header(&file, &limits);
            match read_picture(&file, &limits) {
                Ok(picture) => {
                    let (rows, columns, channels) = picture.pixels.dim();
                    assert!(rows * columns <= 1_000_000 && matches!(channels, 1 | 3));
                }
                Err(Error::Input { .. }) => {}
                Err(other) => panic!("{other}"),
            }
        }
    }
}

#[test]
fn false_names_empty_files_and_folders_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits::default();
    let text = folder.path().join("text.jpg");
    std::fs::write(&text, "Dear reader, this is no picture.\n").unwrap();
    assert_eq!(problem(&text, &limits), InputProblem::UnknownFormat);
    let empty = folder.path().join("empty.png");
    std::fs::write(&empty, "").unwrap();
    assert_eq!(problem(&empty, &limits), InputProblem::UnknownFormat);
    assert_eq!(problem(folder.path(), &limits), InputProblem::Unreadable);
    assert_eq!(
        problem(&folder.path().join("absent.jpg"), &limits),
        InputProblem::Unreadable
    );
    for (_, content) in files(folder.path()) {
        let misnamed = folder.path().join("misnamed.txt");
        std::fs::write(&misnamed, content).unwrap();
        read_picture(&misnamed, &limits).unwrap();
    }
}

/// Rows and columns that a header claims; a JPEG header cannot claim more than 65 535.
const GIGANTIC: u32 = 100_000;

/// Rewrites the header of a valid file so that it claims `GIGANTIC` rows and columns (JPEG: as many as it can).
fn claim(ending: &str, content: &mut Vec<u8>) {
    match ending {
        "jpg" => {
            let frame = content.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
            content[frame + 5..frame + 9].fill(0xff);
        }
        "png" => {
            content[16..20].copy_from_slice(&GIGANTIC.to_be_bytes());
            content[20..24].copy_from_slice(&GIGANTIC.to_be_bytes());
            let sum = crc(&content[12..29]);
            content[29..33].copy_from_slice(&sum.to_be_bytes());
        }
        "hdr" => {
            let text = String::from_utf8_lossy(&content[..100]).into_owned();
            let size = text.find("-Y").unwrap();
            content.truncate(size);
            content.extend(b"-Y 100000 +X 100000\n");
        }
        "exr" => {
            for name in ["dataWindow\0box2i\0", "displayWindow\0box2i\0"] {
                let place = content
                    .windows(name.len())
                    .position(|w| w == name.as_bytes())
                    .unwrap();
                let high = place + name.len() + 4 + 8;
                content[high..high + 4].copy_from_slice(&(GIGANTIC - 1).to_le_bytes());
                content[high + 4..high + 8].copy_from_slice(&(GIGANTIC - 1).to_le_bytes());
            }
        }
        _ => {
            for tag in [256u16, 257] {
                let entry = tiff_entry(content, tag);
                content[entry + 2..entry + 4].copy_from_slice(&4u16.to_le_bytes());
                content[entry + 8..entry + 12].copy_from_slice(&GIGANTIC.to_le_bytes());
            }
        }
    }
}

/// Headers that claim 100 000 x 100 000 (JPEG: its largest, 65 535 x 65 535) are refused from the header alone.
#[test]
fn gigantic_claims_cost_no_memory() {
    let folder = tempfile::tempdir().unwrap();
    let mut claims = 0;
    for (ending, mut content) in files(folder.path()) {
        claim(ending, &mut content);
        let file = folder.path().join(format!("big.{ending}"));
        std::fs::write(&file, &content).unwrap();
        let found = problem(&file, &Limits::default());
        let InputProblem::TooLarge {
            columns,
            rows,
            limit,
        } = found
        else {
            panic!("{ending}: {found:?}")
        };
        assert!(columns * rows > limit, "{ending}");
        assert!(read_header(&file, &Limits::default()).is_err());
        // with the limit raised, the file is still too short to hold what it claims
        let raised = Limits {
            pixels: u64::MAX,
            ..Limits::default()
        };
        assert_eq!(problem(&file, &raised), InputProblem::Damaged, "{ending}");
        claims += 1;
    }
    assert_eq!(claims, 6);
}

/// CRC of PNG (Third Edition), annex D.
fn crc(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc: u32, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |c, _| {
            (c >> 1) ^ (0xedb8_8320 & 0u32.wrapping_sub(c & 1))
        })
    })
}

/// Place of a tag in the first directory of a little-endian TIFF.
fn tiff_entry(content: &[u8], tag: u16) -> usize {
    assert_eq!(content[..4], *b"II\x2a\0");
    let at =
        |place: usize| u32::from_le_bytes(content[place..place + 4].try_into().unwrap()) as usize;
    let directory = at(4);
    let count = usize::from(content[directory]);
    (0..count)
        .map(|k| directory + 2 + 12 * k)
        .find(|&e| content[e..e + 2] == tag.to_le_bytes())
        .unwrap()
}

#[test]
fn damage_is_accepted_only_when_asked_for_and_then_said() {
    let folder = tempfile::tempdir().unwrap();
    let (_, content) = files(folder.path()).swap_remove(0);
    let file = folder.path().join("cut.jpg");
    std::fs::write(&file, &content[..content.len() - 300]).unwrap();
    assert_eq!(problem(&file, &Limits::default()), InputProblem::Damaged);
    let lenient = Limits {
        accept_damaged: true,
        ..Limits::default()
    };
    let picture = read_picture(&file, &lenient).unwrap();
    assert!(picture.damaged);
    assert_eq!(picture.pixels.dim(), (COLUMNS, ROWS, 3)); // orientation 6 turns it
}

#[test]
fn four_colour_and_arithmetic_jpeg_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("a.jpg");
    let mut cmyk = Vec::new();
    jpeg_encoder::Encoder::new(&mut cmyk, 90)
        .encode(&[100; 16 * 16 * 4], 16, 16, jpeg_encoder::ColorType::Cmyk)
        .unwrap();
    std::fs::write(&file, cmyk).unwrap();
    assert!(
        matches!(problem(&file, &Limits::default()), InputProblem::Unsupported(w) if w.contains("CMYK"))
    );
    let (_, mut arithmetic) = files(folder.path()).swap_remove(0);
    let frame = arithmetic
        .windows(2)
        .position(|w| w == [0xff, 0xc0])
        .unwrap();
    arithmetic[frame + 1] = 0xc9;
    std::fs::write(&file, arithmetic).unwrap();
    assert!(
        matches!(problem(&file, &Limits::default()), InputProblem::Unsupported(w) if w.contains("arithmetic"))
    );
}
