//! Writes PNG, 8 and 16-bit grey and RGB, in stripes that are filtered and deflated in parallel.
use crate::deflate::{Joint, Stripe, zlib};
use ndarray::ArrayView3;
use rayon::prelude::*;
use std::io::{self, Write};
use std::ops::Range;

/// Rows in a stripe.
const STRIPE: usize = 64;
/// Filter type of the Paeth filter.
const PAETH: u8 = 4;

/// Mastering display (SMPTE ST 2086) and content light level (CTA-861.3).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mastering {
    /// CIE 1931 x, y of red, green, blue and white.
    pub primaries: [f64; 8],
    /// Minimum and maximum luminance of the display, cd/m^2.
    pub luminance: (f64, f64),
    /// Maximum content light level: the largest channel of any pixel, cd/m^2.
    pub content: f64,
    /// Average light level: mean over the picture of each pixel's largest channel, cd/m^2.
    pub average: f64,
}

/// Optional chunks.
#[derive(Debug, Clone, Copy, Default)]
pub struct Extras<'a> {
    /// ICC profile (iCCP).
    pub icc: Option<&'a [u8]>,
    /// EXIF block (eXIf).
    pub exif: Option<&'a [u8]>,
    /// Code points of ITU-T H.273 (cICP): primaries and transfer characteristics, for full-range RGB.
    pub code_points: Option<(u8, u8)>,
    /// Mastering display and content light level (mDCV, cLLI).
    pub mastering: Option<Mastering>,
}

/// Encodes 8-bit samples (1 or 3 channels), with an ICC profile if given. The bytes do not depend on the number of
/// threads.
///
/// # Errors
/// `InvalidInput` for an empty picture, other channel counts or sides beyond 2^31.
pub fn encode8(samples: ArrayView3<u8>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    encode8_with(
        samples,
        &Extras {
            icc,
            ..Extras::default()
        },
    )
}

/// As [`encode8`], for 16-bit samples.
///
/// # Errors
/// As [`encode8`].
pub fn encode16(samples: ArrayView3<u16>, icc: Option<&[u8]>) -> io::Result<Vec<u8>> {
    let extras = Extras {
        icc,
        ..Extras::default()
    };
    let mut out = Vec::new();
    write16(&mut out, samples, &extras).map(|()| out)
}

/// As [`encode8`], with optional chunks.
///
/// # Errors
/// As [`encode8`].
pub fn encode8_with(samples: ArrayView3<u8>, extras: &Extras) -> io::Result<Vec<u8>> {
    let mut out = Vec::new();
    write(&mut out, samples, 8, as_they_are, extras).map(|()| out)
}

/// As [`encode16`], with optional chunks, written to a sink progressively.
///
/// # Errors
/// As [`encode8`], and those of the sink.
pub fn write16(
    sink: &mut (impl Write + ?Sized),
    samples: ArrayView3<u16>,
    extras: &Extras,
) -> io::Result<()> {
    write(sink, samples, 16, big_endian, extras)
}

/// Converts samples to the byte order of the format.
type Bytes<T> = fn(&[T], &mut [u8]);

fn as_they_are(from: &[u8], to: &mut [u8]) {
    to.copy_from_slice(from);
}

fn big_endian(from: &[u16], to: &mut [u8]) {
    for (pair, value) in to.as_chunks_mut::<2>().0.iter_mut().zip(from) {
        *pair = value.to_be_bytes();
    }
}

fn write<T: Copy + Sync>(
    sink: &mut (impl Write + ?Sized),
    samples: ArrayView3<T>,
    bits: u8,
    to_bytes: Bytes<T>,
    extras: &Extras,
) -> io::Result<()> {
    let (rows, columns, channels) = samples.dim();
    let kind = match channels {
        1 => 0,
        3 => 2,
        _ => return Err(invalid("neither 1 nor 3 channels")),
    };
    let side = |n: usize| u32::try_from(n).ok().filter(|n| (1..1 << 31).contains(n));
    let (Some(width), Some(height)) = (side(columns), side(rows)) else {
        return Err(invalid("a side that PNG cannot hold"));
    };
    let samples = samples.as_standard_layout();
    let data = samples.as_slice().ok_or(invalid("samples not in order"))?;
    let pixel = channels * usize::from(bits) / 8;
    let code = if bits == 16 {
        Stripe::of_noise
    } else {
        Stripe::of
    };
    let coded = |stripe: usize| {
        let first = stripe * STRIPE;
        let these = first..rows.min(first + STRIPE);
        let last = these.end == rows;
        let row = |r: usize, to: &mut [u8]| {
            to_bytes(&data[r * columns * channels..][..columns * channels], to);
        };
        code(&filtered(these, columns * pixel, pixel, row), last)
    };
    sink.write_all(b"\x89PNG\r\n\x1a\n")?;
    let rest = [bits, kind, 0, 0, 0];
    let head = [&width.to_be_bytes()[..], &height.to_be_bytes(), &rest].concat();
    chunk(sink, b"IHDR", &head)?;
    beside(sink, extras)?;
    let count = rows.div_ceil(STRIPE);
    let mut joint = Joint::default();
    let at_once = 4 * rayon::current_num_threads();
    for first in (0..count).step_by(at_once) {
        let these = first..count.min(first + at_once);
        let stripes: Vec<Stripe> = these.clone().into_par_iter().map(coded).collect();
        for (index, stripe) in these.zip(stripes) {
            chunk(sink, b"IDAT", &joint.part(stripe, index + 1 == count))?;
        }
    }
    chunk(sink, b"IEND", &[])
}

