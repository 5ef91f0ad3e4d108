//! Linear input: what a file says about itself, and what the pixels of a bracket say.
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;
use stopspan_core::model::Clip;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::raster::Pixels;

/// Pixels compared in a pair of frames, at most about this many.
const COMPARED_PIXELS: usize = 1 << 18;
/// A bin needs this many pixels to say anything.
const BIN_PIXELS: usize = 200;
/// Linear levels keep the stated ratio within this share, over ...
const RATIO_TOLERANCE: f64 = 0.04;
/// ... and this many 8-bit codes, over ...
const ROUNDING_CODES: f64 = 0.25;
/// ... at least this many stops of level (one bin a stop).
const SPAN_STOPS: usize = 3;
/// A black offset may be this large, fraction of full scale.
const MOST_OFFSET: f64 = 0.15;

/// Evidence in the file alone that its samples are linear: raw samples, float samples, or a colour profile whose tone curves are
/// straight lines. `None` says nothing about 16-bit files without a profile: raw converters write those linear or not,
/// and only [`looks_linear`] can tell.
pub fn linear_evidence(frame: &Frame) -> Option<String> {
    if frame.picture.raw.is_some() {
        return Some("raw samples".to_owned());
    }
    if matches!(frame.picture.pixels, Pixels::F32(_)) {
        return Some("float samples, linear by convention".to_owned());
    }
    let profile = frame.picture.header.icc_profile.as_deref()?;
    straight_curves(profile).then(|| "its colour profile has straight tone curves".to_owned())
}

/// True if every tone curve (rTRC, gTRC, bTRC or kTRC) of an ICC profile is the identity (ICC.1: curveType of no entries,
/// or of one entry 1.0 as u8Fixed8; parametricCurveType 0 with g = 1).
fn straight_curves(profile: &[u8]) -> bool {
    let number = |at: usize| -> Option<usize> {
        let bytes = profile.get(at..at.checked_add(4)?)?;
        Some(u32::from_be_bytes(bytes.try_into().ok()?) as usize)
    };
    let Some(count) = number(128) else {
        return false;
    };
    let mut curves = 0;
    for entry in 0..count.min(100) {
        let at = 132 + 12 * entry;
        let name = profile.get(at..at + 4);
        if !matches!(name, Some(b"rTRC" | b"gTRC" | b"bTRC" | b"kTRC")) {
            continue;
        }
        let straight = number(at + 4).and_then(|offset| straight_curve(profile.get(offset..)?));
        if straight != Some(true) {
            return false;
        }
        curves += 1;
    }
    curves > 0
}

fn straight_curve(curve: &[u8]) -> Option<bool> {
    match curve.get(..4)? {
        b"curv" => Some(match curve.get(8..12)? {
            [0, 0, 0, 0] => true,
            [0, 0, 0, 1] => curve.get(12..14)? == [1, 0],
            _ => false,
        }),
        b"para" => Some(curve.get(8..10)? == [0, 0] && curve.get(12..16)? == [0, 1, 0, 0]),
        _ => Some(false),
    }
}

/// The levels of neighbouring frames against their stated exposure ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinearTest {
    /// True if the levels above one black offset keep the stated ratio within 4 % and a quarter of an 8-bit code over 3
    /// stops or more in every pair of neighbours that can be compared, and there is one at least. Stated times that are
    /// false make it false.
    pub linear: bool,
    /// The black offset that fits best, fraction of full scale; 0 where no pair can be compared.
    pub offset: f64,
    /// One entry a pair of frames and stop of level.
    pub ratios: Vec<LevelRatio>,
}

/// Ratio of co-located levels of two frames at one level.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LevelRatio {
    /// Index of the darker frame of the pair.
    pub darker: usize,
    /// Mean level in the brighter frame, fraction of full scale.
    pub level: f64,
    /// Mean level in the darker frame, fraction of full scale.
    pub darker_level: f64,
    /// Stated exposure ratio, brighter over darker.
    pub stated: f64,
    /// Ratio of mean levels, brighter over darker, divided by the stated exposure ratio; 1 for linear levels.
    pub ratio: f64,
    /// Pixels compared.
    pub pixels: usize,
}

