//! Clip and floor levels of a bracket, estimated from the pixels of all frames.
//!
//! The clip level is full scale unless the frames show an accumulation of pixels at a lower code. Saturated pixels
//! share one code although their codes differ in the next darker frame; pixels of a flat bright area share one code
//! there as well.
use super::{lasting_floor, raw_levels};
use ndarray::{ArrayView3, Axis, s};
use rayon::prelude::*;
use stopspan_core::model::Clip;
use stopspan_core::model::Compression;
use stopspan_core::model::raw_of;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::Pixels;

/// Approximate number of pixels examined in a frame.
const SAMPLED_PIXELS: usize = 1 << 19;
/// Least share of the examined pixels at an accumulation ...
const PILE_SHARE: f64 = 5e-4;
/// ... and least ratio to the number at a code below it.
const PILE_CONTRAST: f64 = 8.0;
/// Least range (middle 80 %) of the darker frame's codes for saturated pixels, as a fraction of the clip code.
const DARKER_SPREAD: f64 = 0.05;
/// JPEG rounding in flat areas displaces clipped samples by up to this many 8-bit codes (judgement). Ringing at edges
/// displaces single samples further; the merge excludes those by their predicted level, not by their own.
const RINGING: f64 = 1.0;

/// Clip and floor level of every channel, from histograms of evenly spaced rows of all frames. For raw frames
/// (mosaics must be split into planes) the levels are those of the file unless the pixels contradict them.
pub fn clip_levels(bracket: &Bracket) -> Vec<Clip> {
    if let Some(raw) = raw_of(bracket) {
        return raw_levels::clips(bracket, raw);
    }
    let channels = bracket
        .frames
        .first()
        .map_or(0, |f| f.picture.pixels.channels());
    let jpeg = bracket
        .frames
        .iter()
        .any(|f| matches!(f.picture.compression, Compression::Jpeg { .. }));
    let counts: Vec<Vec<Counts>> = bracket.frames.par_iter().map(count).collect();
    (0..channels)
        .map(|channel| {
            let frames: Vec<&Counts> = counts.iter().filter_map(|c| c.get(channel)).collect();
            clip_of(bracket, channel, &frames, jpeg)
        })
        .collect()
}

/// Histogram of one channel of one frame: by code for integer samples, extremes only for float samples.
pub(super) struct Counts {
    /// Number of examined samples at each code; empty for float samples.
    pub codes: Vec<u32>,
    largest: f64,
    smallest: f64,
}

impl Counts {
    pub(super) fn new(codes: usize) -> Self {
        Counts {
            codes: vec![0; codes],
            largest: f64::NEG_INFINITY,
            smallest: f64::INFINITY,
        }
    }

    fn total(&self) -> f64 {
        self.codes.iter().map(|c| f64::from(*c)).sum()
    }
}

/// Distance between examined rows.
fn stride(pixels: &Pixels) -> usize {
    (pixels.rows() * pixels.columns())
        .div_ceil(SAMPLED_PIXELS)
        .max(1)
}

/// Histograms of the part of the frame that shows the scene.
fn count(frame: &Frame) -> Vec<Counts> {
    let pixels = &frame.picture.pixels;
    let step = stride(pixels);
    let (rows, columns) = match frame.covered {
        Some(inner) => (inner.rows(), inner.columns()),
        None => (0..pixels.rows(), 0..pixels.columns()),
    };
    let part = s![rows, columns, ..];
    match pixels {
        Pixels::U8(a) if a.dim().2 == 3 => count_bytes(a.slice(part), step),
        Pixels::U8(a) => count_codes(a.slice(part), step, 256, usize::from),
        Pixels::U16(a) => count_codes(a.slice(part), step, 65536, usize::from),
        Pixels::F32(a) => {
            let a = a.slice(part);
            let mut counts: Vec<Counts> = (0..a.dim().2).map(|_| Counts::new(0)).collect();
            for row in a.axis_iter(Axis(0)).step_by(step) {
                for pixel in row.axis_iter(Axis(0)) {
                    for (channel, &value) in counts.iter_mut().zip(pixel) {
                        channel.largest = channel.largest.max(f64::from(value));
                        channel.smallest = channel.smallest.min(f64::from(value));
                    }
                }
            }
            counts
        }
    }
}

/// Histograms of 8-bit frames of three channels. Adjacent pixels have separate counters, so that runs of one code do
/// not wait for each other.
fn count_bytes(samples: ArrayView3<u8>, step: usize) -> Vec<Counts> {
    let mut counts = [[[0u32; 256]; 3]; 2];
    for row in samples.axis_iter(Axis(0)).step_by(step) {
        let pixels = row.to_slice().unwrap_or_default().as_chunks::<3>().0;
        for (i, pixel) in pixels.iter().enumerate() {
            for (channel, &code) in counts[i % 2].iter_mut().zip(pixel) {
                channel[usize::from(code)] += 1;
            }
        }
    }
    let [even, odd] = counts;
    let both = even.into_iter().zip(odd);
    both.map(|(a, b)| {
        let mut counts = Counts::new(0);
        counts.codes = a.iter().zip(b).map(|(a, b)| a + b).collect();
        counts
    })
    .collect()
}

