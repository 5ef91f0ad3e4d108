//! The header of an OpenEXR file: standard attributes, encoded so that equal headers give equal bytes.
use super::{Channel, Kind, Scheme};
use exr::meta::attribute::{AttributeValue, Text};
use exr::meta::header::Header as ExrHeader;
use std::collections::BTreeMap;

/// Name of the text attribute of a map that holds the tones of its reference frame
/// ([`ReferenceTones::text`](stopspan_core::model::ReferenceTones::text)).
pub const TONES: &str = "referenceTones";

/// Header attributes of a picture. Names in brackets are the standard attributes of the OpenEXR format.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Attributes {
    /// Exposure time in seconds (`expTime`).
    pub exposure_time: Option<f32>,
    /// F-number (`aperture`).
    pub aperture: Option<f32>,
    /// ISO speed (`isoSpeed`).
    pub iso_speed: Option<f32>,
    /// Local time of capture, "YYYY:MM:DD hh:mm:ss" (`capDate`).
    pub capture_date: Option<String>,
    /// Seconds to add to local time to get UTC (`utcOffset`): -3600 for clocks one hour ahead of UTC.
    pub utc_offset: Option<f32>,
    /// Owner of the picture (`owner`).
    pub owner: Option<String>,
    /// Free text (`comments`).
    pub comments: Option<String>,
    /// Program that wrote the file (`software`).
    pub software: Option<String>,
    /// CIE 1931 x, y of red, green, blue and white (`chromaticities`).
    pub chromaticities: Option<[f32; 8]>,
    /// Further text attributes by name.
    pub custom: BTreeMap<String, String>,
}

impl Attributes {
    /// Attributes of a part's header.
    pub(super) fn of(part: &ExrHeader) -> Self {
        let own = &part.own_attributes;
        let text = |t: &Option<Text>| t.as_ref().map(ToString::to_string);
        let custom = own.other.iter().chain(&part.shared_attributes.other);
        Attributes {
            exposure_time: own.exposure,
            aperture: own.aperture,
            iso_speed: own.iso_speed,
            capture_date: text(&own.capture_date),
            utc_offset: own.utc_offset,
            owner: text(&own.owner),
            comments: text(&own.comments),
            software: text(&own.software_name),
            chromaticities: part.shared_attributes.chromaticities.map(|c| {
                [
                    c.red.0, c.red.1, c.green.0, c.green.1, c.blue.0, c.blue.1, c.white.0,
                    c.white.1,
                ]
            }),
            custom: custom
                .filter_map(|(name, value)| match value {
                    AttributeValue::Text(text) => Some((name.to_string(), text.to_string())),
                    _ => None,
                })
                .collect(),
        }
    }
}

/// Longest name without the flag for long names.
const SHORT_NAME: usize = 31;

/// Magic number, version and all attributes. `rows` and `columns` are the size of the picture.
pub(super) fn header_bytes(
    attributes: &Attributes,
    (rows, columns): (i32, i32),
    channels: &[Channel],
    scheme: Scheme,
) -> Vec<u8> {
    let names = channels.iter().map(|c| &c.name);
    let long = names
        .chain(attributes.custom.keys())
        .any(|name| name.len() > SHORT_NAME);
    let mut out = vec![0x76, 0x2f, 0x31, 0x01, 2, if long { 4 } else { 0 }, 0, 0];
    let window = [0, 0, columns - 1, rows - 1]
        .iter()
        .flat_map(|v| v.to_le_bytes())
        .collect::<Vec<u8>>();
    attribute(&mut out, "channels", "chlist", &channel_list(channels));
    attribute(&mut out, "compression", "compression", &[scheme.number()]);
    attribute(&mut out, "dataWindow", "box2i", &window);
    attribute(&mut out, "displayWindow", "box2i", &window);
    attribute(&mut out, "lineOrder", "lineOrder", &[0]);
    attribute(&mut out, "pixelAspectRatio", "float", &1f32.to_le_bytes());
    attribute(&mut out, "screenWindowCenter", "v2f", &[0; 8]);
    attribute(&mut out, "screenWindowWidth", "float", &1f32.to_le_bytes());
    optional(&mut out, attributes);
    out.push(0);
    out
}

fn optional(out: &mut Vec<u8>, a: &Attributes) {
    let numbers = [
        ("expTime", a.exposure_time),
        ("aperture", a.aperture),
        ("isoSpeed", a.iso_speed),
        ("utcOffset", a.utc_offset),
    ];
    for (name, value) in numbers {
        if let Some(value) = value {
            attribute(out, name, "float", &value.to_le_bytes());
        }
    }
    let texts = [
        ("capDate", &a.capture_date),
        ("owner", &a.owner),
        ("comments", &a.comments),
        ("software", &a.software),
    ];
    for (name, value) in texts {
        if let Some(value) = value {
            attribute(out, name, "string", value.as_bytes());
        }
    }
    if let Some(xy) = a.chromaticities {
        let bytes: Vec<u8> = xy.iter().flat_map(|v| v.to_le_bytes()).collect();
        attribute(out, "chromaticities", "chromaticities", &bytes);
    }
    for (name, value) in &a.custom {
        attribute(out, name, "string", value.as_bytes());
    }
}

fn attribute(out: &mut Vec<u8>, name: &str, kind: &str, value: &[u8]) {
    for word in [name, kind] {
        out.extend_from_slice(word.as_bytes());
        out.push(0);
    }
    out.extend((value.len() as i32).to_le_bytes());
    out.extend_from_slice(value);
}

/// Channel list in the order given, which must be alphabetical.
fn channel_list(channels: &[Channel]) -> Vec<u8> {
    let mut list = Vec::new();
    for channel in channels {
        list.extend_from_slice(channel.name.as_bytes());
        list.push(0);
        let kind: i32 = match channel.kind {
            Kind::Uint => 0,
            Kind::Half => 1,
            Kind::Float => 2,
        };
        list.extend(kind.to_le_bytes());
        list.extend([0; 4]); // not perceptually linear; reserved
        list.extend([1i32.to_le_bytes(), 1i32.to_le_bytes()].concat()); // every column, every row
    }
    list.push(0);
    list
}