/// Compares co-located levels (green, or mono) of neighbouring frames; `clips` as [`clip_levels`](super::clip_levels) has them. Pixels are put into bins of one stop by
/// `k a + b`, which favours neither frame's noise, and bins within a factor of two of clipping or with fewer than 200
/// pixels are left out, as are levels under 4 8-bit codes in the darker frame, where rounding rules.
pub fn looks_linear(bracket: &Bracket, clips: &[Clip]) -> LinearTest {
    let channel = if clips.len() == 3 { 1 } else { 0 };
    let clip = clips.get(channel).map_or(1.0, |c| c.clip_level);
    let pairs: Vec<Vec<LevelRatio>> = (0..bracket.frames.len().saturating_sub(1))
        .into_par_iter()
        .map(|darker| {
            let bins = pair_bins(bracket, darker, channel, clip);
            let usable = bins.iter().filter(|b| b.pixels >= BIN_PIXELS);
            usable.map(|b| b.ratio(darker)).collect()
        })
        .collect();
    let compared: Vec<&Vec<LevelRatio>> = pairs.iter().filter(|p| p.len() >= SPAN_STOPS).collect();
    let offset = offset(compared.iter().copied().flatten());
    let linear = |pair: &&Vec<LevelRatio>| pair.iter().all(|r| r.keeps(offset));
    LinearTest {
        linear: !compared.is_empty() && offset.abs() <= MOST_OFFSET && compared.iter().all(linear),
        offset,
        ratios: pairs.into_iter().flatten().collect(),
    }
}

/// The offset d of `b - k a = d (1 - k)` by least squares, each bin counting as well as the tolerance lets it.
fn offset<'a>(ratios: impl Iterator<Item = &'a LevelRatio>) -> f64 {
    let (mut product, mut square) = (0.0, 0.0);
    for r in ratios {
        let weight = r.tolerance(0.0).powi(-2);
        product += weight * (r.level - r.stated * r.darker_level) * (1.0 - r.stated);
        square += weight * (1.0 - r.stated).powi(2);
    }
    if square > 0.0 { product / square } else { 0.0 }
}

impl LevelRatio {
    fn tolerance(&self, offset: f64) -> f64 {
        RATIO_TOLERANCE * (self.level - offset).max(0.0) + ROUNDING_CODES / 255.0
    }

    /// True if the levels above `offset` keep the stated ratio.
    fn keeps(&self, offset: f64) -> bool {
        let left = self.level - offset - self.stated * (self.darker_level - offset);
        left.abs() <= self.tolerance(offset)
    }
}

#[derive(Debug, Clone, Copy, Default)]
struct Bin {
    darker: f64,
    brighter: f64,
    stated: f64,
    pixels: usize,
}

impl Bin {
    fn ratio(&self, darker: usize) -> LevelRatio {
        LevelRatio {
            darker,
            level: self.brighter / self.pixels as f64,
            darker_level: self.darker / self.pixels as f64,
            stated: self.stated,
            ratio: self.brighter / (self.darker * self.stated),
            pixels: self.pixels,
        }
    }
}

fn pair_bins(bracket: &Bracket, darker: usize, channel: usize, clip: f64) -> Vec<Bin> {
    const DARKEST: f64 = 4.0 / 255.0;
    let (a, b) = (&bracket.frames[darker], &bracket.frames[darker + 1]);
    let stated = (b.exposure.used.value - a.exposure.used.value).exp2();
    let (a, b) = (&a.picture.pixels, &b.picture.pixels);
    let mut bins = vec![
        Bin {
            stated,
            ..Bin::default()
        };
        16
    ];
    if a.dim() != b.dim() {
        return bins;
    }
    let step = (a.rows() * a.columns()).div_ceil(COMPARED_PIXELS).max(1);
    for row in (0..a.rows()).step_by(step) {
        for column in 0..a.columns() {
            let (low, high) = (
                f64::from(a.level(row, column, channel)),
                f64::from(b.level(row, column, channel)),
            );
            let both = (stated * low + high) / 2.0;
            let below = clip / both;
            if (SQRT_2..65536.0).contains(&below) && both >= stated * DARKEST {
                let bin = &mut bins[whole_stops(below)];
                bin.darker += low;
                bin.brighter += high;
                bin.pixels += 1;
            }
        }
    }
    bins
}

/// The whole part of the logarithm to base 2 of a number of 1 or more: its exponent (IEEE 754).
fn whole_stops(ratio: f64) -> usize {
    (ratio.to_bits() >> 52) as usize - 1023
}