fn count_codes<T: Copy>(
    samples: ArrayView3<T>,
    step: usize,
    codes: usize,
    code: fn(T) -> usize,
) -> Vec<Counts> {
    let channels = samples.dim().2;
    let mut counts: Vec<Counts> = (0..channels).map(|_| Counts::new(codes)).collect();
    for row in samples.axis_iter(Axis(0)).step_by(step) {
        if let Some(row) = row.as_slice() {
            for pixel in row.chunks_exact(channels) {
                for (channel, &value) in counts.iter_mut().zip(pixel) {
                    channel.codes[code(value)] += 1;
                }
            }
        }
    }
    counts
}

fn clip_of(bracket: &Bracket, channel: usize, frames: &[&Counts], jpeg: bool) -> Clip {
    let codes = frames.first().map_or(0, |f| f.codes.len());
    if codes == 0 {
        return float_clip(frames);
    }
    let full = (codes - 1) as f64;
    let guard = if jpeg { RINGING } else { 0.0 };
    let top = (0..frames.len())
        .rev()
        .find_map(|f| pile(frames[f], false).filter(|&c| saturates(bracket, channel, f, c)))
        .unwrap_or(codes - 1);
    let bottom = (0..frames.len())
        .find_map(|f| pile(frames[f], true).filter(|&c| crushes(bracket, channel, f, c)))
        .unwrap_or(0);
    let stops: Vec<f64> = bracket
        .frames
        .iter()
        .map(|f| f.exposure.stated.value)
        .collect();
    let bottom = bottom as f64 / full;
    // A pile names its code exactly; what lasts a little above it is its noise, which the margin of every frame covers.
    let lasting = lasting_floor::find(frames, &stops).filter(|&l| l > bottom + 2.0 / 255.0);
    Clip {
        clip_level: (top as f64 - guard) / full,
        floor_level: lasting.unwrap_or(bottom),
    }
}

/// Float samples are linear. They clip where several frames of different exposure share their largest value;
/// otherwise they are taken not to clip.
fn float_clip(frames: &[&Counts]) -> Clip {
    let mut largest: Vec<f64> = frames.iter().map(|f| f.largest).collect();
    largest.sort_by(f64::total_cmp);
    let top = largest.last().copied().unwrap_or(1.0);
    let shared = largest.len() >= 2 && largest[largest.len() - 2] == top;
    Clip {
        clip_level: if shared && top > 0.0 {
            top
        } else {
            top.max(1.0)
        },
        floor_level: frames.iter().map(|f| f.smallest).fold(0.0, f64::min),
    }
}

/// The code near the end of the histogram (upper, or lower if `low`) where samples accumulate: many more than at
/// codes further in, and hardly any further out. `None` if there is none in the outer quarter; that of 16-bit codes begins
/// with the largest code in use.
fn pile(counts: &Counts, low: bool) -> Option<usize> {
    let codes = counts.codes.len();
    let at = |outward: usize| {
        let code = if low { outward } else { codes - 1 - outward };
        f64::from(counts.codes[code])
    };
    let total = counts.total();
    // Samples of fewer bits in 16 end at any code: there the outermost code of all counts as the end of the scale.
    let padded = codes > 256 && !low;
    let empty = (0..codes).take_while(|&outward| padded && at(outward) == 0.0);
    let first = empty.count().min(codes - 1);
    let scale = codes - first;
    let (near, far) = (4, 4 + scale / 16);
    let mut beyond = 0.0;
    for outward in first..first + scale / 4 {
        let here = at(outward);
        if here >= PILE_SHARE * total && here >= 2.0 * beyond && {
            let inward = (outward + near..(outward + far).min(codes)).map(at);
            here >= PILE_CONTRAST * inward.sum::<f64>() / (far - near) as f64
        } {
            return Some(if low { outward } else { codes - 1 - outward });
        }
        beyond += here;
    }
    None
}

/// True for full scale, or if the pixels at `code` have a range of codes in the next darker frame.
fn saturates(bracket: &Bracket, channel: usize, frame: usize, code: usize) -> bool {
    let full = bracket.frames[frame].picture.pixels.full_scale() as usize;
    code == full || (frame > 0 && spread(bracket, channel, frame, frame - 1, code))
}

/// True for 0, or if the pixels at `code` have a range of codes in the next brighter frame.
fn crushes(bracket: &Bracket, channel: usize, frame: usize, code: usize) -> bool {
    code == 0
        || (frame + 1 < bracket.frames.len() && spread(bracket, channel, frame, frame + 1, code))
}

