//! Radiance RGBE pictures (Ward 1991): reading; writing is in `write`.
//!
//! Pixels are linear R, G, B with a shared exponent, run-length coded.
//!
//! On reading, mantissa m and exponent e give `m / 256 * 2^(e - 128)`. On writing the mantissa is rounded to the
//! nearest such value, so a round trip is unbiased; its error is at most 1/2 unit of the 8-bit mantissa of the
//! largest channel. (A channel below 1/512 of that power of two becomes 0, as the format defines.)
mod write;

use super::fault::Fault;
use super::memory;
use super::read::Decoded;
use ndarray::Array3;
use std::io::{BufRead, Read, Seek};
use stopspan_core::model::{Compression, Footprint, Header};
use stopspan_core::raster::Pixels;
use stopspan_core::units::Primaries;

pub use write::{Head, write, write_strips};

/// Largest value the format can represent: 255/256 * 2^127.
pub const LARGEST: f32 = f32::from_bits(0x7eff_0000);

/// Largest number of header lines that are read.
const HEADER_LINES: usize = 256;
/// Longest header line, bytes.
const LINE_BYTES: u64 = 4096;

/// Header: size, and the factor by which samples must be divided.
struct Preamble {
    columns: usize,
    rows: usize,
    exposure: f64,
    primaries: Option<Primaries>,
}

/// Size, from the text header.
pub(super) fn header(file: &mut (impl BufRead + Seek)) -> Result<Header, Fault> {
    let preamble = Preamble::read(file)?;
    Ok(Header {
        columns: preamble.columns,
        rows: preamble.rows,
        footprint: Footprint {
            samples: 12 * (preamble.rows as u64).saturating_mul(preamble.columns as u64),
            decoding: 0,
        },
        primaries: preamble.primaries,
        ..Header::default()
    })
}

/// Decodes new and old run-length coding and flat pixels. Samples are divided by the values of `EXPOSURE` lines, as
/// the format requires.
pub(super) fn decode(bytes: &[u8]) -> Result<Decoded, Fault> {
    let mut rest = bytes;
    let preamble = Preamble::read(&mut rest)?;
    let (rows, columns) = (preamble.rows, preamble.columns);
    // a run of 127 pixels takes two bytes in each of four planes
    if rows.saturating_mul(columns) / 127 / 256 > bytes.len() {
        return Err(Fault::damaged(
            "the file is too short for the size it claims",
        ));
    }
    let scale = (1.0 / preamble.exposure) as f32;
    let mut samples = memory::room(rows.saturating_mul(columns).saturating_mul(3))?;
    let mut line: Vec<[u8; 4]> = memory::zeroed(columns)?;
    for _ in 0..rows {
        read_scanline(&mut rest, &mut line)?;
        for pixel in &line {
            samples.extend(linear(*pixel).map(|v| v * scale));
        }
    }
    let array = Array3::from_shape_vec((rows, columns, 3), samples).map_err(Fault::damaged)?;
    Ok(Decoded {
        pixels: Pixels::F32(array),
        compression: Compression::Lossless,
        damaged: false,
        raw: None,
    })
}

impl Preamble {
    fn read(file: &mut impl BufRead) -> Result<Self, Fault> {
        let magic = read_line(file)?;
        if !magic.starts_with("#?") {
            return Err(Fault::damaged(
                "the first line is not that of a Radiance picture",
            ));
        }
        let (mut exposure, mut primaries) = (1.0, None);
        for _ in 0..HEADER_LINES {
            let line = read_line(file)?;
            if line.is_empty() {
                return Ok(Preamble {
                    primaries,
                    ..Self::with_size(&read_line(file)?, exposure)?
                });
            }
            if let Some(kind) = line.strip_prefix("FORMAT=")
                && kind.trim() != "32-bit_rle_rgbe"
            {
                return Err(Fault::unsupported(format!(
                    "Radiance format {}",
                    kind.trim()
                )));
            }
            if let Some(number) = line.strip_prefix("EXPOSURE=") {
                let factor: f64 = number.trim().parse().map_err(Fault::damaged)?;
                exposure *= factor; // several lines multiply
            }
            if let Some(numbers) = line.strip_prefix("PRIMARIES=") {
                let xy: Vec<f64> = numbers.split_whitespace().flat_map(str::parse).collect();
                primaries = xy.try_into().ok().and_then(Primaries::new);
            }
        }
        Err(Fault::damaged("a header without an end"))
    }

