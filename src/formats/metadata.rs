//! EXIF (Exif 2.32, JEITA CP-3451E) into a [`Header`], as the file states it; nothing is judged here.
use super::{Header, Rational};
use exif::{Context, Exif, Field, In, Reader, Tag, Value};

const COMPOSITE_SOURCES: Tag = Tag::SourceImageNumberOfCompositeImage;

/// Fills `header` from an EXIF block (a TIFF structure) and keeps the block. What cannot be read of a damaged block is
/// left out; the rest counts.
pub(super) fn fill(header: &mut Header, block: Vec<u8>) {
    let parsed = Reader::new()
        .continue_on_error(true)
        .read_raw(block.clone())
        .or_else(|error| error.distill_partial_result(|_| ()));
    header.exif = Some(block);
    let Ok(tags) = parsed.map(Tags) else { return };

    header.orientation = tags.number(Tag::Orientation);
    header.exposure_time = tags.rational(Tag::ExposureTime);
    header.shutter_speed_value = tags.rational(Tag::ShutterSpeedValue);
    header.f_number = tags.rational(Tag::FNumber);
    header.aperture_value = tags.rational(Tag::ApertureValue);
    header.sensitivity = tags.sensitivity();
    header.exposure_bias = tags.rational(Tag::ExposureBiasValue);
    header.brightness_value = tags.rational(Tag::BrightnessValue);
    header.custom_rendered = tags.number(Tag::CustomRendered);
    header.composite_image = tags.number(Tag::CompositeImage);
    header.composite_sources = tags.number(COMPOSITE_SOURCES);
    header.color_space = tags.number(Tag::ColorSpace);
    header.interoperability = tags.text(Tag::InteroperabilityIndex);
    header.captured = tags
        .text(Tag::DateTimeOriginal)
        .or_else(|| tags.text(Tag::DateTime));
    header.sub_seconds = tags.text(Tag::SubSecTimeOriginal);
    header.utc_offset = tags.text(Tag::OffsetTimeOriginal);
    header.maker = tags.text(Tag::Make);
    header.model = tags.text(Tag::Model);
    header.serial = tags.text(Tag::BodySerialNumber);
    header.lens = tags.text(Tag::LensModel);
    header.focal_length = tags.rational(Tag::FocalLength);
    header.white_balance = tags.number(Tag::WhiteBalance);
    header.copyright = tags.text(Tag::Copyright);
}

struct Tags(Exif);

impl Tags {
    fn value(&self, tag: Tag) -> Option<&Value> {
        self.0.get_field(tag, In::PRIMARY).map(|f| &f.value)
    }

    fn number(&self, tag: Tag) -> Option<u32> {
        self.value(tag)?.get_uint(0)
    }

    fn rational(&self, tag: Tag) -> Option<Rational> {
        let (numerator, denominator) = match self.value(tag)? {
            Value::Rational(v) => v.first().map(|r| (i64::from(r.num), i64::from(r.denom)))?,
            Value::SRational(v) => v.first().map(|r| (i64::from(r.num), i64::from(r.denom)))?,
            other => (i64::from(other.get_uint(0)?), 1),
        };
        Some(Rational {
            numerator,
            denominator,
        })
    }

    /// Text without padding; `None` if nothing is left.
    fn text(&self, tag: Tag) -> Option<String> {
        let Value::Ascii(parts) = self.value(tag)? else {
            return None;
        };
        let text = String::from_utf8_lossy(parts.first()?);
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
        (!text.is_empty()).then(|| text.to_owned())
    }

    /// PhotographicSensitivity is 16 bits wide; 65535 or absence sends the reader to the 32-bit tags (Exif 2.32,
    /// 4.6.5, PhotographicSensitivity and SensitivityType).
    fn sensitivity(&self) -> Option<f64> {
        let short = self.number(Tag::PhotographicSensitivity);
        let long = || {
            [
                Tag::ISOSpeed,
                Tag::RecommendedExposureIndex,
                Tag::StandardOutputSensitivity,
            ]
            .into_iter()
            .find_map(|tag| self.number(tag).filter(|&n| n > 0))
        };
        match short {
            None => long(),
            Some(65535) => long().or(short),
            _ => short,
        }
        .map(f64::from)
    }
}

/// Writes fields as an EXIF block, `None` if there are none or they cannot be written.
pub(super) fn block_of(fields: &[Field]) -> Option<Vec<u8>> {
    if !fields
        .iter()
        .any(|f| f.tag.context() == Context::Tiff || f.tag.context() == Context::Exif)
    {
        return None;
    }
    let mut writer = exif::experimental::Writer::new();
    fields.iter().for_each(|field| writer.push_field(field));
    let mut block = std::io::Cursor::new(Vec::new());
    writer.write(&mut block, true).ok()?;
    Some(block.into_inner())
}
