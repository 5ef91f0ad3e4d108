//! EXIF fields copied from a frame into finished pictures (Exif 2.32, JEITA CP-3451E).
use super::metadata::block_of;
use exif::{Context, Field, In, Reader, Tag, Value};
use stopspan_core::model::{Header, Rational};

/// Fields copied unchanged: how, when and with what the picture was taken, and its owner. Maker notes, serial
/// numbers, previews and descriptions of the old file's samples are not copied.
const CARRIED: [Tag; 19] = [
    Tag::Make,
    Tag::Model,
    Tag::Artist,
    Tag::Copyright,
    Tag::ExposureTime,
    Tag::FNumber,
    Tag::PhotographicSensitivity,
    Tag::SensitivityType,
    Tag::StandardOutputSensitivity,
    Tag::RecommendedExposureIndex,
    Tag::ISOSpeed,
    Tag::DateTimeOriginal,
    Tag::SubSecTimeOriginal,
    Tag::OffsetTimeOriginal,
    Tag::FocalLength,
    Tag::FocalLengthIn35mmFilm,
    Tag::LensMake,
    Tag::LensModel,
    Tag::LensSpecification,
];

/// EXIF fields of a finished picture, for any format.
#[derive(Debug, Clone, Default)]
pub struct Carried(Vec<Field>);

impl Carried {
    /// The fields to copy from a file with this header. `software` names the program that made the picture. The GPS
    /// fields are copied only if `place` is true. Orientation is 1, because the picture is upright.
    pub fn of(header: &Header, software: &str, place: bool) -> Self {
        let mut fields = match &header.exif {
            Some(block) => copied(block, place),
            None => fields_of_header(header),
        };
        fields.retain(|f| f.ifd_num == In::PRIMARY);
        fields.push(field(Tag::Orientation, Value::Short(vec![1])));
        fields.push(field(Tag::Software, text(software)));
        fields.push(field(
            Tag::ExifVersion,
            Value::Undefined(b"0232".to_vec(), 0),
        ));
        Carried(fields)
    }

    /// Adds the ColorSpace tag: 1 for sRGB, else "uncalibrated", in which case the profile defines the colours.
    pub fn coloured(mut self, srgb: bool) -> Self {
        self.0.retain(|f| f.tag != Tag::ColorSpace);
        let code = if srgb { 1 } else { 0xffff };
        self.0
            .push(field(Tag::ColorSpace, Value::Short(vec![code])));
        self
    }

    /// The fields as an EXIF block (a TIFF structure) for JPEG and PNG; `None` if it cannot be encoded.
    pub fn block(&self) -> Option<Vec<u8>> {
        block_of(&self.0)
    }

    /// The fields, for formats that store them as tags of their own.
    pub(crate) fn fields(&self) -> &[Field] {
        &self.0
    }
}

fn field(tag: Tag, value: Value) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    }
}

fn text(text: &str) -> Value {
    Value::Ascii(vec![text.as_bytes().to_vec()])
}

fn copied(block: &[u8], place: bool) -> Vec<Field> {
    let parsed = Reader::new()
        .continue_on_error(true)
        .read_raw(block.to_vec())
        .or_else(|error| error.distill_partial_result(|_| ()));
    let Ok(parsed) = parsed else {
        return Vec::new();
    };
    let wanted =
        |f: &&Field| CARRIED.contains(&f.tag) || (place && f.tag.context() == Context::Gps);
    // a value of unknown type cannot be written
    let known = |f: &&Field| !matches!(f.value, Value::Unknown(..));
    let found = parsed.fields().filter(wanted).filter(known);
    found.cloned().collect()
}

/// The same fields for a picture without an EXIF block, such as a radiance map.
fn fields_of_header(header: &Header) -> Vec<Field> {
    let ratio = |r: Option<Rational>| {
        let r = r?;
        Some(Value::Rational(vec![exif::Rational {
            num: u32::try_from(r.numerator).ok()?,
            denom: u32::try_from(r.denominator).ok().filter(|&d| d > 0)?,
        }]))
    };
    let speed = header.sensitivity.map(|s| s.round().clamp(0.0, 65535.0));
    let values = [
        (Tag::ExposureTime, ratio(header.exposure_time)),
        (Tag::FNumber, ratio(header.f_number)),
        (
            Tag::PhotographicSensitivity,
            speed.map(|s| Value::Short(vec![s as u16])),
        ),
        (Tag::DateTimeOriginal, header.captured.as_deref().map(text)),
        (Tag::Copyright, header.copyright.as_deref().map(text)),
    ];
    let there = values.into_iter().filter_map(|(tag, v)| Some((tag, v?)));
    there.map(|(tag, value)| field(tag, value)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::metadata;

    fn source() -> Header {
        let rational = |num, denom| Value::Rational(vec![exif::Rational { num, denom }]);
        let place = Tag(Context::Gps, 2);
        let block = block_of(&[
            field(Tag::Make, text("Bench")),
            field(Tag::BodySerialNumber, text("12345")),
            field(Tag::ExposureTime, rational(1, 125)),
            field(Tag::FNumber, rational(28, 10)),
            field(Tag::PhotographicSensitivity, Value::Short(vec![200])),
            field(Tag::DateTimeOriginal, text("2031:04:05 10:11:12")),
            field(Tag::Copyright, text("Someone")),
            field(Tag::Orientation, Value::Short(vec![6])),
            field(place, rational(52, 1)),
        ])
        .unwrap();
        let mut header = Header::default();
        metadata::fill(&mut header, block);
        header
    }

    #[test]
    fn settings_moment_and_owner_come_along_and_the_rest_does_not() {
        let carried = Carried::of(&source(), "a program 1.0", false).coloured(true);
        let mut back = Header::default();
        metadata::fill(&mut back, carried.block().unwrap());
        let was = source();
        assert_eq!(back.exposure_time, was.exposure_time);
        assert_eq!(back.f_number, was.f_number);
        assert_eq!(back.sensitivity, Some(200.0));
        assert_eq!(back.captured, was.captured);
        assert_eq!(back.copyright, was.copyright);
        assert_eq!((back.orientation, back.color_space), (Some(1), Some(1)));
        assert_eq!(back.serial, None);
    }

    #[test]
    fn the_place_comes_along_only_when_asked_for() {
        for asked in [false, true] {
            let carried = Carried::of(&source(), "a program 1.0", asked);
            let places = carried.fields().iter();
            let there = places.filter(|f| f.tag.context() == Context::Gps).count();
            assert_eq!(there, usize::from(asked));
        }
    }

    #[test]
    fn a_map_carries_what_its_attributes_say() {
        let header = Header {
            exposure_time: Some(Rational {
                numerator: 1,
                denominator: 60,
            }),
            captured: Some("2031:04:05 10:11:12".into()),
            ..Header::default()
        };
        let mut back = Header::default();
        let block = Carried::of(&header, "a program 1.0", false).block();
        metadata::fill(&mut back, block.unwrap());
        assert_eq!(back.exposure_time, header.exposure_time);
        assert_eq!(back.captured, header.captured);
    }
}
