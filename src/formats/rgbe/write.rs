//! Writes Radiance RGBE pictures strip by strip.
use super::{LARGEST, power_of_two};
use ndarray::{ArrayView3, Axis, s};
use rayon::prelude::*;
use std::io::{self, Write};
use std::ops::Range;
use stopspan_core::raster::{Work, dispatch_simd};

/// Encodes one pixel: the smallest exponent that can represent the rounded largest channel, and mantissas rounded to
/// nearest.
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

/// Size and header text of a picture.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Head<'a> {
    /// Rows, columns, channels.
    pub shape: (usize, usize, usize),
    /// Name of the program.
    pub software: &'a str,
    /// CIE x, y of red, green, blue and white.
    pub primaries: Option<[f32; 8]>,
}

/// Writes linear R, G, B (or one channel, repeated) as a Radiance picture.
///
/// The format has no sign and 8-bit mantissas: negative values and NaN become 0, values above [`LARGEST`] become
/// [`LARGEST`], and each value is rounded to 1/256 of the power of two above the pixel's largest channel. `strip` is
/// called for a few rows at a time from several threads of the rayon pool, and returns them channel by channel. The
/// bytes do not depend on the number of threads.
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

/// As [`write_strips`], for a picture in memory.
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
        out.extend((0..width).flat_map(coded)); // the new coding cannot represent such widths
        return;
    }
    let mut planes = vec![0; 4 * width];
    if !dispatch_simd(Quick(row, &mut planes)) {
        for x in 0..width {
            for (k, value) in coded(x).into_iter().enumerate() {
                planes[k * width + x] = value;
            }
        }
    }
    out.extend([2, 2, (width >> 8) as u8, width as u8]);
    planes
        .chunks_exact(width)
        .for_each(|plane| run_lengths(plane, out));
}

/// Least maximum of a pixel's channels for which [`shared_exponent`] is exact in single precision.
const USUAL: f32 = f32::from_bits((127 - 118) << 23);

/// [`shared_exponent`] of a row of planes, in single precision and without branches. Returns false, with an invalid
/// result, if a pixel is darker than [`USUAL`] and not black.
struct Quick<'a>([&'a [f32]; 3], &'a mut [u8]);

impl Work for Quick<'_> {
    type Output = bool;

    #[inline(always)]
    fn call(self) -> bool {
        let Quick([r, g, b], planes) = self;
        let (red, rest) = planes.split_at_mut(r.len());
        let (green, rest) = rest.split_at_mut(r.len());
        let (blue, exponents) = rest.split_at_mut(r.len());
        let from = r.iter().zip(g).zip(b);
        let to = red.iter_mut().zip(green).zip(blue).zip(exponents);
        let mut unusual = false;
        for (((&r, &g), &b), (((red, green), blue), shared)) in from.zip(to) {
            let less = |a: f32, b: f32| if a < b { a } else { b };
            let more = |a: f32, b: f32| if a > b { a } else { b };
            let clean = [r, g, b].map(|v| less(more(v, 0.0), LARGEST));
            let largest = more(more(clean[0], clean[1]), clean[2]);
            unusual |= (largest < USUAL) & (largest != 0.0);
            // largest = f * 2^exponent with f in 0.5..1; powers of two by their bits
            let exponent = (largest.to_bits() >> 23) as i32 - 126;
            let power = |k: i32| f32::from_bits((127 + k).clamp(1, 254).cast_unsigned() << 23);
            let exponent = exponent + i32::from(largest * power(8 - exponent) >= 255.5);
            let unit = power(8 - exponent);
            let mantissa = |v: f32| {
                let scaled = v * unit;
                let whole = scaled as i32;
                // exact, where adding a half first might round
                (whole + i32::from(scaled - whole as f32 >= 0.5)) as u8
            };
            let lit = u8::from(largest != 0.0);
            [*red, *green, *blue] = clean.map(|v| mantissa(v) * lit);
            *shared = (exponent + 128) as u8 * lit;
        }
        !unusual
    }
}

