//! What the frames of a bracket disagree by: the terms of a map's uncertainty that no noise model of a single frame has.
use ndarray::Array2;

/// Number of levels at which terms are known; see [`ByLevel`].
pub const LEVELS: usize = 13;
/// Number of classes of activity: how much a block of pixels varies.
pub const ACTIVITIES: usize = 5;
/// Number of classes of colour: neutral, and six hues.
pub const COLOURS: usize = 7;
/// Side of the blocks that have a class, pixels.
pub const BLOCK: usize = 8;

/// One block of [`BLOCK`] x [`BLOCK`] pixels.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct BlockClass {
    /// Local variation, 0 (least) to [`ACTIVITIES`] - 1: fifths of the picture.
    pub activity: u8,
    /// 0 neutral, 1..=6 a sixth of the hue circle each.
    pub colour: u8,
    /// By channel: relative standard uncertainty of a pixel from detail that the files of all frames show alike, and not as it is.
    pub alike: [f32; 3],
}

/// Square roots of the levels of a [`ByLevel`], sixteenths: codes 0, 2, 4, 6, 9, 12, 16, 36, 64, 100, 143, 195 and 255 of 255, for terms change
/// fastest in the dark.
const ROOTS: [f64; LEVELS] = [
    0.0, 1.4, 2.0, 2.45, 3.0, 3.45, 4.0, 6.0, 8.0, 10.0, 12.0, 14.0, 16.0,
];

/// A quantity by level: values at [`LEVELS`] levels, linear in the square root of the level between them.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct ByLevel(pub [f64; LEVELS]);

impl ByLevel {
    /// Place of a level (fraction of full scale) among the values, 0 to [`LEVELS`] - 1.
    pub fn place(level: f64) -> f64 {
        let root = 16.0 * level.clamp(0.0, 1.0).sqrt();
        let first = ROOTS[1..LEVELS - 1].iter().filter(|r| **r <= root).count();
        first as f64 + (root - ROOTS[first]) / (ROOTS[first + 1] - ROOTS[first])
    }

    /// The two levels around `level` (fraction of full scale) and their shares.
    pub fn shares(level: f64) -> [(usize, f64); 2] {
        let place = Self::place(level);
        let first = (place as usize).min(LEVELS - 2);
        let beyond = place - first as f64;
        [(first, 1.0 - beyond), (first + 1, beyond)]
    }

    /// The value at a level, fraction of full scale.
    pub fn at(&self, level: f64) -> f64 {
        let parts = Self::shares(level).map(|(i, share)| share * self.0[i]);
        parts[0] + parts[1]
    }
}

/// Terms of one channel.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct ChannelTerms {
    /// By class of activity: variance of one pixel of one frame at the reference frame's sensitivity, 8-bit codes squared. Noise,
    /// rounding and all that coding adds or takes away and that differs from frame to frame.
    pub independent: [ByLevel; ACTIVITIES],
    /// By class of colour: mean square of what means over 16 x 16 pixels of one frame are off by beyond their noise, ln exposure
    /// squared: one curve a channel is only nearly true.
    pub systematic: [ByLevel; COLOURS],
    /// Level, fraction of full scale, below which frames disagree by more than their light is worth: no frame but the longest is used there.
    pub trusted_from: f64,
    /// By frame: standard uncertainty of its exposure beside those of the others, stops, as the frames show it; `None` where they show
    /// too little. An error of the whole span is not in it.
    pub exposures: Vec<Option<f64>>,
    /// Median radiance of what was compared: a map's scale is relative, so that errors that add up along the curve begin here.
    pub middle: f64,
}

/// Disagreement of the frames of a bracket, by level, activity and colour.
#[derive(Debug, Clone, PartialEq)]
pub struct Disagreement {
    /// Classes of the blocks of the reference frame, from its top left corner; blocks at the right and the bottom may be cut.
    pub blocks: Array2<BlockClass>,
    /// One entry a channel.
    pub channels: Vec<ChannelTerms>,
    /// By frame and class of activity: mean square of the detail that all frames lose alike in compression, 8-bit codes squared.
    pub lost: Vec<[ByLevel; ACTIVITIES]>,
    /// Mean step between neighbouring exposures, natural logarithm; the error of one step adds up along the curve.
    pub step: f64,
    /// Relative standard uncertainty of the exposure span, which pixels cannot tell.
    pub span: f64,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_levels_a_quantity_is_linear_in_the_root() {
        let mut values = ByLevel::default();
        for (i, v) in values.0.iter_mut().enumerate() {
            *v = i as f64;
        }
        for (level, wanted) in [
            (0.0, 0.0),
            (0.7 * 0.7 / 256.0, 0.5),
            (0.09, 6.4),
            (1.0, 12.0),
            (1.2, 12.0),
            (-0.1, 0.0),
        ] {
            assert!((values.at(level) - wanted).abs() < 1e-12, "{level}");
        }
    }
}
