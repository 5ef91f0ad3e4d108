//! Buffers for the rows of a merge, and the exclusion of samples for motion.
use super::merger::Merger;
use super::resample::Resampler;
use super::sampling::EXCLUDED;
use super::sums::{Merged, Sums};
use stopspan_core::model::flag;

/// Buffers for merging one row after another. Channels are separate, so that loops over a row are contiguous.
pub(super) struct Scratch {
    /// Radiance by frame, channel and column.
    pub(super) samples: Vec<Vec<Vec<f32>>>,
    /// By frame and column: factor by which resampling changes the noise variance; empty for frames without a transform.
    pub(super) noise_gain: Vec<Vec<f32>>,
    /// By frame; `None` for frames without a transform.
    pub(super) resamplers: Vec<Option<Resampler>>,
    pub(super) sums: Sums,
    /// Merged columns by channel.
    pub(super) merged: Vec<Merged>,
}

impl Merger<'_> {
    /// Buffers put back earlier, or new ones.
    pub(super) fn take_scratch(&self) -> Scratch {
        let idle = self.idle.lock().ok().and_then(|mut idle| idle.pop());
        idle.unwrap_or_else(|| self.scratch())
    }

    /// Keeps buffers for reuse.
    pub(super) fn put_back(&self, scratch: Scratch) {
        if let Ok(mut idle) = self.idle.lock() {
            idle.push(scratch);
        }
    }

    fn scratch(&self) -> Scratch {
        let (_, columns, channels) = self.dim();
        let frames = self.bracket.frames.len();
        let resamplers = self.bracket.frames.iter().map(|frame| {
            let moved = frame.transform.is_some();
            moved.then(|| Resampler::new(columns, channels))
        });
        let resamplers: Vec<Option<Resampler>> = resamplers.collect();
        let noise_gain = resamplers.iter().map(|resampler| {
            let columns = resampler.as_ref().map_or(0, |_| columns);
            vec![1.0; columns]
        });
        Scratch {
            samples: vec![vec![vec![0.0; columns]; channels]; frames],
            sums: Sums::default(),
            merged: (0..channels).map(|_| Merged::default()).collect(),
            noise_gain: noise_gain.collect(),
            resamplers,
        }
    }

    /// Excludes the moving-object samples of one row and sets their flags.
    pub(super) fn exclude_motion(&self, row: usize, scratch: &mut Scratch, flags: &mut [u16]) {
        let Some(motion) = self.motion else { return };
        for (block, &mask) in motion.row(row).iter().enumerate() {
            if mask == 0 {
                continue;
            }
            for column in motion.columns(block, flags.len()) {
                flags[column] |= flag::MOVED;
                if mask >> self.bracket.reference & 1 == 1 {
                    flags[column] |= flag::OTHER_MOMENT;
                }
                let frames = scratch.samples.iter_mut().enumerate();
                for (_, channels) in frames.filter(|(j, _)| mask >> j & 1 == 1) {
                    channels.iter_mut().for_each(|c| c[column] = EXCLUDED);
                }
            }
        }
    }
}
