//! Writes Radiance RGBE pictures strip by strip.
use super::{LARGEST, power_of_two};
use ndarray::{ArrayView3, Axis, s};
use rayon::prelude::*;
use std::io::{self, Write};
use std::ops::Range;

/// One pixel: the exponent is the smallest that holds the largest channel rounded, each mantissa the nearest.
pub(super) fn shared_exponent(pixel: [f32; 3]) -> [u8; 4] {
    let clean = pixel.map(|v| f64::from(if v > 0.0 { v.min(LARGEST) } else { 0.0 }));
    let largest = clean[0].max(clean[1]).max(clean[2]);
    if largest < power_of_two(-128) {
        return [0; 4]; // below the smallest exponent
    }
    // frexp: largest = f * 2^e with f in 0.5..1
    let mut exponent = ((largest.to_bits() >> 52) as i32) - 1022;
    if largest * power_of_two(8 - exponent) >= 255.5 {
        exponent += 1; // would round up to 256
    }
    let unit = power_of_two(8 - exponent);
    // Exact: a float's 24 bits and a half fit into 53.
    let [r, g, b] = clean.map(|v| (v * unit + 0.5) as u8);
    [r, g, b, (exponent + 128) as u8]
}

/// Size and text of a picture to be written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Head<'a> {
    /// Rows, columns, channels.
    pub shape: (usize, usize, usize),
    /// Name of the program.
    pub software: &'a str,
    /// CIE x, y of red, green, blue and white.
    pub primaries: Option<[f32; 8]>,
}

/// Writes linear R, G, B (or one channel, thrice) of any unit as a Radiance picture.
///
/// The format has no sign and 8 bits: negative values and values that are not numbers become 0, values above
/// [`LARGEST`] become it, and each value is rounded to 1/256 of the power of two above the pixel's largest channel.
/// `strip` is asked for a few rows at a time, from several threads of the rayon pool at once, and gives them channel by
/// channel. The bytes do not depend on the number of threads.
///
/// # Errors
/// Those of the sink, and `InvalidInput` for a picture without 1 or 3 channels, or strips that hold less than it.
pub fn write_strips(
    sink: &mut (impl Write + ?Sized),
    head: &Head,
    strip: impl Fn(Range<usize>) -> Vec<Vec<f32>> + Sync,
) -> io::Result<()> {
    const ROWS: usize = 16;
    let (rows, columns, channels) = head.shape;
    if !matches!(channels, 1 | 3) || rows == 0 || columns == 0 {
        return Err(io::ErrorKind::InvalidInput.into());
    }
    writeln!(sink, "#?RADIANCE")?;
    writeln!(
        sink,
        "SOFTWARE={}",
        head.software.replace(['\n', '\r'], " ")
    )?;
    if let Some(p) = head.primaries {
        let numbers: Vec<String> = p.iter().map(|v| format!("{v:.4}")).collect();
        writeln!(sink, "PRIMARIES={}", numbers.join(" "))?;
    }
    write!(sink, "FORMAT=32-bit_rle_rgbe\n\n-Y {rows} +X {columns}\n")?;
    let batch = 4 * ROWS * rayon::current_num_threads();
    let coded = |first: usize| {
        let range = first..rows.min(first + ROWS);
        let planes = strip(range.clone());
        let whole =
            planes.len() == channels && planes.iter().all(|p| p.len() == range.len() * columns);
        whole.then(|| {
            let lines = (0..range.len()).map(|row| row * columns..(row + 1) * columns);
            let three = |k: usize| &planes[k.min(channels - 1)];
            lines.fold(Vec::new(), |mut out, line| {
                scanline([0, 1, 2].map(|k| &three(k)[line.clone()]), &mut out);
                out
            })
        })
    };
    for first in (0..rows).step_by(batch) {
        let strips: Vec<usize> = (first..rows.min(first + batch)).step_by(ROWS).collect();
        let strips: Vec<Option<Vec<u8>>> = strips.into_par_iter().map(coded).collect();
        for lines in strips {
            sink.write_all(&lines.ok_or(io::ErrorKind::InvalidInput)?)?;
        }
    }
    Ok(())
}

/// The same of a picture that is whole in memory.
///
/// # Errors
/// As [`write_strips`].
pub fn write(
    sink: &mut (impl Write + ?Sized),
    radiance: ArrayView3<f32>,
    software: &str,
    primaries: Option<[f32; 8]>,
) -> io::Result<()> {
    let shape = radiance.dim();
    let head = Head {
        shape,
        software,
        primaries,
    };
    write_strips(sink, &head, |rows| {
        let strip = radiance.slice(s![rows, .., ..]);
        (0..shape.2)
            .map(|k| strip.index_axis(Axis(2), k).iter().copied().collect())
            .collect()
    })
}

fn scanline(row: [&[f32]; 3], out: &mut Vec<u8>) {
    let width = row[0].len();
    let coded = |x: usize| shared_exponent(row.map(|plane| plane[x]));
    if !(8..=0x7fff).contains(&width) {
        out.extend((0..width).flat_map(coded)); // the new coding cannot say such widths
        return;
    }
    let mut planes = vec![0; 4 * width];
    for x in 0..width {
        for (k, value) in coded(x).into_iter().enumerate() {
            planes[k * width + x] = value;
        }
    }
    out.extend([2, 2, (width >> 8) as u8, width as u8]);
    planes
        .chunks_exact(width)
        .for_each(|plane| run_lengths(plane, out));
}

/// Runs of 4 to 127 equal bytes as 128 + n, value; others as n, bytes, n at most 128.
fn run_lengths(plane: &[u8], out: &mut Vec<u8>) {
    let run_at = |i: usize| {
        plane[i..]
            .iter()
            .take(127)
            .take_while(|&&v| v == plane[i])
            .count()
    };
    let mut start = 0; // first byte not yet written
    let mut i = 0;
    while i < plane.len() {
        let run = run_at(i);
        if run < 4 {
            i += run;
            continue;
        }
        literals(&plane[start..i], out);
        out.extend([128 + run as u8, plane[i]]);
        i += run;
        start = i;
    }
    literals(&plane[start..], out);
}

fn literals(bytes: &[u8], out: &mut Vec<u8>) {
    for piece in bytes.chunks(128) {
        out.push(piece.len() as u8);
        out.extend_from_slice(piece);
    }
}
