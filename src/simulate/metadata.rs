//! The EXIF block of a simulated camera (Exif 2.32, through `kamadak-exif`).
use super::scenario::Scenario;
use exif::experimental::Writer;
use exif::{Field, In, Rational, SRational, Tag, Value};
use std::io;
use stopspan_core::units::ExposureSettings;

/// Milliseconds between frames of a bracket.
const INTERVAL: u64 = 300;

/// EXIF of frame `index`.
pub fn of_frame(scenario: &Scenario, index: usize) -> Vec<Field> {
    let ev = scenario.frames[index].ev;
    let mut fields = common(scenario, &scenario.settings(index), index);
    let bias = SRational::from(((ev * 100.0).round() as i32, 100));
    fields.push(field(Tag::ExposureBiasValue, Value::SRational(vec![bias])));
    fields
}

/// EXIF of the camera's own HDR picture: a composite made while shooting (CompositeImage 3, Exif 2.32), custom rendered
/// (CustomRendered 1), with the nominal frame's settings.
pub fn of_camera_hdr(scenario: &Scenario) -> Vec<Field> {
    let count = scenario.frames.len();
    let mut fields = common(
        scenario,
        &scenario.settings(scenario.reference()),
        count + 3,
    );
    let sources = vec![count as u16, count as u16];
    fields.push(field(Tag::CustomRendered, Value::Short(vec![1])));
    fields.push(field(Tag::CompositeImage, Value::Short(vec![3])));
    fields.push(field(
        Tag::SourceImageNumberOfCompositeImage,
        Value::Short(sources),
    ));
    fields.push(field(
        Tag::ExposureBiasValue,
        Value::SRational(vec![SRational::from((0, 100))]),
    ));
    fields
}

fn common(scenario: &Scenario, settings: &ExposureSettings, number: usize) -> Vec<Field> {
    let camera = &scenario.camera;
    let (moment, sub_seconds) = moment(&camera.captured, number as u64 * INTERVAL);
    let text = |s: &str| Value::Ascii(vec![s.as_bytes().to_vec()]);
    let mut fields = vec![
        field(Tag::Make, text(&camera.maker)),
        field(Tag::Model, text(&camera.model)),
        field(
            Tag::Software,
            text(concat!("stopspan ", env!("CARGO_PKG_VERSION"), " simulate")),
        ),
        field(Tag::DateTimeOriginal, text(&moment)),
        field(Tag::SubSecTimeOriginal, text(&sub_seconds)),
        field(Tag::ColorSpace, Value::Short(vec![1])),
        field(Tag::ExifVersion, Value::Undefined(b"0232".to_vec(), 0)),
    ];
    if let Some(time) = settings.time {
        fields.push(field(
            Tag::ExposureTime,
            Value::Rational(vec![fraction(time.0)]),
        ));
    }
    if let Some(aperture) = settings.aperture {
        let tenths = Rational::from(((aperture.0 * 100.0).round() as u32, 100));
        fields.push(field(Tag::FNumber, Value::Rational(vec![tenths])));
    }
    if let Some(speed) = settings.speed {
        let value = speed.0.round().clamp(1.0, 65534.0) as u16;
        fields.push(field(
            Tag::PhotographicSensitivity,
            Value::Short(vec![value]),
        ));
    }
    fields
}

/// A field of the first directory.
pub fn field(tag: Tag, value: Value) -> Field {
    Field {
        tag,
        ifd_num: In::PRIMARY,
        value,
    }
}

/// The fields as an EXIF block, a TIFF structure.
///
/// # Errors
/// Those of the EXIF writer, as I/O errors.
pub fn block(fields: &[Field]) -> io::Result<Vec<u8>> {
    write(fields, &[])
}

/// The fields as a TIFF structure with picture data as `strips`, if there are any.
///
/// # Errors
/// As [`block`].
pub fn write(fields: &[Field], strips: &[&[u8]]) -> io::Result<Vec<u8>> {
    let mut writer = Writer::new();
    for field in fields {
        writer.push_field(field);
    }
    if !strips.is_empty() {
        writer.set_strips(strips, In::PRIMARY);
    }
    let mut out = io::Cursor::new(Vec::new());
    writer
        .write(&mut out, false)
        .map_err(|e| io::Error::other(e.to_string()))?;
    Ok(out.into_inner())
}

/// Seconds as a fraction: 1/n or n/1 where that is exact to 1e-9, else in millionths or thousandths.
fn fraction(seconds: f64) -> Rational {
    let close = |value: f64| (value - value.round()).abs() < 1e-9 * value;
    if close(1.0 / seconds) {
        Rational::from((1, (1.0 / seconds).round() as u32))
    } else if close(seconds) {
        Rational::from((seconds.round() as u32, 1))
    } else if seconds < 1000.0 {
        Rational::from(((seconds * 1e6).round() as u32, 1_000_000))
    } else {
        Rational::from(((seconds * 1e3).round() as u32, 1000))
    }
}

/// `start` ("YYYY:MM:DD HH:MM:SS") plus milliseconds, within the same day, and the digits below a second.
fn moment(start: &str, milliseconds: u64) -> (String, String) {
    let sub_seconds = format!("{:03}", milliseconds % 1000);
    let clock = start.get(11..19).and_then(|clock| {
        let mut parts = clock.split(':').map(|p| p.parse::<u64>().ok());
        Some(parts.next()?? * 3600 + parts.next()?? * 60 + parts.next()??)
    });
    match (start.get(..11), clock) {
        (Some(day), Some(seconds)) => {
            let s = (seconds + milliseconds / 1000) % 86_400;
            let text = format!("{day}{:02}:{:02}:{:02}", s / 3600, s / 60 % 60, s % 60);
            (text, sub_seconds)
        }
        // Not of that form: written unchanged, as requested.
        _ => (start.to_owned(), sub_seconds),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_carry_into_seconds_and_minutes() {
        let (text, digits) = moment("2026:05:04 10:59:59", 1300);
        assert_eq!(
            (text.as_str(), digits.as_str()),
            ("2026:05:04 11:00:00", "300")
        );
    }

    #[test]
    fn exposure_times_are_true_fractions() {
        let pair = |t: f64| {
            let f = fraction(t);
            (f.num, f.denom)
        };
        assert_eq!(pair(0.02), (1, 50));
        assert_eq!(pair(2.0), (2, 1));
        assert_eq!(pair(0.3), (300_000, 1_000_000));
    }
}
