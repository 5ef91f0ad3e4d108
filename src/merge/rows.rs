//! Rows under work: their scratch, and what is taken out of them where something moved.
use super::merger::Merger;
use super::moved::Strip;
use super::sampling::LEFT_OUT;
use super::sums::{Merged, Sums};
use stopspan_core::model::flag;

/// Scratch for one row. Channels are kept apart, so that the loops over a row are plain.
pub(super) struct Row {
    /// Radiance by frame and channel.
    pub(super) samples: Vec<Vec<Vec<f32>>>,
    /// What interpolation leaves of the noise variance, by frame and column; empty for frames that are read as they are.
    pub(super) energy: Vec<Vec<f32>>,
    /// Rows to come, by frame; `None` of frames that are read as they are.
    pub(super) strips: Vec<Option<Strip>>,
    pub(super) sums: Sums,
    /// By channel: what is merged.
    pub(super) merged: Vec<Merged>,
}

impl Merger<'_> {
    /// Scratch that is left from rows done, or new.
    pub(super) fn take_scratch(&self) -> Row {
        let idle = self.idle.lock().ok().and_then(|mut idle| idle.pop());
        idle.unwrap_or_else(|| self.scratch())
    }

    /// Keeps scratch for the next rows.
    pub(super) fn put_back(&self, scratch: Row) {
        if let Ok(mut idle) = self.idle.lock() {
            idle.push(scratch);
        }
    }

    fn scratch(&self) -> Row {
        let (_, columns, channels) = self.dim();
        let frames = self.bracket.frames.len();
        let strips = self.bracket.frames.iter().map(|frame| {
            let moved = frame.transform.is_some();
            moved.then(|| Strip::new(columns, channels))
        });
        let strips: Vec<Option<Strip>> = strips.collect();
        let energy = strips.iter().map(|strip| {
            let columns = strip.as_ref().map_or(0, |_| columns);
            vec![1.0; columns]
        });
        Row {
            samples: vec![vec![vec![0.0; columns]; channels]; frames],
            sums: Sums::default(),
            merged: (0..channels).map(|_| Merged::default()).collect(),
            energy: energy.collect(),
            strips,
        }
    }

    /// Takes the samples of frames that show something else than the reference frame out of a row.
    pub(super) fn leave_out(&self, row: usize, scratch: &mut Row, flags: &mut [u16]) {
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
                    channels.iter_mut().for_each(|c| c[column] = LEFT_OUT);
                }
            }
        }
    }
}