#[cfg(test)]
mod tests {
    use super::super::clip_levels;
    use super::super::fixtures::bracket_of;
    use super::*;
    use ndarray::Array3;
    use stopspan_core::model::Compression;

    fn test_of(encode: impl Fn(f64) -> f64, stops: &[f64]) -> LinearTest {
        let frames: Vec<Pixels> = [0.25, 0.5, 1.0]
            .iter()
            .map(|k| {
                Pixels::U8(Array3::from_shape_fn((300, 400, 3), |(r, c, _)| {
                    let light = ((c * 300 + r) as f64 / 120_000.0 * 7.0 - 6.0).exp2();
                    (255.0 * encode(k * light).clamp(0.0, 1.0)).round() as u8
                }))
            })
            .collect();
        let bracket = bracket_of(&frames, stops, Compression::Lossless);
        looks_linear(&bracket, &clip_levels(&bracket))
    }

    #[test]
    fn whole_stops_are_those_of_the_logarithm() {
        for i in 0..160 {
            let ratio = (0.1 * f64::from(i)).exp2() * 1.000_001;
            assert_eq!(whole_stops(ratio), ratio.log2() as usize, "{ratio}");
        }
    }

    #[test]
    fn linear_levels_are_told_from_gamma() {
        let linear = test_of(|x| x, &[-1.0, 0.0, 1.0]);
        assert!(linear.linear, "{linear:?}");
        let gamma = test_of(|x| x.powf(1.0 / 2.2), &[-1.0, 0.0, 1.0]);
        assert!(!gamma.linear && !gamma.ratios.is_empty(), "{gamma:?}");
        let contrast = test_of(|x| x * x * (3.0 - 2.0 * x), &[-1.0, 0.0, 1.0]);
        assert!(!contrast.linear, "{contrast:?}");
    }

    #[test]
    fn a_black_offset_is_still_linear_and_is_found() {
        for offset in [-5.0 / 255.0, 10.0 / 255.0] {
            let test = test_of(|x| x + offset, &[-1.0, 0.0, 1.0]);
            assert!(test.linear, "{offset}: {test:?}");
            assert!((test.offset - offset).abs() < 0.4 / 255.0, "{test:?}");
        }
    }

    /// With an offset free to choose, curves must still be told apart, for one pair of frames as well.
    #[test]
    fn no_offset_makes_a_curve_linear() {
        let curves: [fn(f64) -> f64; 5] = [
            |x| x.powf(1.0 / 1.8),
            |x| x.powf(0.8),
            |x| x.powf(1.25),
            |x| (1.0 + 6.0 * x).ln() / 7.0f64.ln(),
            |x| x / (x + 0.3) * 1.3,
        ];
        for (n, curve) in curves.into_iter().enumerate() {
            let test = test_of(curve, &[-1.0, 0.0, 1.0]);
            assert!(!test.linear, "curve {n}: {test:?}");
        }
    }

    #[test]
    fn false_times_are_not_linear() {
        assert!(!test_of(|x| x, &[-1.2, 0.0, 1.0]).linear);
    }

    /// Profiles laid out by hand after ICC.1: header of 128 bytes, tag count, one tag.
    #[test]
    fn tone_curves_of_profiles() {
        let profile = |curve: &[u8]| {
            let mut bytes = vec![0u8; 128];
            bytes.extend([0, 0, 0, 1]);
            bytes.extend(b"rTRC");
            bytes.extend([0, 0, 0, 144, 0, 0, 0, curve.len() as u8]);
            bytes.extend(curve);
            bytes
        };
        let cases: [(&[u8], bool); 6] = [
            (b"curv\0\0\0\0\0\0\0\0", true),
            (b"curv\0\0\0\0\0\0\0\x01\x01\0", true),
            (b"curv\0\0\0\0\0\0\0\x01\x02\x33", false),
            (b"para\0\0\0\0\0\0\0\0\0\x01\0\0", true),
            (b"para\0\0\0\0\0\x03\0\0\0\x01\0\0", false),
            (b"curv\0\0\0\0", false),
        ];
        for (curve, straight) in cases {
            assert_eq!(straight_curves(&profile(curve)), straight, "{curve:?}");
        }
        assert!(!straight_curves(b"short"));
    }
}
