//! Buffers for the rows of a merge, and the exclusion of samples for motion and beside clipped ones.
use super::merger::Merger;
use super::resample::Resampler;
use super::sampling::{CLIPPED, EXCLUDED};
use super::sums::{Merged, Sums};
use stopspan_core::model::flag;
use stopspan_core::raster::{Work, dispatch_simd};

/// Factor of exposure from which a frame is longer than another beyond doubt.
const LONGER: f64 = 1.25;
/// Share of its clip level, in exposure, from which a sample may be a clipped one that reads low: noise, sharpening and compression are
/// far from one stop there. What reads less is no clipped sample, but lies beside one that the other frame shows half a pixel off.
const READS_LOW: f32 = 0.5;

/// Buffers for merging one row after another. Channels are separate, so that loops over a row are contiguous.
pub(super) struct Scratch {
    /// Radiance by frame, channel and column.
    pub(super) samples: Vec<Vec<Vec<f32>>>,
    /// By frame and column: factor by which resampling changes the noise variance; empty for frames without a transform.
    pub(super) noise_gain: Vec<Vec<f32>>,
    /// By frame; `None` for frames without a transform.
    pub(super) resamplers: Vec<Option<Resampler>>,
    pub(super) sums: Sums,
    /// By column: [`CLIPPED`] where a shorter frame is clipped, else 0.
    clipped: Vec<f32>,
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
            clipped: vec![0.0; columns],
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

    /// Counts samples of one row near the clip level as clipped where a frame of clearly less exposure is clipped: noise, sharpening and
    /// compression let clipped pixels read below the clip level, and what a shorter frame cannot hold no longer one can.
    pub(super) fn clip_longer(&self, scratch: &mut Scratch) {
        let exposure = |j: usize| self.bracket.relative_exposure(j);
        for (channel, this) in self.channels.iter().enumerate() {
            let clipped = &mut scratch.clipped;
            clipped.fill(0.0);
            let mut any = false;
            let mut shorter = self.by_exposure.iter().peekable();
            for &j in &self.by_exposure {
                while let Some(&i) = shorter.next_if(|&&i| exposure(i) * LONGER < exposure(j)) {
                    let samples = &scratch.samples[i][channel];
                    any |= dispatch_simd(NoteClipped(samples, clipped));
                }
                if any {
                    let least = READS_LOW * this.bounds[j];
                    let samples = &mut scratch.samples[j][channel];
                    dispatch_simd(ClipWhere(clipped, least, samples));
                }
            }
        }
    }
}

/// Marks clipped samples with [`CLIPPED`], beside those marked before. True if there are any.
struct NoteClipped<'a>(&'a [f32], &'a mut [f32]);

impl Work for NoteClipped<'_> {
    type Output = bool;

    #[inline(always)]
    fn call(self) -> bool {
        let NoteClipped(samples, marks) = self;
        let mut count = 0;
        for (mark, &sample) in marks.iter_mut().zip(samples) {
            *mark += if sample == CLIPPED { CLIPPED } else { 0.0 };
            count += u32::from(sample == CLIPPED);
        }
        count > 0
    }
}

/// Where there are marks, sets samples of a least value and more to [`CLIPPED`].
struct ClipWhere<'a>(&'a [f32], f32, &'a mut [f32]);

impl Work for ClipWhere<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let ClipWhere(marks, least, samples) = self;
        for (sample, &mark) in samples.iter_mut().zip(marks) {
            // Marks are 0 or infinite, and what is not a number stays. A choice of the two values would be stored under a mask, which
            // some processors do slowly.
            *sample += if *sample >= least { mark } else { 0.0 };
        }
    }
}
