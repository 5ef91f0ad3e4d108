//! Decodes JPEG to 8-bit samples, strictly: truncated or inconsistent data are an error, not grey pixels.
use super::markers::Markers;
use crate::fault::Fault;
use crate::memory;
use crate::read::Decoded;
use ndarray::Array3;
use std::io::Cursor;
use stopspan_core::model::Limits;
use stopspan_core::raster::Pixels;
use zune_core::{bytestream::ZCursor, colorspace::ColorSpace, options::DecoderOptions};
use zune_jpeg::JpegDecoder;

/// Decodes a file whose size was checked against the limits. Grey files give one channel, all others R, G, B.
///
/// The strict decoder detects truncation and invalid codes. A flipped bit that leaves the codes valid cannot be
/// detected.
pub(crate) fn decode(bytes: &[u8], limits: &Limits) -> Result<Decoded, Fault> {
    let markers = Markers::read(&mut Cursor::new(bytes))?;
    refuse_unread_variants(&markers)?;
    let compression = markers.compression().ok_or(Fault::damaged(
        "the luminance quantisation table is missing",
    ))?;
    let strict = decode_into_array(bytes, &markers, true);
    let (samples, damaged) = match strict {
        Err(_) if limits.accept_damaged => (decode_into_array(bytes, &markers, false)?, true),
        other => (other?, false),
    };
    Ok(Decoded {
        pixels: Pixels::U8(samples),
        compression,
        damaged,
        raw: None,
    })
}

fn refuse_unread_variants(markers: &Markers) -> Result<(), Fault> {
    let what = match (markers.process, markers.precision, markers.components.len()) {
        (0..=2, 8, 1 | 3) if markers.rows > 0 => return Ok(()),
        (0..=2, 8, 1 | 3) => "a JPEG height given after the picture".into(),
        (0..=2, 8, 4) => "four-colour (CMYK) JPEG".into(),
        (0..=2, 8, n) => format!("JPEG with {n} components"),
        (0..=2, bits, _) => format!("{bits}-bit JPEG"),
        (9..=11 | 13..=15, ..) => "arithmetic-coded JPEG".into(),
        _ => "lossless or hierarchical JPEG".into(),
    };
    Err(Fault::unsupported(what))
}

/// Decodes directly into the buffer of the array.
fn decode_into_array(bytes: &[u8], markers: &Markers, strict: bool) -> Result<Array3<u8>, Fault> {
    let (rows, columns) = (usize::from(markers.rows), usize::from(markers.columns));
    let (space, channels) = match markers.components.len() {
        1 => (ColorSpace::Luma, 1),
        _ => (ColorSpace::RGB, 3),
    };
    if strict {
        refuse_impossible_size(bytes.len(), rows * columns)?;
    }
    let options = DecoderOptions::default()
        .set_strict_mode(strict)
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(space);
    // A reader of this type is used nowhere else, so the decoder is compiled for it here, optimised in full: `image`, which is optimised
    // less, has a copy for plain slices that would be taken.
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&bytes), options);
    decoder.decode_headers().map_err(damage)?;
    let wanted = rows * columns * channels;
    if decoder.dimensions() != Some((columns, rows)) || decoder.output_buffer_size() != Some(wanted)
    {
        return Err(Fault::damaged("two frame headers that differ"));
    }
    let mut samples = memory::zeroed(wanted)?;
    decoder.decode_into(&mut samples).map_err(damage)?;
    Array3::from_shape_vec((rows, columns, channels), samples).map_err(Fault::damaged)
}

/// Refuses sizes that the file cannot contain, so that a false size costs no memory: every block of 8 x 8 samples
/// takes at least one bit (its DC code).
fn refuse_impossible_size(bytes: usize, pixels: usize) -> Result<(), Fault> {
    if pixels / 64 > bytes.saturating_mul(8) {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    Ok(())
}

fn damage(error: zune_jpeg::errors::DecodeErrors) -> Fault {
    Fault::damaged(error.to_string())
}
