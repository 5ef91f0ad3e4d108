//! Radiance maps and previews written here and read by `image` and `exr`; and a writer that is killed at work.
use super::samples::{bytes, raw, read, waves};
use ndarray::Array3;
use std::path::{Path, PathBuf};
use stopspan_core::model::{Format, Limits};
use stopspan_core::raster::Pixels;
use stopspan_formats::openexr;
use stopspan_formats::openexr::{Attributes, Channel, ChannelRows, Kind, Layout};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_formats::{preview_jpeg, read_picture, rgbe};

#[test]
fn radiance_pictures_agree_with_another_reader_and_writer() {
    let folder = tempfile::tempdir().unwrap();
    let picture = waves(31, 200, 3, |v| (16.0 * v - 12.0).exp2() as f32);
    let mut ours = Vec::new();
    rgbe::write(&mut ours, picture.view(), "test", None).unwrap();
    let theirs = image::load_from_memory_with_format(&ours, image::ImageFormat::Hdr).unwrap();
    let Pixels::F32(back) = read(folder.path(), "a.hdr", &ours).pixels else {
        panic!("not float")
    };
    assert_eq!(theirs.into_rgb32f().into_raw(), raw(back.view()));
    for (pixel, wanted) in back
        .exact_chunks((1, 1, 3))
        .into_iter()
        .zip(picture.exact_chunks((1, 1, 3)))
    {
        let largest = wanted.iter().copied().fold(0.0, f32::max);
        for (v, w) in pixel.iter().zip(&wanted) {
            assert!((v - w).abs() <= largest / 255.0, "{v} {w}");
        }
    }
    // a file of the other writer, which cuts mantissas instead of rounding them: never above, at most one unit below
    let mut other = Vec::new();
    let pixels: Vec<image::Rgb<f32>> = picture
        .exact_chunks((1, 1, 3))
        .into_iter()
        .map(|p| image::Rgb([p[[0, 0, 0]], p[[0, 0, 1]], p[[0, 0, 2]]]))
        .collect();
    image::codecs::hdr::HdrEncoder::new(&mut other)
        .encode(&pixels, 200, 31)
        .unwrap();
    let Pixels::F32(back) = read(folder.path(), "b.hdr", &other).pixels else {
        panic!("not float")
    };
    for (pixel, wanted) in back.exact_chunks((1, 1, 3)).into_iter().zip(&pixels) {
        let largest = wanted.0.iter().copied().fold(0.0, f32::max);
        for (v, w) in pixel.iter().zip(wanted.0) {
            assert!(*v <= w && *v >= w - largest / 127.0, "{v} {w}");
        }
    }
}

fn exr_file(folder: &Path) -> (PathBuf, Array3<f32>) {
    let radiance = waves(53, 70, 3, |v| (16.0 * v - 12.0).exp2() as f32);
    let file = folder.join("map.exr");
    let layout = Layout {
        rows: 53,
        columns: 70,
        channels: ["R", "G", "B", "n"]
            .map(|name| Channel::new(name, if name == "n" { Kind::Uint } else { Kind::Float }))
            .to_vec(),
        scheme: Default::default(),
        attributes: Attributes {
            exposure_time: Some(0.004),
            aperture: Some(2.8),
            iso_speed: Some(100.0),
            capture_date: Some("2026:03:04 05:06:07".into()),
            utc_offset: Some(-3600.0),
            owner: Some("owner".into()),
            comments: Some("comments".into()),
            software: Some("software".into()),
            chromaticities: Some([0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290]),
            custom: [("a", "1"), ("b", "2")]
                .map(|(k, v)| (k.to_owned(), v.to_owned()))
                .into(),
        },
    };
    openexr::write(&file, &Outputs::default(), &layout, |rows| {
        let part = radiance.slice(ndarray::s![rows.clone(), .., ..]);
        let mut channels: Vec<ChannelRows> = (0..3)
            .map(|k| {
                ChannelRows::Float(part.slice(ndarray::s![.., .., k]).iter().copied().collect())
            })
            .collect();
        channels.push(ChannelRows::Uint(
            (rows.start * 70..rows.end * 70)
                .map(|n| n as u32 * 65_537)
                .collect(),
        ));
        channels
    })
    .unwrap();
    (file, radiance)
}