    fn with_size(line: &str, exposure: f64) -> Result<Self, Fault> {
        if !(exposure.is_finite() && exposure > 0.0) {
            return Err(Fault::damaged("an EXPOSURE that is not positive"));
        }
        let words: Vec<&str> = line.split_whitespace().collect();
        match words[..] {
            ["-Y", rows, "+X", columns] => Ok(Preamble {
                columns: columns.parse().map_err(Fault::damaged)?,
                rows: rows.parse().map_err(Fault::damaged)?,
                exposure,
                primaries: None,
            }),
            [_, _, _, _] => Err(Fault::unsupported("a turned or mirrored Radiance picture")),
            _ => Err(Fault::damaged("a header without a size")),
        }
    }
}

fn read_line(file: &mut impl BufRead) -> Result<String, Fault> {
    let mut line = Vec::new();
    file.take(LINE_BYTES).read_until(b'\n', &mut line)?;
    if line.pop() != Some(b'\n') {
        return Err(Fault::damaged("a header that is cut short"));
    }
    Ok(String::from_utf8_lossy(&line).trim_end().to_owned())
}

fn read_scanline(rest: &mut &[u8], line: &mut [[u8; 4]]) -> Result<(), Fault> {
    let width = line.len();
    let marked = rest.len() >= 4 && rest[0] == 2 && rest[1] == 2 && rest[2] & 0x80 == 0;
    if !(8..=0x7fff).contains(&width) || !marked {
        return read_flat(rest, line);
    }
    let claimed = usize::from(u16::from_be_bytes([rest[2], rest[3]]));
    if claimed != width {
        return Err(Fault::damaged("a scan line of another width"));
    }
    *rest = &rest[4..];
    for plane in 0..4 {
        let mut column = 0;
        while column < width {
            let [code] = take(rest)?;
            let run = code > 128;
            let count = usize::from(if run { code - 128 } else { code });
            if count == 0 || column + count > width {
                return Err(Fault::damaged("a run beyond the scan line"));
            }
            let repeated: [u8; 1] = if run { take(rest)? } else { [0] };
            for pixel in &mut line[column..column + count] {
                let [value] = if run { repeated } else { take(rest)? };
                pixel[plane] = value;
            }
            column += count;
        }
    }
    Ok(())
}

/// Decodes flat pixels and the old run-length coding: 1, 1, 1, n repeats the previous pixel; consecutive repeats are
/// digits in base 256.
fn read_flat(rest: &mut &[u8], line: &mut [[u8; 4]]) -> Result<(), Fault> {
    let (mut column, mut shift) = (0, 0u32);
    while column < line.len() {
        let pixel: [u8; 4] = take(rest)?;
        if pixel[..3] != [1, 1, 1] {
            line[column] = pixel;
            (column, shift) = (column + 1, 0);
            continue;
        }
        let count = usize::from(pixel[3])
            .checked_shl(shift)
            .unwrap_or(usize::MAX);
        if column == 0 || shift > 24 || count > line.len() - column {
            return Err(Fault::damaged("a run beyond the scan line"));
        }
        let before = line[column - 1];
        line[column..column + count].fill(before);
        (column, shift) = (column + count, shift + 8);
    }
    Ok(())
}

fn take<const N: usize>(rest: &mut &[u8]) -> Result<[u8; N], Fault> {
    let (head, tail) = rest
        .split_first_chunk::<N>()
        .ok_or(Fault::damaged("the file ends before its picture"))?;
    *rest = tail;
    Ok(*head)
}

