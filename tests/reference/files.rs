//! Files written here and read by other libraries, and the other way round: `image` (with its own PNG, TIFF, Radiance
//! and OpenEXR readers), `png`, `tiff`, `exr`, `jpeg-encoder`.
use ndarray::{Array3, ArrayView3};
use std::path::{Path, PathBuf};
use stopspan::formats::jpeg::{self, Subsampling};
use stopspan::formats::openexr::{self, Attributes, Channel, ChannelRows, Kind, Layout};
use stopspan::formats::staged::{Outputs, write_whole};
use stopspan::formats::{
    Compression, Format, Limits, Picture, png, preview_jpeg, read_header, read_picture, rgbe,
    srgb_profile,
};
use stopspan::raster::Pixels;

fn waves<T>(rows: usize, columns: usize, channels: usize, of: impl Fn(f64) -> T) -> Array3<T> {
    Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
        let wave = (r as f64 / 9.0).sin() * (c as f64 / 13.0 + k as f64).cos();
        of(0.5 + 0.5 * wave)
    })
}

fn bytes(rows: usize, columns: usize, channels: usize) -> Array3<u8> {
    waves(rows, columns, channels, |v| (255.0 * v) as u8)
}

fn words(rows: usize, columns: usize, channels: usize) -> Array3<u16> {
    waves(rows, columns, channels, |v| (65535.0 * v) as u16)
}

fn read(folder: &Path, name: &str, content: &[u8]) -> Picture {
    let file = folder.join(name);
    std::fs::write(&file, content).unwrap();
    let picture = read_picture(&file, &Limits::default()).unwrap();
    let header = read_header(&file, &Limits::default()).unwrap();
    assert_eq!(header, picture.header);
    picture
}

fn raw<T: Copy>(samples: ArrayView3<T>) -> Vec<T> {
    samples.iter().copied().collect()
}

#[test]
fn jpeg_stripes_decode_like_one_jpeg_without_stripes() {
    let folder = tempfile::tempdir().unwrap();
    for (rows, columns, channels, sampling) in [
        (1, 1, 3, Subsampling::Half),
        (257, 40, 3, Subsampling::Full),
        (700, 65, 3, Subsampling::Half),
        (700, 65, 1, Subsampling::Half),
    ] {
        let samples = bytes(rows, columns, channels);
        let ours = jpeg::encode(samples.view(), 90, sampling, None, None).unwrap();
        let mut plain = Vec::new();
        let mut encoder = jpeg_encoder::Encoder::new(&mut plain, 90);
        encoder.set_sampling_factor(match sampling {
            Subsampling::Full => jpeg_encoder::SamplingFactor::F_1_1,
            Subsampling::Half => jpeg_encoder::SamplingFactor::F_2_2,
        });
        let kind = match channels {
            1 => jpeg_encoder::ColorType::Luma,
            _ => jpeg_encoder::ColorType::Rgb,
        };
        encoder
            .encode(&raw(samples.view()), columns as u16, rows as u16, kind)
            .unwrap();
        let by_image = |file: &[u8]| image::load_from_memory(file).unwrap().into_bytes();
        assert_eq!(by_image(&ours), by_image(&plain));
        let picture = read(folder.path(), "a.jpg", &ours);
        assert_eq!(picture.pixels.dim(), (rows, columns, channels));
        let Pixels::U8(back) = picture.pixels else {
            panic!("not 8-bit")
        };
        assert_eq!(raw(back.view()), by_image(&ours));
    }
}