/// Filtered rows, each preceded by its filter type. The row above the first is taken into account.
fn filtered(
    rows: Range<usize>,
    line: usize,
    pixel: usize,
    row: impl Fn(usize, &mut [u8]),
) -> Vec<u8> {
    let mut out = vec![0; rows.len() * (line + 1)];
    let (mut before, mut here) = (vec![0; pixel + line], vec![0; pixel + line]);
    if rows.start > 0 {
        row(rows.start - 1, &mut before[pixel..]);
    }
    for (r, out) in rows.zip(out.chunks_exact_mut(line + 1)) {
        row(r, &mut here[pixel..]);
        out[0] = PAETH;
        paeth(&here, &before, pixel, &mut out[1..]);
        std::mem::swap(&mut here, &mut before);
    }
    out
}

/// Writes the chunks that must precede the samples.
fn beside(sink: &mut (impl Write + ?Sized), extras: &Extras) -> io::Result<()> {
    if let Some((primaries, transfer)) = extras.code_points {
        chunk(sink, b"cICP", &[primaries, transfer, 0, 1])?;
    }
    if let Some(m) = extras.mastering {
        let place = |v: f64| ((v / 0.00002).round().clamp(0.0, 65535.0) as u16).to_be_bytes();
        let light =
            |v: f64| ((v / 0.0001).round().clamp(0.0, f64::from(u32::MAX)) as u32).to_be_bytes();
        let mut display: Vec<u8> = m.primaries.iter().flat_map(|&v| place(v)).collect();
        display.extend(light(m.luminance.1));
        display.extend(light(m.luminance.0));
        chunk(sink, b"mDCV", &display)?;
        chunk(
            sink,
            b"cLLI",
            &[light(m.content), light(m.average)].concat(),
        )?;
    }
    if let Some(icc) = extras.icc {
        let packed = zlib(icc);
        chunk(sink, b"iCCP", &[b"profile\0\0", packed.as_slice()].concat())?;
    }
    extras
        .exif
        .map_or(Ok(()), |block| chunk(sink, b"eXIf", block))
}

fn chunk(sink: &mut (impl Write + ?Sized), name: &[u8; 4], data: &[u8]) -> io::Result<()> {
    let length = u32::try_from(data.len()).ok().filter(|&n| n < 1 << 31);
    let length = length.ok_or(invalid("a chunk beyond 2 GiB"))?;
    let mut sum = crc32fast::Hasher::new();
    sum.update(name);
    sum.update(data);
    sink.write_all(&length.to_be_bytes())?;
    sink.write_all(name)?;
    sink.write_all(data)?;
    sink.write_all(&sum.finalize().to_be_bytes())
}

/// The Paeth filter (PNG, 9.4). Both rows are preceded by one pixel of zeros.
fn paeth(here: &[u8], before: &[u8], pixel: usize, out: &mut [u8]) {
    let left = &here[..here.len() - pixel];
    let up = &before[pixel..];
    let corner = &before[..before.len() - pixel];
    let rows = here[pixel..].iter().zip(left).zip(up.iter().zip(corner));
    for (out, ((&x, &a), (&b, &c))) in out.iter_mut().zip(rows) {
        let (a, b, c) = (i16::from(a), i16::from(b), i16::from(c));
        let (to_a, to_b, to_c) = ((b - c).abs(), (a - c).abs(), (a + b - 2 * c).abs());
        let ab = if to_a <= to_b { a } else { b };
        let guess = if to_a.min(to_b) <= to_c { ab } else { c };
        *out = x.wrapping_sub(guess as u8);
    }
}

fn invalid(what: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, what)
}