/// Decoded by the `exr` crate (here behind this program's reader) against what was written by this program's own writer.
#[test]
fn openexr_channels_and_standard_attributes_come_back() {
    let folder = tempfile::tempdir().unwrap();
    let (file, radiance) = exr_file(folder.path());
    let content = openexr::read(&file, &Limits::default()).unwrap();
    assert_eq!(
        (content.rows, content.columns, content.channels.len()),
        (53, 70, 4)
    );
    for (k, name) in ["R", "G", "B"].into_iter().enumerate() {
        let ChannelRows::Float(back) = &content.channels[name] else {
            panic!("not float")
        };
        for (b, w) in back.iter().zip(radiance.slice(ndarray::s![.., .., k])) {
            assert!((b - w).abs() <= w / 65536.0, "{b} {w}");
        }
    }
    let counted = ChannelRows::Uint((0..53 * 70).map(|n| n * 65_537).collect());
    assert_eq!(content.channels["n"], counted);
    let meta = exr::meta::MetaData::read_from_file(&file, true).unwrap();
    let own = &meta.headers[0].own_attributes;
    assert_eq!(
        (own.exposure, own.aperture, own.iso_speed),
        (Some(0.004), Some(2.8), Some(100.0))
    );
    assert_eq!(own.utc_offset, Some(-3600.0));
    assert_eq!(
        own.capture_date.as_ref().unwrap().to_string(),
        "2026:03:04 05:06:07"
    );
    assert_eq!(content.attributes.custom["b"], "2");
    assert_eq!(content.attributes.chromaticities.unwrap()[6], 0.3127);
    let picture = read_picture(&file, &Limits::default()).unwrap();
    assert_eq!(
        (picture.format, picture.pixels.dim()),
        (Format::OpenExr, (53, 70, 3))
    );
    assert_eq!(picture.header.exposure_time.unwrap().value(), 0.004);
}

/// The standard file layout, byte by byte, where other libraries look first (OpenEXR file layout page).
#[test]
fn equal_maps_give_equal_files() {
    let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    let first = std::fs::read(exr_file(a.path()).0).unwrap();
    assert_eq!(first, std::fs::read(exr_file(b.path()).0).unwrap());
    assert_eq!(first[..8], [0x76, 0x2f, 0x31, 0x01, 2, 0, 0, 0]);
}

#[test]
fn previews_are_small_and_readable() {
    let samples = bytes(300, 500, 3);
    let small = image::load_from_memory(&preview_jpeg(samples.view(), 100, 80).unwrap()).unwrap();
    assert_eq!((small.width(), small.height()), (100, 60));
    let same = image::load_from_memory(&preview_jpeg(samples.view(), 900, 80).unwrap()).unwrap();
    assert_eq!((same.width(), same.height()), (500, 300));
    assert!(preview_jpeg(bytes(2, 2, 2).view(), 10, 80).is_err());
}

/// A process that is killed while it writes leaves no file under the name. The child is this test binary itself.
#[cfg(unix)]
#[test]
fn a_killed_writer_leaves_nothing_under_the_name() {
    if let Some(path) = std::env::var_os("STOPSPAN_TEST_KILLED_WRITER") {
        let _ = write_whole(Path::new(&path), &Outputs::default(), |sink| {
            loop {
                sink.write_all(&[7; 4096])?;
                std::thread::sleep(std::time::Duration::from_millis(1));
            }
        });
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("map.exr");
    let mut child = std::process::Command::new(std::env::current_exe().unwrap())
        .args(["a_killed_writer_leaves_nothing_under_the_name"])
        .env("STOPSPAN_TEST_KILLED_WRITER", &path)
        .stdout(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let begun = |folder: &Path| std::fs::read_dir(folder).unwrap().count() > 0;
    for _ in 0..2000 {
        if begun(folder.path()) {
            break;
        }
        std::thread::sleep(std::time::Duration::from_millis(5));
    }
    assert!(begun(folder.path()), "the child never began");
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!path.exists());
    write_whole(&path, &Outputs::default(), |sink| sink.write_all(b"whole")).unwrap();
    assert_eq!(std::fs::read(&path).unwrap(), b"whole");
}