/// The table is K.1 of ITU-T T.81, which the encoder uses as it is at quality 50.
#[test]
fn jpeg_tables_profile_and_exif_are_read_from_the_markers() {
    let folder = tempfile::tempdir().unwrap();
    let samples = bytes(40, 60, 3);
    let exif = b"II\x2a\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0";
    let profile = srgb_profile();
    let file = jpeg::encode(
        samples.view(),
        50,
        Subsampling::Half,
        Some(&profile),
        Some(exif),
    )
    .unwrap();
    let picture = read(folder.path(), "a.jpg", &file);
    assert_eq!(picture.header.orientation, Some(6));
    assert_eq!(picture.header.exif.as_deref(), Some(&exif[..]));
    assert_eq!(picture.header.icc_profile, Some(profile));
    // turned by a quarter: 40 x 60 stands as 60 x 40
    assert_eq!(picture.pixels.dim(), (60, 40, 3));
    assert_eq!((picture.header.rows, picture.header.columns), (60, 40));
    let Compression::Jpeg {
        quantisation_rms,
        dc_step,
        chroma_subsampled,
    } = picture.compression
    else {
        panic!("not JPEG")
    };
    let table: [f64; 64] = [
        16., 11., 10., 16., 24., 40., 51., 61., 12., 12., 14., 19., 26., 58., 60., 55., 14., 13.,
        16., 24., 40., 57., 69., 56., 14., 17., 22., 29., 51., 87., 80., 62., 18., 22., 37., 56.,
        68., 109., 103., 77., 24., 35., 55., 64., 81., 104., 113., 92., 49., 64., 78., 87., 103.,
        121., 120., 101., 72., 92., 95., 98., 112., 100., 103., 99.,
    ];
    let mean = table.iter().map(|q| q * q).sum::<f64>() / 64.0;
    assert!(
        (quantisation_rms - (mean / 12.0).sqrt()).abs() < 1e-9,
        "{quantisation_rms}"
    );
    assert_eq!(dc_step, 16);
    assert!(chroma_subsampled);
}

/// `image` applies EXIF orientation by its own code.
#[test]
fn every_orientation_agrees_with_another_library() {
    let folder = tempfile::tempdir().unwrap();
    let samples = bytes(24, 40, 3);
    for orientation in 1..=8u8 {
        let mut exif = b"II\x2a\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0".to_vec();
        exif.extend([orientation, 0, 0, 0, 0, 0, 0, 0]);
        let file = jpeg::encode(samples.view(), 95, Subsampling::Full, None, Some(&exif)).unwrap();
        let mut theirs = image::load_from_memory(&file).unwrap();
        theirs.apply_orientation(image::metadata::Orientation::from_exif(orientation).unwrap());
        let Pixels::U8(ours) = read(folder.path(), "a.jpg", &file).pixels else {
            panic!("not 8-bit")
        };
        assert_eq!(
            ours.dim(),
            (theirs.height() as usize, theirs.width() as usize, 3)
        );
        assert_eq!(raw(ours.view()), theirs.into_bytes(), "{orientation}");
    }
}

#[test]
fn png_written_here_is_read_alike_by_image() {
    let folder = tempfile::tempdir().unwrap();
    let profile = srgb_profile();
    for (rows, columns, channels) in [
        (1, 1, 1),
        (63, 7, 3),
        (64, 5, 3),
        (65, 300, 1),
        (200, 33, 3),
    ] {
        let eight = bytes(rows, columns, channels);
        let file = png::encode8(eight.view(), Some(&profile)).unwrap();
        assert_eq!(
            image::load_from_memory(&file).unwrap().into_bytes(),
            raw(eight.view())
        );
        let picture = read(folder.path(), "a.png", &file);
        assert_eq!(picture.pixels, Pixels::U8(eight));
        assert_eq!(picture.header.icc_profile.as_ref(), Some(&profile));
        assert_eq!(picture.compression, Compression::Lossless);

        let sixteen = words(rows, columns, channels);
        let file = png::encode16(sixteen.view(), None).unwrap();
        let theirs = image::load_from_memory(&file).unwrap();
        match channels {
            1 => assert_eq!(theirs.into_luma16().into_raw(), raw(sixteen.view())),
            _ => assert_eq!(theirs.into_rgb16().into_raw(), raw(sixteen.view())),
        }
        assert_eq!(
            read(folder.path(), "b.png", &file).pixels,
            Pixels::U16(sixteen)
        );
    }
}