/// Run-length codes: runs of 4 to 127 equal bytes as 128 + n, value; other bytes as n, bytes, with n at most 128.
fn run_lengths(plane: &[u8], out: &mut Vec<u8>) {
    let mut start = 0; // first byte not yet written
    while let Some(run) = next_run(plane, start) {
        let value = plane[run];
        let equal = plane[run..].iter().take(127).take_while(|&&v| v == value);
        let length = equal.count();
        literals(&plane[start..run], out);
        out.extend([128 + length as u8, value]);
        start = run + length;
    }
    literals(&plane[start..], out);
}

/// First index at or after `from` where four equal bytes start.
fn next_run(plane: &[u8], from: usize) -> Option<usize> {
    const MANY: usize = 32;
    let equal = |w: &[u8]| (w[0] == w[1]) & (w[1] == w[2]) & (w[2] == w[3]);
    let mut at = from;
    while let Some(piece) = plane.get(at..at + MANY + 3) {
        // as a whole first: noise has next to no runs
        if piece.windows(4).fold(false, |any, w| any | equal(w)) {
            break;
        }
        at += MANY;
    }
    let run = plane[at..].windows(4).position(equal)?;
    Some(at + run)
}

fn literals(bytes: &[u8], out: &mut Vec<u8>) {
    for piece in bytes.chunks(128) {
        out.push(piece.len() as u8);
        out.extend_from_slice(piece);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn same_as_one_by_one(row: [&[f32]; 3]) -> bool {
        let width = row[0].len();
        let mut planes = vec![7; 4 * width];
        let done = dispatch_simd(Quick(row, &mut planes));
        for x in 0..width {
            let pixel = row.map(|plane| plane[x]);
            let quick = [0, 1, 2, 3].map(|k| planes[k * width + x]);
            assert!(!done || quick == shared_exponent(pixel), "{pixel:?}");
        }
        done
    }

    #[test]
    fn rows_in_single_precision_are_those_of_one_by_one() {
        let mut usual: Vec<f32> = (9 << 23..=0x7f80_0000)
            .step_by(7919)
            .map(f32::from_bits)
            .collect();
        // half steps, values that round up to the next exponent, and values that are not light
        usual.extend((0..512).map(|i| (i as f32 + 0.5) / 256.0));
        usual.extend((0..512).map(|i| ((i as f32 + 0.5) / 256.0).next_down()));
        usual.extend([0.0, -0.0, -1.0, f32::NAN, f32::INFINITY, USUAL]);
        let times = |factor: f32| usual.iter().map(|v| v * factor).collect::<Vec<f32>>();
        let tiny = vec![1e-44; usual.len()];
        for [a, b] in [[1.0, 0.3], [0.499, 0.001], [0.0, 0.0]].map(|f| f.map(times)) {
            assert!(same_as_one_by_one([&usual, &a, &b]));
            assert!(same_as_one_by_one([&b, &a, &usual]));
            same_as_one_by_one([&b, &tiny, &usual]);
        }
        assert!(!same_as_one_by_one([&[0.5, 1e-37], &[0.0; 2], &[0.0; 2]]));
    }

    /// Runs found one by one, as the format's description defines them.
    fn slow_runs(plane: &[u8]) -> Vec<u8> {
        let (mut out, mut start, mut i) = (Vec::new(), 0, 0);
        while i < plane.len() {
            let equal = plane[i..].iter().take_while(|&&v| v == plane[i]).count();
            let run = equal.min(127);
            if run >= 4 {
                literals(&plane[start..i], &mut out);
                out.extend([128 + run as u8, plane[i]]);
                start = i + run;
            }
            i += run;
        }
        literals(&plane[start..], &mut out);
        out
    }

    proptest! {
        #[test]
        fn runs_are_those_told_one_by_one(runs in prop::collection::vec((0u8..4, 1usize..150), 0..20), noise in 0usize..300) {
            let varied = (0..noise).map(|i| (i * i % 251) as u8);
            let plane: Vec<u8> = varied.chain(runs.iter().flat_map(|&(v, n)| vec![v; n])).collect();
            let mut out = Vec::new();
            run_lengths(&plane, &mut out);
            prop_assert_eq!(out, slow_runs(&plane));
        }
    }
}
