//! Encodes 8-bit samples as JPEG, in stripes that are encoded in parallel and joined by restart markers.
use jpeg_encoder::{
    Encoder, EncodingError, ImageBuffer, JpegColorType, SamplingFactor, rgb_to_ycbcr,
};
use ndarray::ArrayView3;
use rayon::prelude::*;
use serde::Serialize;
use std::io;

/// Chroma resolution.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Subsampling {
    /// 4:4:4, full resolution.
    Full,
    /// 4:2:0, half in both directions.
    Half,
}

/// Encodes 1 or 3 channels (R, G, B) as baseline JPEG with the quantisation tables of ITU-T T.81 annex K scaled by
/// `quality` (1..=100). `icc` and `exif` are embedded unchanged. The bytes do not depend on the number of threads.
///
/// # Errors
/// `InvalidInput` for other channel counts, sides of 0 or beyond 65535, or metadata too long for the format.
pub fn encode(
    samples: ArrayView3<u8>,
    quality: u8,
    subsampling: Subsampling,
    icc: Option<&[u8]>,
    exif: Option<&[u8]>,
) -> io::Result<Vec<u8>> {
    let (rows, columns, channels) = samples.dim();
    let (height, width) = (side(rows)?, side(columns)?);
    let block = match (subsampling, channels) {
        (Subsampling::Half, 3) => 16,
        (_, 1 | 3) => 8,
        _ => return Err(invalid("neither 1 nor 3 channels")),
    };
    let across = columns.div_ceil(block);
    // about 256 rows a stripe, with a restart interval that fits 16 bits
    let down = (256 / block).min(usize::from(u16::MAX) / across).max(1);
    let samples = samples.as_standard_layout();
    let data = samples.as_slice().ok_or(invalid("samples not in order"))?;
    let line = columns * channels;
    let stripes = data
        .par_chunks(down * block * line)
        .enumerate()
        .map(|(index, stripe)| {
            let mut out = Vec::new();
            let mut encoder = Encoder::new(&mut out, quality.clamp(1, 100));
            encoder.set_sampling_factor(match subsampling {
                Subsampling::Full => SamplingFactor::F_1_1,
                Subsampling::Half => SamplingFactor::F_2_2,
            });
            if index == 0 {
                icc.map_or(Ok(()), |p| encoder.add_icc_profile(p))
                    .and(exif.map_or(Ok(()), |e| encoder.add_exif_metadata(e)))
                    .map_err(refused)?;
            }
            let rows = (stripe.len() / line) as u16;
            let stripe = Stripe {
                samples: stripe,
                size: (rows, width),
                channels,
            };
            encoder.encode_image(stripe).map_err(refused)?;
            Ok(out)
        })
        .collect::<io::Result<Vec<_>>>()?;
    join(&stripes, height, (across * down) as u16)
}

/// Rows of 1 or 3 channels. The encoder is compiled for this type alone; its own call for slices is compiled for eleven.
struct Stripe<'a> {
    samples: &'a [u8],
    /// Rows and columns.
    size: (u16, u16),
    channels: usize,
}

impl ImageBuffer for Stripe<'_> {
    fn get_jpeg_color_type(&self) -> JpegColorType {
        match self.channels {
            1 => JpegColorType::Luma,
            _ => JpegColorType::Ycbcr,
        }
    }

    fn width(&self) -> u16 {
        self.size.1
    }

    fn height(&self) -> u16 {
        self.size.0
    }

    fn fill_buffers(&self, y: u16, [luma, blue, red, _]: &mut [Vec<u8>; 4]) {
        let line = usize::from(self.size.1) * self.channels;
        let row = &self.samples[usize::from(y) * line..][..line];
        if self.channels == 1 {
            return luma.extend_from_slice(row);
        }
        let pixels = row.as_chunks::<3>().0;
        luma.extend(pixels.iter().map(|&[r, g, b]| rgb_to_ycbcr(r, g, b).0));
        blue.extend(pixels.iter().map(|&[r, g, b]| rgb_to_ycbcr(r, g, b).1));
        red.extend(pixels.iter().map(|&[r, g, b]| rgb_to_ycbcr(r, g, b).2));
    }
}

/// Joins stripes: the header of the first with the full height and a restart interval (T.81 B.2.4.4), then all scans.
fn join(stripes: &[Vec<u8>], height: u16, interval: u16) -> io::Result<Vec<u8>> {
    let first = stripes.first().ok_or(invalid("no rows"))?;
    let parts = Parts::of(first)?;
    let mut out = first[..parts.frame + 5].to_vec();
    out.extend(height.to_be_bytes());
    out.extend_from_slice(&first[parts.frame + 7..parts.scan_header]);
    if stripes.len() > 1 {
        out.extend([0xff, 0xdd, 0, 4]);
        out.extend(interval.to_be_bytes());
    }
    out.extend_from_slice(&first[parts.scan_header..parts.scan]);
    for (index, stripe) in stripes.iter().enumerate() {
        let scan = Parts::of(stripe)?.scan;
        out.extend_from_slice(&stripe[scan..stripe.len() - 2]);
        if index + 1 < stripes.len() {
            out.extend([0xff, 0xd0 + (index % 8) as u8]);
        }
    }
    out.extend([0xff, 0xd9]);
    Ok(out)
}

/// Offsets of the parts of an encoded stripe.
struct Parts {
    frame: usize,
    scan_header: usize,
    scan: usize,
}

impl Parts {
    fn of(jpeg: &[u8]) -> io::Result<Self> {
        let (mut at, mut frame) = (2, None);
        while let Some(&[0xff, marker, high, low]) = jpeg.get(at..at + 4) {
            let end = at + 2 + usize::from(u16::from_be_bytes([high, low]));
            match (marker, frame) {
                (0xc0, _) => frame = Some(at),
                (0xda, Some(frame)) if end + 2 <= jpeg.len() => {
                    return Ok(Parts {
                        frame,
                        scan_header: at,
                        scan: end,
                    });
                }
                _ => {}
            }
            at = end;
        }
        Err(invalid("a stripe that is no baseline JPEG"))
    }
}

fn side(length: usize) -> io::Result<u16> {
    u16::try_from(length)
        .ok()
        .filter(|&n| n > 0)
        .ok_or(invalid("a side that JPEG cannot hold"))
}

fn refused(error: EncodingError) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, error)
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}