#[test]
fn png_of_every_kind_is_read_and_transparency_dropped() {
    use ::png::{BitDepth, ColorType};
    let folder = tempfile::tempdir().unwrap();
    let encode = |kind, depth, data: &[u8], palette: Option<&[u8]>| {
        let mut file = Vec::new();
        let mut encoder = ::png::Encoder::new(&mut file, 2, 2);
        encoder.set_color(kind);
        encoder.set_depth(depth);
        if let Some(colours) = palette {
            encoder.set_palette(colours.to_vec());
        }
        encoder
            .write_header()
            .unwrap()
            .write_image_data(data)
            .unwrap();
        file
    };
    let cases: [(&str, Vec<u8>, Vec<u8>); 4] = [
        (
            "one bit",
            encode(
                ColorType::Grayscale,
                BitDepth::One,
                &[0b1000_0000, 0b0100_0000],
                None,
            ),
            vec![255, 0, 0, 255],
        ),
        (
            "gray and alpha",
            encode(
                ColorType::GrayscaleAlpha,
                BitDepth::Eight,
                &[1, 9, 2, 9, 3, 9, 4, 9],
                None,
            ),
            vec![1, 2, 3, 4],
        ),
        (
            "palette",
            encode(
                ColorType::Indexed,
                BitDepth::Eight,
                &[0, 1, 1, 0],
                Some(&[1, 2, 3, 4, 5, 6]),
            ),
            vec![1, 2, 3, 4, 5, 6, 4, 5, 6, 1, 2, 3],
        ),
        (
            "RGB and alpha",
            encode(
                ColorType::Rgba,
                BitDepth::Eight,
                &[1, 2, 3, 0, 4, 5, 6, 0, 7, 8, 9, 0, 10, 11, 12, 0],
                None,
            ),
            (1..=12).collect(),
        ),
    ];
    for (name, file, wanted) in cases {
        let Pixels::U8(back) = read(folder.path(), "a.png", &file).pixels else {
            panic!("not 8-bit")
        };
        assert_eq!(raw(back.view()), wanted, "{name}");
    }
    let wide = encode(
        ColorType::Rgba,
        BitDepth::Sixteen,
        &(0..32).collect::<Vec<u8>>(),
        None,
    );
    let Pixels::U16(back) = read(folder.path(), "a.png", &wide).pixels else {
        panic!("not 16-bit")
    };
    assert_eq!(raw(back.view())[..4], [0x0001, 0x0203, 0x0405, 0x0809]);
}

#[test]
fn tiff_of_every_depth_is_read_from_another_writer() {
    use tiff::encoder::{TiffEncoder, colortype};
    let folder = tempfile::tempdir().unwrap();
    let (rows, columns) = (37usize, 21usize);
    let (w, h) = (columns as u32, rows as u32);
    macro_rules! file {
        ($kind:ty, $compression:expr, $data:expr) => {{
            let mut out = std::io::Cursor::new(Vec::new());
            TiffEncoder::new(&mut out)
                .unwrap()
                .with_compression($compression)
                .write_image::<$kind>(w, h, &$data)
                .unwrap();
            out.into_inner()
        }};
    }
    use tiff::encoder::Compression as C;
    let eight = bytes(rows, columns, 3);
    let sixteen = words(rows, columns, 3);
    let gray = words(rows, columns, 1);
    let float = waves(rows, columns, 3, |v| v as f32 * 20.0 - 1.0);
    let long = waves(rows, columns, 3, |v| (v * 4_294_967_295.0) as u32);
    for compression in [
        C::Uncompressed,
        C::Lzw,
        C::Deflate(Default::default()),
        C::Packbits,
    ] {
        let files = [
            (
                file!(colortype::RGB8, compression, raw(eight.view())),
                Pixels::U8(eight.clone()),
            ),
            (
                file!(colortype::RGB16, compression, raw(sixteen.view())),
                Pixels::U16(sixteen.clone()),
            ),
            (
                file!(colortype::Gray16, compression, raw(gray.view())),
                Pixels::U16(gray.clone()),
            ),
            (
                file!(colortype::RGB32Float, compression, raw(float.view())),
                Pixels::F32(float.clone()),
            ),
            (
                file!(colortype::RGB32, compression, raw(long.view())),
                Pixels::F32(long.mapv(|v| (f64::from(v) / 4_294_967_295.0) as f32)),
            ),
        ];
        for (content, wanted) in files {
            let picture = read(folder.path(), "a.tif", &content);
            assert_eq!(picture.format, Format::Tiff);
            assert_eq!(picture.pixels, wanted);
        }
    }
    let not_finite = file!(
        colortype::Gray32Float,
        C::Uncompressed,
        vec![f32::NAN; rows * columns]
    );
    let file = folder.path().join("nan.tif");
    std::fs::write(&file, not_finite).unwrap();
    assert!(read_picture(&file, &Limits::default()).is_err());
}

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
    let png = stopspan::formats::png_bytes(samples.view()).unwrap();
    assert_eq!(
        image::load_from_memory(&png).unwrap().into_bytes(),
        raw(samples.view())
    );
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
