//! Files written here and read by other libraries, and the other way round: `image` (with its own PNG, TIFF, Radiance
//! and OpenEXR readers), `png`, `tiff`, `exr`, `jpeg-encoder`. Radiance maps and previews stand in `maps`.
use super::samples::{bytes, raw, read, waves, words};
use ::png::{BitDepth, ColorType};
use stopspan_core::model::{Compression, Format, Limits};
use stopspan_core::raster::Pixels;
use stopspan_formats::jpeg;
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::{png, read_picture, srgb_profile};
use tiff::encoder::{self, TiffEncoder, colortype};

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
        luminance_steps,
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
    assert_eq!(luminance_steps[0][0], 16);
    let steps: Vec<f64> = luminance_steps
        .as_flattened()
        .iter()
        .map(|q| f64::from(*q))
        .collect();
    assert_eq!(steps, table, "in the order of T.81, Table K.1");
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

/// A PNG of 2 x 2 pixels from another library's writer.
fn png_file(kind: ColorType, depth: BitDepth, data: &[u8], palette: Option<&[u8]>) -> Vec<u8> {
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
}

/// PNG files of up to 8 bits: kind, content, and the samples that are to be read from it.
fn small_pngs() -> [(&'static str, Vec<u8>, Vec<u8>); 4] {
    [
        (
            "one bit",
            png_file(
                ColorType::Grayscale,
                BitDepth::One,
                &[0b1000_0000, 0b0100_0000],
                None,
            ),
            vec![255, 0, 0, 255],
        ),
        (
            "gray and alpha",
            png_file(
                ColorType::GrayscaleAlpha,
                BitDepth::Eight,
                &[1, 9, 2, 9, 3, 9, 4, 9],
                None,
            ),
            vec![1, 2, 3, 4],
        ),
        (
            "palette",
            png_file(
                ColorType::Indexed,
                BitDepth::Eight,
                &[0, 1, 1, 0],
                Some(&[1, 2, 3, 4, 5, 6]),
            ),
            vec![1, 2, 3, 4, 5, 6, 4, 5, 6, 1, 2, 3],
        ),
        (
            "RGB and alpha",
            png_file(
                ColorType::Rgba,
                BitDepth::Eight,
                &[1, 2, 3, 0, 4, 5, 6, 0, 7, 8, 9, 0, 10, 11, 12, 0],
                None,
            ),
            (1..=12).collect(),
        ),
    ]
}

#[test]
fn png_of_every_kind_is_read_and_transparency_dropped() {
    let folder = tempfile::tempdir().unwrap();
    for (name, file, wanted) in small_pngs() {
        let Pixels::U8(back) = read(folder.path(), "a.png", &file).pixels else {
            panic!("not 8-bit")
        };
        assert_eq!(raw(back.view()), wanted, "{name}");
    }
    let wide = png_file(
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

const TIFF_ROWS: usize = 37;
const TIFF_COLUMNS: usize = 21;

/// A TIFF of `TIFF_ROWS` x `TIFF_COLUMNS` pixels from another library's writer.
fn tiff_file<K: colortype::ColorType>(
    compression: encoder::Compression,
    samples: &[K::Inner],
) -> Vec<u8>
where
    [K::Inner]: encoder::TiffValue,
{
    let mut out = std::io::Cursor::new(Vec::new());
    TiffEncoder::new(&mut out)
        .unwrap()
        .with_compression(compression)
        .write_image::<K>(TIFF_COLUMNS as u32, TIFF_ROWS as u32, samples)
        .unwrap();
    out.into_inner()
}

/// TIFF files of every depth, and the samples that are to be read from each.
fn tiffs_of_every_depth(compression: encoder::Compression) -> [(Vec<u8>, Pixels); 5] {
    let eight = bytes(TIFF_ROWS, TIFF_COLUMNS, 3);
    let sixteen = words(TIFF_ROWS, TIFF_COLUMNS, 3);
    let gray = words(TIFF_ROWS, TIFF_COLUMNS, 1);
    let float = waves(TIFF_ROWS, TIFF_COLUMNS, 3, |v| v as f32 * 20.0 - 1.0);
    let long = waves(TIFF_ROWS, TIFF_COLUMNS, 3, |v| (v * 4_294_967_295.0) as u32);
    [
        (
            tiff_file::<colortype::RGB8>(compression, &raw(eight.view())),
            Pixels::U8(eight),
        ),
        (
            tiff_file::<colortype::RGB16>(compression, &raw(sixteen.view())),
            Pixels::U16(sixteen),
        ),
        (
            tiff_file::<colortype::Gray16>(compression, &raw(gray.view())),
            Pixels::U16(gray),
        ),
        (
            tiff_file::<colortype::RGB32Float>(compression, &raw(float.view())),
            Pixels::F32(float),
        ),
        (
            tiff_file::<colortype::RGB32>(compression, &raw(long.view())),
            Pixels::F32(long.mapv(|v| (f64::from(v) / 4_294_967_295.0) as f32)),
        ),
    ]
}

#[test]
fn tiff_of_every_depth_is_read_from_another_writer() {
    use encoder::Compression as C;
    let folder = tempfile::tempdir().unwrap();
    for compression in [
        C::Uncompressed,
        C::Lzw,
        C::Deflate(Default::default()),
        C::Packbits,
    ] {
        for (content, wanted) in tiffs_of_every_depth(compression) {
            let picture = read(folder.path(), "a.tif", &content);
            assert_eq!(picture.format, Format::Tiff);
            assert_eq!(picture.pixels, wanted);
        }
    }
    let not_finite =
        tiff_file::<colortype::Gray32Float>(C::Uncompressed, &[f32::NAN; TIFF_ROWS * TIFF_COLUMNS]);
    let file = folder.path().join("nan.tif");
    std::fs::write(&file, not_finite).unwrap();
    assert!(read_picture(&file, &Limits::default()).is_err());
}
