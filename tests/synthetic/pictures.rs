//! Tiny pictures with EXIF written by another library, for the checks of sorting and loading.
use exif::experimental::Writer;
use exif::{Field, In, Rational, SRational, Tag, Value};
use std::path::{Path, PathBuf};
use stopspan_frames::{BracketPlan, Overrides, Survey, survey};

/// What a tiny picture states.
#[derive(Debug, Clone)]
pub struct Tags {
    pub time: Option<(u32, u32)>,
    pub bias: Option<i32>,
    /// Hundredths of a second after 10:00:00.
    pub moment: Option<u32>,
    pub model: &'static str,
    pub size: (u16, u16),
    pub composite: Option<u16>,
    pub custom: Option<u16>,
}

pub const PLAIN: Tags = Tags {
    time: Some((1, 60)),
    bias: None,
    moment: None,
    model: "Box",
    size: (16, 8),
    composite: None,
    custom: None,
};

pub fn exif_block(tags: &Tags) -> Vec<u8> {
    let field = |tag, value| Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    };
    let ascii = |text: String| Value::Ascii(vec![text.into_bytes()]);
    let rational = |(num, denom)| Value::Rational(vec![Rational { num, denom }]);
    let mut fields = vec![
        field(Tag::Model, ascii(tags.model.to_owned())),
        field(Tag::FNumber, rational((4, 1))),
        field(Tag::PhotographicSensitivity, Value::Short(vec![100])),
    ];
    fields.extend(tags.time.map(|t| field(Tag::ExposureTime, rational(t))));
    fields.extend(tags.bias.map(|num| {
        field(
            Tag::ExposureBiasValue,
            Value::SRational(vec![SRational { num, denom: 1 }]),
        )
    }));
    if let Some(moment) = tags.moment {
        let (second, sub) = (moment / 100, moment % 100);
        let text = format!("2031:04:05 10:{:02}:{:02}", second / 60, second % 60);
        fields.push(field(Tag::DateTimeOriginal, ascii(text)));
        fields.push(field(Tag::SubSecTimeOriginal, ascii(format!("{sub:02}"))));
    }
    let composite = Tag(exif::Context::Exif, 0xa460);
    fields.extend(
        tags.composite
            .map(|v| field(composite, Value::Short(vec![v]))),
    );
    fields.extend(
        tags.custom
            .map(|v| field(Tag::CustomRendered, Value::Short(vec![v]))),
    );
    let mut writer = Writer::new();
    for field in &fields {
        writer.push_field(field);
    }
    let mut block = std::io::Cursor::new(Vec::new());
    writer.write(&mut block, false).unwrap();
    block.into_inner()
}

/// Writes a picture; a ramp, so that something can be decoded.
pub fn picture(folder: &Path, name: &str, tags: &Tags) -> PathBuf {
    let (columns, rows) = tags.size;
    let samples: Vec<u8> = (0..usize::from(columns) * usize::from(rows) * 3)
        .map(|i| (i % 251) as u8)
        .collect();
    picture_of(&samples, folder, name, tags)
}

/// Writes a picture of these samples, three a pixel.
pub fn picture_of(samples: &[u8], folder: &Path, name: &str, tags: &Tags) -> PathBuf {
    let file = folder.join(name);
    let (columns, rows) = tags.size;
    if name.ends_with(".png") {
        let out = std::fs::File::create(&file).unwrap();
        let mut info = png::Info::with_size(u32::from(columns), u32::from(rows));
        info.color_type = png::ColorType::Rgb;
        info.exif_metadata = Some(exif_block(tags).into());
        let encoder = png::Encoder::with_info(out, info).unwrap();
        encoder
            .write_header()
            .unwrap()
            .write_image_data(samples)
            .unwrap();
    } else {
        let mut encoder = jpeg_encoder::Encoder::new_file(&file, 95).unwrap();
        encoder.add_exif_metadata(&exif_block(tags)).unwrap();
        encoder
            .encode(samples, columns, rows, jpeg_encoder::ColorType::Rgb)
            .unwrap();
    }
    file
}

/// Frames of a burst: time, bias, hundredths of a second; names follow the moment.
pub fn burst(folder: &Path, model: &'static str, first: u32, frames: &[((u32, u32), i32)]) {
    for (index, (time, bias)) in frames.iter().enumerate() {
        let moment = first + 30 * index as u32;
        let tags = Tags {
            time: Some(*time),
            bias: Some(*bias),
            moment: Some(moment),
            model,
            ..PLAIN
        };
        picture(folder, &format!("{model}_{moment:05}.jpg"), &tags);
    }
}

pub const HALF_NOMINAL_DOUBLE: [((u32, u32), i32); 3] =
    [((1, 120), -1), ((1, 60), 0), ((1, 30), 1)];

pub fn look(folder: &Path) -> Survey {
    survey(&[folder.to_path_buf()], &Overrides::default()).unwrap()
}

pub fn names(files: impl IntoIterator<Item = PathBuf>) -> Vec<String> {
    let name = |f: PathBuf| f.file_name().unwrap().to_string_lossy().into_owned();
    files.into_iter().map(name).collect()
}

pub fn brackets(survey: &Survey) -> Vec<Vec<String>> {
    let files = |b: &BracketPlan| names(b.frames.iter().map(|f| f.file.clone()));
    survey.brackets.iter().map(files).collect()
}
