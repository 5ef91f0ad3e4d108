//! Writes a picture and a gain map as one JPEG file.
use super::container::{ISO, Segment, XMP, joined, with_segments};
use super::metadata::{ChannelGain, GainMetadata};
use super::xmp;
use crate::jpeg;
use crate::jpeg::Subsampling;
use ndarray::{Array2, ArrayView3, Axis};
use std::io;

/// JPEG quality of the gain map; its error should stay below that of 8 bits.
const QUALITY: u8 = 97;
/// Offset added to both lights, relative to reference white: 1/64, the usual value. It prevents any gain at black.
pub const OFFSET: f64 = 1.0 / 64.0;

/// The picture for all displays.
#[derive(Debug, Clone, Copy)]
pub struct BasePicture<'a> {
    /// 8-bit R, G, B.
    pub samples: ArrayView3<'a, u8>,
    /// JPEG quality, 1..=100.
    pub quality: u8,
    /// Chroma resolution.
    pub subsampling: Subsampling,
    /// ICC profile; its transfer function must be that of IEC 61966-2-1.
    pub icc: &'a [u8],
    /// EXIF block.
    pub exif: Option<&'a [u8]>,
}

/// Encodes a base picture with a gain map of one channel. `gain` is in stops, for blocks of the picture, computed
/// with an offset of 1/64 on both lights. `headroom`, in stops, is that of the alternate picture. The metadata are
/// written both as ISO 21496-1 and as XMP.
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

/// Range of the gain, rounded outwards to values that fractions of either encoding represent exactly.
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