/// `m * 2^(e - 136)`; exponent 0 is black.
fn linear([r, g, b, e]: [u8; 4]) -> [f32; 3] {
    if e == 0 {
        return [0.0; 3];
    }
    let unit = power_of_two(i32::from(e) - 136);
    [r, g, b].map(|m| (f64::from(m) * unit) as f32)
}

/// Exact for -1022..=1023.
fn power_of_two(exponent: i32) -> f64 {
    f64::from_bits(((1023 + exponent) as u64) << 52)
}

#[cfg(test)]
mod tests {
    use super::write::shared_exponent;
    use super::*;

    /// Bytes by the C function `setcolr` of the Radiance picture format page, worked by hand: 1.0 = 0.5 * 2^1, so
    /// exponent 129 and mantissa 128.
    #[test]
    fn known_colours_get_the_bytes_of_the_format() {
        assert_eq!(shared_exponent([1.0, 1.0, 1.0]), [128, 128, 128, 129]);
        assert_eq!(shared_exponent([0.5, 0.25, 0.0]), [128, 64, 0, 128]);
        assert_eq!(shared_exponent([0.0; 3]), [0; 4]);
        assert_eq!(shared_exponent([-1.0, f32::NAN, 0.0]), [0; 4]);
        assert_eq!(shared_exponent([f32::INFINITY, 0.0, 0.0]), [255, 0, 0, 255]);
        assert_eq!(linear([255, 0, 0, 255])[0], LARGEST);
        // 0.9999 rounds up to 256/256 and so takes the next exponent
        assert_eq!(shared_exponent([0.9999, 0.0, 0.0]), [128, 0, 0, 129]);
    }

    #[test]
    fn every_value_comes_back_to_half_a_unit_and_without_bias() {
        let (mut sum, mut count) = (0.0, 0);
        let mut value = 1e-37f32;
        while value < 1e38 {
            let bytes = shared_exponent([value, value * 0.3, value * 0.07]);
            let unit = power_of_two(i32::from(bytes[3]) - 136);
            for (back, true_value) in linear(bytes).iter().zip([value, value * 0.3, value * 0.07]) {
                let off = f64::from(*back) - f64::from(true_value);
                assert!(off.abs() <= unit * 0.500_001, "{true_value} {back}");
                sum += off / unit;
                count += 1;
            }
            value *= 1.0037;
        }
        assert!(
            (sum / f64::from(count)).abs() < 0.01,
            "{}",
            sum / f64::from(count)
        );
    }

    #[test]
    fn exposure_lines_are_divided_out_and_old_runs_read() {
        let mut file = b"#?RGBE\nEXPOSURE=2\n# a remark\nEXPOSURE=0.25\n\n-Y 1 +X 5\n".to_vec();
        file.extend([128, 64, 32, 129, 1, 1, 1, 4]);
        let decoded = decode(&file).unwrap();
        let Pixels::F32(samples) = decoded.pixels else {
            panic!("not float")
        };
        assert_eq!(samples.dim(), (1, 5, 3));
        for pixel in samples.outer_iter().next().unwrap().outer_iter() {
            assert_eq!(pixel.to_vec(), [2.0, 1.0, 0.5]);
        }
    }

    #[test]
    fn one_channel_and_narrow_pictures_are_written_too() {
        for (rows, columns, channels) in [(1, 1, 1), (3, 7, 3), (2, 8, 1), (5, 300, 3)] {
            let picture = Array3::from_shape_fn((rows, columns, channels), |(r, c, k)| {
                ((r + 1) * (c / 10 + 1)) as f32 / (k + 1) as f32
            });
            let mut file = Vec::new();
            write(&mut file, picture.view(), "a\nb", Some([0.3; 8])).unwrap();
            let Pixels::F32(back) = decode(&file).unwrap().pixels else {
                panic!("not float")
            };
            assert_eq!(back.dim(), (rows, columns, 3));
            for ((r, c, k), &v) in back.indexed_iter() {
                let wanted = picture[[r, c, k.min(channels - 1)]];
                assert!(
                    (v - wanted).abs() <= picture[[r, c, 0]] / 255.0,
                    "{v} {wanted}"
                );
            }
        }
    }
}
