//! A picture and its gain -> one JPEG file.
use super::container::{ISO, Segment, XMP, joined, with_segments};
use super::metadata::{ChannelGain, GainMetadata};
use super::xmp;
use crate::jpeg;
use crate::jpeg::Subsampling;
use ndarray::{Array2, ArrayView3, Axis};
use std::io;

/// Quality of the gain map's own JPEG: its error should stay below that of its 8 bits.
const QUALITY: u8 = 97;
/// Added to both lights, of reference white: 1/64, as is usual; keeps black from asking for any gain.
pub const OFFSET: f64 = 1.0 / 64.0;

/// The picture that every display can show.
#[derive(Debug, Clone, Copy)]
pub struct BasePicture<'a> {
    /// 8-bit R, G, B.
    pub samples: ArrayView3<'a, u8>,
    /// JPEG quality, 1..=100.
    pub quality: u8,
    /// Resolution of chroma.
    pub subsampling: Subsampling,
    /// Colour profile; its transfer curve must be that of IEC 61966-2-1.
    pub icc: &'a [u8],
    /// EXIF block.
    pub exif: Option<&'a [u8]>,
}

/// Encodes a base picture with a gain map of one channel: `gain` in stops for blocks of the picture, made with an offset of
/// 1/64 on both lights; `headroom` in stops is what the brighter picture was made for. Readers find the metadata both as
/// ISO 21496-1 has it and as XMP.
///
/// # Errors
/// `InvalidInput` for pictures that JPEG cannot hold.
pub fn encode(base: &BasePicture, gain: &Array2<f32>, headroom: f64) -> io::Result<Vec<u8>> {
    let channel = range_of(gain);
    let metadata = GainMetadata {
        base_headroom: 0.0,
        alternate_headroom: headroom,
        base_primaries: true,
        channels: vec![channel],
    };
    let codes = gain.mapv(|stops| (255.0 * channel.value(f64::from(stops))).round() as u8);
    let codes = codes.insert_axis(Axis(2));
    let map = jpeg::encode(codes.view(), QUALITY, Subsampling::Full, None, None)?;
    let about = [
        app(1, XMP, xmp::of_map(&metadata).as_bytes()),
        app(2, ISO, &metadata.bytes()),
    ];
    let wrong = || io::Error::new(io::ErrorKind::InvalidInput, "metadata too long for JPEG");
    let map = with_segments(&map, &about).ok_or_else(wrong)?;
    let first = jpeg::encode(
        base.samples,
        base.quality,
        base.subsampling,
        Some(base.icc),
        base.exif,
    )?;
    let about = vec![
        app(1, XMP, xmp::of_base(map.len()).as_bytes()),
        app(2, ISO, &[0; 4]), // versions alone: the rest stands in the map's own picture
    ];
    joined(&first, about, &map).ok_or_else(wrong)
}

/// The range of the gain, rounded outwards so that its ends are kept by fractions of any form.
fn range_of(gain: &Array2<f32>) -> ChannelGain {
    let finite = gain.iter().filter(|v| v.is_finite()).map(|&v| f64::from(v));
    let (low, high) = finite.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    let (low, high) = if low <= high { (low, high) } else { (0.0, 0.0) };
    ChannelGain {
        min: (low * 64.0).floor() / 64.0,
        max: (high * 64.0).ceil() / 64.0,
        gamma: 1.0,
        base_offset: OFFSET,
        alternate_offset: OFFSET,
    }
}

fn app(number: u8, name: &[u8], payload: &[u8]) -> Segment {
    Segment {
        number,
        payload: [name, payload].concat(),
    }
}
