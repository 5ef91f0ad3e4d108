//! Reads a JPEG file with a gain map as linear light that exceeds reference white.
use super::container::{Front, ISO, XMP};
use super::metadata::{ChannelGain, GainMetadata};
use super::xmp;
use crate::fault::Fault;
use crate::memory;
use crate::orientation::upright;
use crate::read::check_size;
use crate::{jpeg, read_header};
use ndarray::{Array3, Axis};
use rayon::prelude::*;
use std::io::Cursor;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Footprint, Header, Limits};
use stopspan_core::raster::Pixels;
use stopspan_core::units::srgb_exposure;

/// A file with a gain map, with the gain applied.
#[derive(Debug, Clone, PartialEq)]
pub struct BrightFile {
    /// Linear light of the alternate picture, 1 being reference white; upright, shape (rows, columns, 3), in the
    /// primaries of the base picture.
    pub light: Array3<f32>,
    /// Header of the base picture.
    pub header: Header,
    /// Metadata of the gain map.
    pub metadata: GainMetadata,
}

/// Reads a JPEG and applies its gain map in full; `None` for a JPEG without one. The base picture is assumed to have
/// the transfer function of IEC 61966-2-1.
///
/// # Errors
/// [`Error::Input`]: not readable, damaged, larger than `limits`, or a gain map whose metadata cannot be used.
pub fn read(file: &Path, limits: &Limits) -> Result<Option<BrightFile>, Error> {
    let header = read_header(file, limits)?;
    let bytes =
        std::fs::read(file).map_err(|e| Error::input_because(file, InputProblem::Unreadable, e))?;
    let Some((map, metadata)) = parts(&bytes).map_err(|fault| fault.at(file))? else {
        return Ok(None);
    };
    let light = together((&header, &bytes), map, &metadata, limits)
        .and_then(|light| upright(Pixels::F32(light), header.orientation.unwrap_or(1)))
        .map_err(|fault| fault.at(file))?;
    match light {
        Pixels::F32(light) => Ok(Some(BrightFile {
            light,
            header,
            metadata,
        })),
        _ => Ok(None),
    }
}

/// The encoded gain map picture and its metadata.
fn parts(bytes: &[u8]) -> Result<Option<(&[u8], GainMetadata)>, Fault> {
    let front = Front::of(bytes).ok_or(Fault::damaged("no JPEG"))?;
    let text = |payload: Option<&[u8]>| payload.map(|p| String::from_utf8_lossy(p).into_owned());
    let by_length = || {
        let length = xmp::read_base(&text(front.named(1, XMP))?)?;
        Some(bytes.len().checked_sub(length)?..bytes.len())
    };
    let Some(place) = front.second(bytes.len()).or_else(by_length) else {
        return Ok(None);
    };
    let map = &bytes[place];
    let Some(of_map) = Front::of(map) else {
        return Ok(None);
    };
    let iso = of_map.named(2, ISO).map(GainMetadata::from_bytes);
    let metadata = match (iso.flatten(), text(of_map.named(1, XMP))) {
        (Some(metadata), _) => Some(metadata),
        (None, Some(text)) => xmp::read_map(&text),
        (None, None) => None,
    };
    match metadata {
        Some(metadata) if metadata.base_headroom < metadata.alternate_headroom => {
            Ok(Some((map, metadata)))
        }
        Some(_) => Err(Fault::unsupported(
            "a gain map from a brighter to a darker picture",
        )),
        None => Ok(None), // another kind of second picture
    }
}

fn together(
    (base, bytes): (&Header, &[u8]),
    map: &[u8],
    metadata: &GainMetadata,
    limits: &Limits,
) -> Result<Array3<f32>, Fault> {
    let size = jpeg::header(&mut Cursor::new(map))?;
    check_size(size.columns as u64, size.rows as u64, limits)?;
    memory::check(footprint(base, &size), limits)?;
    let (base, map) = rayon::join(|| samples(bytes, limits), || samples(map, limits));
    let (base, map) = (base?, map?);
    let (rows, columns, channels) = base.dim();
    let linear: Vec<f32> = (0..256)
        .map(|k| srgb_exposure(f64::from(k) / 255.0) as f32)
        .collect();
    let of_map = map.dim().2;
    let gains: Vec<(ChannelGain, Vec<f32>)> = (0..3)
        .map(|k| {
            let channel = metadata.channels[k.min(metadata.channels.len() - 1)];
            let table = (0..256).map(|v| channel.stops(f64::from(v) / 255.0) as f32);
            (channel, table.collect())
        })
        .collect();
    let light = memory::zeroed(rows * columns * 3)?;
    let mut light = Array3::from_shape_vec((rows, columns, 3), light).map_err(Fault::damaged)?;
    light
        .axis_iter_mut(Axis(0))
        .into_par_iter()
        .enumerate()
        .for_each(|(r, mut row)| {
            let down = Between::of(r, rows, map.dim().0);
            for (c, mut pixel) in row.axis_iter_mut(Axis(0)).enumerate() {
                let across = Between::of(c, columns, map.dim().1);
                for k in 0..3 {
                    let (channel, table) = &gains[k];
                    let at =
                        |r: usize, c: usize| table[usize::from(map[[r, c, k.min(of_map - 1)]])];
                    let upper =
                        across.mix(at(down.first, across.first), at(down.first, across.second));
                    let lower = across.mix(
                        at(down.second, across.first),
                        at(down.second, across.second),
                    );
                    let stops = down.mix(upper, lower);
                    let base = linear[usize::from(base[[r, c, k.min(channels - 1)]])];
                    pixel[k] = channel.apply(f64::from(base), f64::from(stops)).max(0.0) as f32;
                }
            }
        });
    Ok(light)
}

/// Light in floats beside both pictures, and once more where it is turned.
fn footprint(base: &Header, map: &Header) -> Footprint {
    let light = 12 * (base.rows as u64).saturating_mul(base.columns as u64);
    let pictures = base.footprint.peak().saturating_add(map.footprint.peak());
    Footprint {
        samples: light,
        decoding: pictures.max(light),
    }
}

fn samples(jpeg: &[u8], limits: &Limits) -> Result<Array3<u8>, Fault> {
    match jpeg::decode(jpeg, limits)?.pixels {
        Pixels::U8(samples) => Ok(samples),
        _ => Err(Fault::unsupported("a JPEG of more than 8 bits")),
    }
}

/// The two samples of a smaller row next to a pixel of a larger one, the rows' extents being equal.
struct Between {
    first: usize,
    second: usize,
    share: f32,
}

impl Between {
    fn of(pixel: usize, pixels: usize, samples: usize) -> Self {
        let at = (pixel as f64 + 0.5) * samples as f64 / pixels as f64 - 0.5;
        let at = at.clamp(0.0, (samples - 1) as f64);
        let first = at as usize;
        Between {
            first,
            second: (first + 1).min(samples - 1),
            share: (at - first as f64) as f32,
        }
    }

    fn mix(&self, a: f32, b: f32) -> f32 {
        a + self.share * (b - a)
    }
}
