//! Headers of OpenEXR files: size, exposure, memory, and whether the file can be decoded.
use super::{Attributes, TONES};
use crate::fault::Fault;
use exr::meta::MetaData;
use exr::meta::header::Header as ExrHeader;
use std::io::{BufRead, Read, Seek};
use std::path::Path;
use stopspan_core::error::printable;
use stopspan_core::model::{Footprint, Header, Rational, ReferenceTones};
use stopspan_core::units::Primaries;

/// Size and exposure according to the standard attributes.
pub(crate) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    decodable(file)?;
    let meta = MetaData::read_from_buffered(file, false).map_err(fault)?;
    let first = first_part(&meta)?;
    let attributes = Attributes::of(first);
    Ok(Header {
        columns: first.layer_size.0,
        rows: first.layer_size.1,
        footprint: footprint(first),
        exposure_time: attributes.exposure_time.map(rational),
        f_number: attributes.aperture.map(rational),
        sensitivity: attributes.iso_speed.map(f64::from),
        captured: attributes
            .capture_date
            .map(|text| printable::text(&text).into_owned()),
        reference_tones: attributes
            .custom
            .get(TONES)
            .and_then(|text| ReferenceTones::from_text(text)),
        primaries: attributes
            .chromaticities
            .and_then(|xy| Primaries::new(xy.map(f64::from))),
        ..Header::default()
    })
}

/// True if a file can be a frame of a bracket: it states an exposure time, has colour channels only, and was not
/// written by this program, whose maps state the time of their reference frame. False if the file cannot be read.
pub fn states_exposure(file: &Path) -> bool {
    const COLOURS: [&str; 6] = ["R", "G", "B", "A", "Y", "Z"];
    let Ok(meta) = MetaData::read_from_file(file, false) else {
        return false;
    };
    let Ok(first) = first_part(&meta) else {
        return false;
    };
    let mut names = first.channels.list.iter().map(|c| c.name.to_string());
    let attributes = Attributes::of(first);
    let own = |text: String| text.starts_with(stopspan_core::PROGRAM);
    attributes.exposure_time.is_some()
        && names.all(|name| COLOURS.contains(&name.as_str()))
        && !attributes.software.is_some_and(own)
}

/// Bytes at the start of a file that are searched for its compression attribute.
const FRONT: u64 = 1 << 16;

/// Refuses compression schemes newer than those the `exr` crate knows, by name; the crate would report the header as
/// damaged.
pub(super) fn decodable(file: &mut (impl Read + Seek)) -> Result<(), Fault> {
    const ATTRIBUTE: &[u8] = b"compression\0compression\0\x01\0\0\0";
    let mut front = Vec::new();
    file.by_ref().take(FRONT).read_to_end(&mut front)?;
    file.rewind()?;
    let mut windows = front.windows(ATTRIBUTE.len() + 1);
    let number = windows.find_map(|w| w.strip_prefix(ATTRIBUTE)?.first().copied());
    let name = match number {
        None | Some(0..=9) => return Ok(()),
        Some(10 | 11) => "HTJ2K",
        Some(13) => "Zstandard",
        Some(_) => "unknown",
    };
    Err(Fault::unsupported(format!(
        "OpenEXR with {name} compression; save it with ZIP or PIZ compression"
    )))
}

pub(super) fn first_part(meta: &MetaData) -> Result<&ExrHeader, Fault> {
    let first = meta.headers.first().ok_or(Fault::damaged("no part"))?;
    if first.deep {
        return Err(Fault::unsupported("deep OpenEXR data; save it flattened"));
    }
    if first
        .channels
        .list
        .iter()
        .any(|c| c.sampling.0 != 1 || c.sampling.1 != 1)
    {
        return Err(Fault::unsupported(
            "OpenEXR with subsampled channels; save it as R, G, B at full size",
        ));
    }
    Ok(first)
}

/// Memory of the colour channels as float samples.
pub(super) fn footprint(first: &ExrHeader) -> Footprint {
    let pixels = (first.layer_size.0 as u64).saturating_mul(first.layer_size.1 as u64);
    let coloured = first
        .channels
        .list
        .iter()
        .any(|c| c.name.to_string() == "R");
    Footprint {
        samples: pixels.saturating_mul(if coloured { 12 } else { 4 }),
        decoding: window(first),
    }
}

/// Memory of the blocks that are decoded at a time, compressed and not, bytes.
pub(super) fn window(first: &ExrHeader) -> u64 {
    let all = first.total_pixel_bytes() as u64;
    let block = all / (first.chunk_count as u64).max(1) + 1;
    2 * all.min(block.saturating_mul(blocks_at_a_time() as u64))
}

pub(super) fn blocks_at_a_time() -> usize {
    4 * rayon::current_num_threads()
}

/// A float attribute as a fraction with at least six significant digits: millionths, or a million over an integer.
/// The float is read as the shortest decimal number that rounds to it.
fn rational(value: f32) -> Rational {
    const PARTS: f64 = 1e6;
    let value = value.to_string().parse().unwrap_or(f64::from(value));
    if value.abs() < 1.0 && value != 0.0 {
        return Rational {
            numerator: PARTS as i64,
            denominator: (PARTS / value).round() as i64,
        };
    }
    Rational {
        numerator: (value * PARTS).round() as i64,
        denominator: PARTS as i64,
    }
}

pub(super) fn fault(error: exr::error::Error) -> Fault {
    match error {
        exr::error::Error::NotSupported(what) => Fault::unsupported(format!("OpenEXR: {what}")),
        exr::error::Error::Io(e) => e.into(),
        other => Fault::damaged(other),
    }
}
