//! Reads EXIF (Exif 2.32, JEITA CP-3451E) into a [`Header`], unchecked.
use exif::{Context, Exif, Field, In, Reader, Tag, Value};
use stopspan_core::error::printable;
use stopspan_core::model::{Header, Rational};

const COMPOSITE_SOURCES: Tag = Tag::SourceImageNumberOfCompositeImage;

/// Fills `header` from an EXIF block (a TIFF structure) and keeps the block. Unreadable fields of a damaged block are
/// skipped.
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

    /// Text of a tag without padding, in one line: what steers a terminal is written as its escapes. `None` if it is empty.
    fn text(&self, tag: Tag) -> Option<String> {
        let Value::Ascii(parts) = self.value(tag)? else {
            return None;
        };
        let text = String::from_utf8_lossy(parts.first()?);
        let text = text.trim_matches(|c: char| c.is_whitespace() || c == '\0');
        (!text.is_empty()).then(|| printable::text(text).into_owned())
    }

    /// Speed from PhotographicSensitivity, which has 16 bits. If it is 65535 or missing, the 32-bit tags apply (Exif
    /// 2.32, 4.6.5, PhotographicSensitivity and SensitivityType).
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

/// Encodes fields as an EXIF block; `None` if there are none or they cannot be encoded.
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

#[cfg(test)]
mod tests {
    use super::*;

    fn field(tag: Tag, value: Value) -> Field {
        Field {
            tag,
            ifd_num: In::PRIMARY,
            value,
        }
    }

    fn header_of(fields: &[Field]) -> Header {
        let mut header = Header::default();
        fill(&mut header, block_of(fields).unwrap());
        header
    }

    #[test]
    fn rationals_keep_their_parts_even_without_sense() {
        let header = header_of(&[
            field(
                Tag::ExposureTime,
                Value::Rational(vec![exif::Rational {
                    num: 10,
                    denom: 2000,
                }]),
            ),
            field(
                Tag::FNumber,
                Value::Rational(vec![exif::Rational { num: 0, denom: 0 }]),
            ),
            field(
                Tag::ExposureBiasValue,
                Value::SRational(vec![exif::SRational { num: -2, denom: 3 }]),
            ),
        ]);
        let stated = |numerator, denominator| {
            Some(Rational {
                numerator,
                denominator,
            })
        };
        assert_eq!(header.exposure_time, stated(10, 2000));
        assert_eq!(header.f_number, stated(0, 0));
        assert_eq!(header.exposure_bias, stated(-2, 3));
        assert_eq!(header.aperture_value, None);
    }

    /// Exif 2.32, 4.6.5: a speed beyond 16 bits is stated as 65535 there, and in full in a 32-bit tag.
    #[test]
    fn a_sensitivity_beyond_16_bits_comes_from_the_long_tags() {
        let short = |n| field(Tag::PhotographicSensitivity, Value::Short(vec![n]));
        let long = |tag, n| field(tag, Value::Long(vec![n]));
        let sensitivity = |fields: &[Field]| header_of(fields).sensitivity;
        assert_eq!(sensitivity(&[short(200)]), Some(200.0));
        let rei = long(Tag::RecommendedExposureIndex, 102_400);
        assert_eq!(sensitivity(&[short(65535), rei]), Some(102_400.0));
        let sos = long(Tag::StandardOutputSensitivity, 81_920);
        assert_eq!(sensitivity(std::slice::from_ref(&sos)), Some(81_920.0));
        let iso = long(Tag::ISOSpeed, 204_800);
        assert_eq!(sensitivity(&[short(65535), sos, iso]), Some(204_800.0));
        assert_eq!(sensitivity(&[short(65535)]), Some(65535.0));
    }

    #[test]
    fn padding_is_not_text_and_a_cut_block_gives_what_it_holds() {
        let block = block_of(&[
            field(Tag::Make, Value::Ascii(vec![b"  \0".to_vec()])),
            field(Tag::Model, Value::Ascii(vec![b"Bench model one ".to_vec()])),
            field(Tag::Orientation, Value::Short(vec![6])),
        ])
        .unwrap();
        let mut whole = Header::default();
        fill(&mut whole, block.clone());
        assert_eq!(whole.maker, None);
        assert_eq!(whole.model.as_deref(), Some("Bench model one"));
        let mut cut = Header::default();
        fill(&mut cut, block[..block.len() - 8].to_vec());
        assert_eq!(cut.orientation, Some(6));
        assert_eq!(cut.model, None);
    }
}