/// True if the pixels of `frame` at `code` have a wide range of codes in the frame `other`.
fn spread(bracket: &Bracket, channel: usize, frame: usize, other: usize, code: usize) -> bool {
    let (here, there) = (
        &bracket.frames[frame].picture.pixels,
        &bracket.frames[other].picture.pixels,
    );
    if here.dim() != there.dim() {
        return false;
    }
    let full = here.full_scale();
    let level = |p: &Pixels, r, c| (f64::from(p.level(r, c, channel)) * full).round();
    let mut seen: Vec<f64> = Vec::new();
    for row in (0..here.rows()).step_by(stride(here)) {
        for column in 0..here.columns() {
            if level(here, row, column) == code as f64 {
                seen.push(level(there, row, column));
            }
        }
    }
    seen.sort_by(f64::total_cmp);
    let scale = if other < frame { code as f64 } else { full };
    let at = |share: f64| seen.get((share * (seen.len().saturating_sub(1)) as f64) as usize);
    match (at(0.1), at(0.9)) {
        (Some(low), Some(high)) => high - low >= DARKER_SPREAD * scale,
        _ => false,
    }
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::bracket_of;
    use super::*;
    use ndarray::Array3;

    /// A linear ramp of 400 x 300 pixels at exposures 1, 2, 4, encoded with `encode`.
    fn ramp(encode: impl Fn(f64) -> u8) -> Vec<Clip> {
        let frames = [1.0, 2.0, 4.0].map(|k| {
            Pixels::U8(Array3::from_shape_fn((300, 400, 3), |(r, c, _)| {
                let light = 0.002 + 0.5 * ((c as f64 + r as f64 / 300.0) / 400.0).powi(2);
                encode(k * light)
            }))
        });
        clip_levels(&bracket_of(
            &frames,
            &[0.0, 1.0, 2.0],
            Compression::Lossless,
        ))
    }

    #[test]
    fn full_scale_where_pixels_pile_up_there() {
        for clip in ramp(|x| (255.0 * x.min(1.0).powf(0.45)).round() as u8) {
            assert_eq!(
                clip,
                Clip {
                    clip_level: 1.0,
                    floor_level: 0.0
                }
            );
        }
    }

    #[test]
    fn video_range_is_found() {
        for clip in
            ramp(|x| (16.0 + 219.0 * ((x - 0.01).max(0.0) * 1.2).min(1.0).powf(0.45)).round() as u8)
        {
            assert_eq!(clip.clip_level, 235.0 / 255.0);
            assert_eq!(clip.floor_level, 16.0 / 255.0);
        }
    }

    #[test]
    fn nothing_clipped_means_full_scale() {
        for clip in ramp(|x| (200.0 * (x / 2.0).min(1.0).powf(0.45) + 20.0).round() as u8) {
            assert_eq!(clip.clip_level, 1.0);
        }
    }

    #[test]
    fn a_flat_bright_patch_is_no_clipping() {
        let frames = [1.0, 2.0].map(|k: f64| {
            Pixels::U8(Array3::from_shape_fn((200, 200, 1), |(r, c, _)| {
                let light = if r < 60 { 0.4 } else { 0.3 * c as f64 / 200.0 };
                (255.0 * (k * light).powf(0.45)) as u8
            }))
        });
        let clips = clip_levels(&bracket_of(&frames, &[0.0, 1.0], Compression::Lossless));
        assert_eq!(clips[0].clip_level, 1.0);
    }

    #[test]
    fn a_sensor_that_saturates_below_full_scale() {
        let frames = [1.0, 4.0].map(|k: f64| {
            Pixels::U16(Array3::from_shape_fn((300, 400, 1), |(r, c, _)| {
                let light = (c * 300 + r) as f64 / 120_000.0 * 0.6;
                4 * ((k * light).min(1.0) * 15_000.0).round() as u16
            }))
        });
        let clips = clip_levels(&bracket_of(&frames, &[0.0, 2.0], Compression::Lossless));
        assert_eq!(clips[0].clip_level, 60_000.0 / 65_535.0);
        assert_eq!(clips[0].floor_level, 0.0);
    }

    /// Samples of 12 bits that a program put into 16 end at 4095, or wherever its scale ended; the range above stays empty.
    #[test]
    fn padded_samples_clip_where_they_end() {
        for top in [4095.0, 3967.0, 16_383.0] {
            let frames = [1.0, 4.0].map(|k: f64| {
                Pixels::U16(Array3::from_shape_fn((300, 400, 1), |(r, c, _)| {
                    let light = (c * 300 + r) as f64 / 120_000.0 * 0.6;
                    ((k * light).min(1.0) * top).round() as u16
                }))
            });
            let clips = clip_levels(&bracket_of(&frames, &[0.0, 2.0], Compression::Lossless));
            assert_eq!(clips[0].clip_level, top / 65_535.0);
        }
    }
}
