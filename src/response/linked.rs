//! Which frames are linked: consecutive frames in which enough blocks are neither black nor clipped in both.
//!
//! Exposures can only be measured from frame to frame within such a run. A fit whose first and last frame are held at their
//! stated exposures must see all frames between as one chain, or the whole span gathers where the chain is broken.
use super::blocks::BlockSamples;
use std::ops::Range;

/// Least number of blocks in two frames (judgement).
const BLOCKS: usize = 100;
/// Least distance of such a block from the floor, codes: nearer, noise that is cut off at black and what makers do to dark
/// colours are taken for exposure (judgement).
const ABOVE_FLOOR: f32 = 20.0;
/// The same in standard deviations of the pixels of the block.
const DEVIATIONS: f32 = 3.0;
/// Least range of these blocks in the frame of more exposure, codes.
const RANGE: f32 = 8.0;

/// The run of linked frames with the largest stated span; all frames are in one run in an ordinary bracket.
pub(super) fn longest(samples: &[BlockSamples], stated: &[f64]) -> Range<usize> {
    let mut best = 0..1;
    let mut first = 0;
    for frame in 1..=stated.len() {
        let on = frame < stated.len() && samples.iter().all(|s| linked(s, frame - 1, frame));
        if on {
            continue;
        }
        if stated[frame - 1] - stated[first] > stated[best.end - 1] - stated[best.start] {
            best = first..frame;
        }
        first = frame;
    }
    best
}

/// True if two frames share enough blocks, over some range of levels, in one channel.
fn linked(samples: &BlockSamples, first: usize, second: usize) -> bool {
    let even = samples.quiet_codes().powi(2) as f32;
    let sees = |i: usize| {
        let margin = ABOVE_FLOOR.max(DEVIATIONS * samples.variance[i].sqrt());
        samples.mean[i] >= samples.floor + margin
            && samples.peak[i] <= 254.0
            && samples.variance[i] <= even
    };
    let mut levels: Vec<f32> = (0..samples.len())
        .map(|block| {
            (
                block * samples.frames + first,
                block * samples.frames + second,
            )
        })
        .filter(|&(a, b)| sees(a) && sees(b))
        .map(|(_, b)| samples.mean[b])
        .collect();
    if levels.len() < BLOCKS {
        return false;
    }
    let (low, high) = (levels.len() / 20, levels.len() - 1 - levels.len() / 20);
    let low = *levels.select_nth_unstable_by(low, f32::total_cmp).1;
    let high = *levels.select_nth_unstable_by(high, f32::total_cmp).1;
    high - low >= RANGE
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Blocks of light over eight stops in frames of these exposures, encoded as a square root, with a floor at code 10.
    fn scene(stops: &[f64]) -> BlockSamples {
        let mut samples = BlockSamples {
            frames: stops.len(),
            pixels: 64,
            floor: 10.0,
            ..Default::default()
        };
        for i in 0..800 {
            for stop in stops {
                let light = (f64::from(i) / 100.0 - 8.0 + stop).exp2().min(1.0);
                let code = (10.0 + 245.0 * light.sqrt()) as f32;
                samples.mean.push(code);
                samples.peak.push(code);
                samples.variance.push(1.0);
            }
        }
        samples
    }

    #[test]
    fn black_and_clipped_frames_are_no_part_of_the_run() {
        let stops = [-9.0, -8.0, -4.0, -2.0, 0.0, 9.0];
        assert_eq!(longest(&[scene(&stops)], &stops), 2..5);
        let stops = [-2.0, 0.0, 2.0];
        assert_eq!(longest(&[scene(&stops)], &stops), 0..3);
    }
}
