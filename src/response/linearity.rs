//! Evidence of linear samples: from one file's own statements, and from the pixels of a bracket.
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::f64::consts::SQRT_2;
use stopspan_core::model::{Bracket, Clip, Frame, main_channel};
use stopspan_core::raster::Pixels;

/// Approximate maximum number of pixels compared in a pair of frames.
const COMPARED_PIXELS: usize = 1 << 18;
/// Least number of pixels in a bin that is used.
const BIN_PIXELS: usize = 200;
/// Tolerance of a level ratio, relative.
const RATIO_TOLERANCE: f64 = 0.04;
/// Tolerance of a level for rounding, 8-bit codes; it is added to [`RATIO_TOLERANCE`].
const ROUNDING_CODES: f64 = 0.25;
/// Least range of levels, in stops, over which a pair of frames must keep its ratio (one bin a stop).
const SPAN_STOPS: usize = 3;
/// Largest black offset accepted, fraction of full scale.
const MOST_OFFSET: f64 = 0.15;

/// Evidence in the file alone that its samples are linear: raw samples, float samples, or a colour profile with straight
/// tone curves.
///
/// `None` is no evidence to the contrary: raw converters write 16-bit files without a profile in either form, and only
/// [`looks_linear`] can tell them apart.
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

/// True if an ICC profile has tone curves (rTRC, gTRC, bTRC or kTRC) and all are the identity.
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

/// True if a tone curve is the identity (ICC.1: a curveType of no entries, or of the one entry 1.0 as u8Fixed8; a
/// parametricCurveType 0 with g = 1). `None` if the tag is cut short.
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

/// Result of [`looks_linear`]: levels of neighbouring frames compared with their stated exposure ratio.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LinearTest {
    /// True if at least one pair of neighbours covers 3 stops of level, and in every such pair the levels above one
    /// common black offset keep the stated ratio within 4 % and a quarter of an 8-bit code. False exposure times make
    /// it false.
    pub linear: bool,
    /// Best-fitting black offset, fraction of full scale; 0 if no pair can be compared.
    pub offset: f64,
    /// One entry for each pair of frames and stop of level.
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
    /// Number of pixels compared.
    pub pixels: usize,
}

/// Compares co-located levels (green, or mono) of neighbouring frames with their stated exposure ratio k.
///
/// `clips` has one entry a channel. Pixels of levels a (darker frame) and b are put into bins of one stop by `k a + b`,
/// which favours the noise of neither frame. Levels within half a stop of clipping, levels under four 8-bit codes in the
/// darker frame (where rounding dominates) and bins of fewer than 200 pixels are left out.
pub fn looks_linear(bracket: &Bracket, clips: &[Clip]) -> LinearTest {
    let channel = main_channel(clips.len());
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

/// The black offset d of `b - k a = d (1 - k)` by least squares, each bin weighted by its inverse squared tolerance.
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
    /// Largest departure of the brighter level that counts as linear, fraction of full scale.
    fn tolerance(&self, offset: f64) -> f64 {
        RATIO_TOLERANCE * (self.level - offset).max(0.0) + ROUNDING_CODES / 255.0
    }

    /// True if the levels above `offset` keep the stated ratio.
    fn keeps(&self, offset: f64) -> bool {
        let left = self.level - offset - self.stated * (self.darker_level - offset);
        left.abs() <= self.tolerance(offset)
    }
}

/// Sums of the levels of one bin, and the stated exposure ratio of its pair of frames.
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

/// Bins of the frames `darker` and `darker + 1`, by whole stops below `clip`; all empty if their sizes differ.
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

/// Integer part of log2 of a number of at least 1: its IEEE 754 exponent.
fn whole_stops(ratio: f64) -> usize {
    (ratio.to_bits() >> 52) as usize - 1023
}

#[cfg(test)]
mod tests {
    use super::super::fixtures::bracket_of;
    use super::*;
    use ndarray::Array3;

    /// The test on three frames of a ramp of light through `encode`, clipped at full scale.
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
        let clip = Clip {
            clip_level: 1.0,
            floor_level: 0.0,
        };
        looks_linear(&bracket_of(&frames, stops), &[clip; 3])
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
