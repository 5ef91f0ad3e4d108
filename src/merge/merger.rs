//! The merge: inverse-variance mean of radiance over the frames that are usable at a pixel, row by row.
//!
//! The first estimate is the Poisson one, the sum of exposures over the sum of times of unclipped frames (Hanji, Zhong
//! and Mantiuk 2020); for samples of more than 8 bits its weights include read noise. Weights at that estimate give the
//! variance-optimal mean, which comes within a few per cent of the Cramer-Rao bound (Aguerrebere, Delon, Gousseau and
//! Muse 2014).
use super::channel::Channel;
use super::resample::ROWS;
use super::scratch::Scratch;
use super::sums::{Merged, PIECE};
use super::uncertainty::{Corrections, blocks_of};
use super::weights::FrameLight;
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use std::ops::Range;
use std::sync::Mutex;
use stopspan_core::model::Noise;
use stopspan_core::model::Response;
use stopspan_core::model::main_channel;
use stopspan_core::model::{BlockClass, Bracket, Disagreement, Motion};
use stopspan_core::model::{Planes, Recovered};
use stopspan_core::model::{RadianceMap, flag};
use stopspan_core::raster::{Work, dispatch_simd};
use stopspan_core::units::Primaries;

/// The tables for merging one bracket, from which any rows of the map can be computed. The result of a row depends neither
/// on other rows nor on the number of threads.
pub struct Merger<'a> {
    pub(super) bracket: &'a Bracket,
    pub(super) channels: Vec<Channel>,
    pub(super) motion: Option<&'a Motion>,
    disagreement: Option<&'a Disagreement>,
    primaries: Primaries,
    /// Indices of the frames, least exposure first.
    pub(super) by_exposure: Vec<usize>,
    /// Buffers not in use.
    pub(super) idle: Mutex<Vec<Scratch>>,
}

impl<'a> Merger<'a> {
    /// Prepares the tables. `response` and `noise` have one entry for each channel of the frames.
    pub fn new(bracket: &'a Bracket, response: &Response, noise: &Noise) -> Self {
        let channels = response
            .curves
            .iter()
            .zip(&noise.channels)
            .enumerate()
            .map(|(c, (curve, noise))| {
                let frames: Vec<FrameLight> = (0..bracket.frames.len())
                    .map(|j| FrameLight::of(bracket, j, c))
                    .collect();
                Channel::new(bracket, curve, noise, &frames)
            })
            .collect();
        let exposure = |j: usize| bracket.relative_exposure(j);
        let mut by_exposure: Vec<usize> = (0..bracket.frames.len()).collect();
        by_exposure.sort_by(|&a, &b| exposure(a).total_cmp(&exposure(b)));
        Merger {
            bracket,
            channels,
            by_exposure,
            motion: None,
            disagreement: None,
            primaries: bracket.primaries(),
            idle: Mutex::default(),
        }
    }

    /// The merge of a bracket whose response and noise are known, with frames excluded where something moved.
    pub fn of(recovered: &'a Recovered) -> Self {
        Merger::new(&recovered.bracket, &recovered.response, &recovered.noise)
            .leaving_out(recovered.motion.as_ref())
            .disagreeing(recovered.disagreement.as_ref())
    }

    /// The same merge with its uncertainties corrected by what the frames, of the same bracket, disagree by.
    fn disagreeing(mut self, seen: Option<&'a Disagreement>) -> Self {
        self.disagreement = seen;
        for (index, channel) in self.channels.iter_mut().enumerate() {
            if let Some(seen) = seen {
                channel.believe(&seen.channels[index]);
                channel.corrections = Some(Corrections::new(seen, index, channel));
            }
        }
        self
    }

    /// The same merge with frames excluded where `motion`, of the same bracket, says so.
    pub fn leaving_out(mut self, motion: Option<&'a Motion>) -> Self {
        self.motion = motion;
        self
    }

    /// Rows, columns, channels of the map.
    pub fn dim(&self) -> (usize, usize, usize) {
        self.bracket.reference_frame().picture.pixels.dim()
    }

    /// The whole map.
    pub fn whole(&self) -> RadianceMap {
        self.rows(0..self.dim().0)
    }

    /// Some rows of the map, at full width.
    ///
    /// # Panics
    /// If the range exceeds the rows of the map.
    pub fn rows(&self, range: Range<usize>) -> RadianceMap {
        let (_, columns, channels) = self.dim();
        let shape = (range.len(), columns, channels);
        let mut map = RadianceMap {
            radiance: Array3::zeros(shape),
            statistical: Array3::zeros(shape),
            systematic: Array3::zeros(shape),
            flags: Array2::zeros((range.len(), columns)),
            primaries: self.primaries,
        };
        let width = columns * channels;
        if width == 0 {
            return map;
        }
        let slices = (
            map.radiance.as_slice_mut().unwrap_or_default(),
            map.statistical.as_slice_mut().unwrap_or_default(),
            map.systematic.as_slice_mut().unwrap_or_default(),
            map.flags.as_slice_mut().unwrap_or_default(),
        );
        let strips = slices
            .0
            .par_chunks_mut(ROWS * width)
            .zip(slices.1.par_chunks_mut(ROWS * width))
            .zip(slices.2.par_chunks_mut(ROWS * width))
            .zip(slices.3.par_chunks_mut(ROWS * columns));
        strips
            .enumerate()
            .for_each(|(strip, (((radiance, statistical), systematic), flags))| {
                let first = range.start + strip * ROWS;
                let rows = first..first + flags.len() / columns;
                let mut scratch = self.take_scratch();
                self.merge_rows(rows, &mut scratch, flags);
                for (channel, merged) in scratch.merged.iter_mut().enumerate() {
                    interleave(&merged.radiance, radiance, channel, channels);
                    interleave(&merged.statistical, statistical, channel, channels);
                    interleave(&merged.systematic, systematic, channel, channels);
                    merged.clear();
                }
                self.put_back(scratch);
            });
        map
    }

    /// The same rows channel by channel, computed on this thread.
    pub fn planes(&self, range: Range<usize>) -> Planes {
        let (_, columns, channels) = self.dim();
        let pixels = range.len() * columns;
        let mut flags = vec![0; pixels];
        let mut scratch = self.take_scratch();
        let empty = (0..channels).map(|_| Merged::with_capacity(pixels));
        scratch.merged = empty.collect();
        let strips = flags.chunks_mut((ROWS * columns).max(1));
        for (strip, flags) in strips.enumerate() {
            let first = range.start + strip * ROWS;
            let rows = first..first + flags.len() / columns;
            self.merge_rows(rows, &mut scratch, flags);
        }
        let mut planes = Planes {
            columns,
            radiance: Vec::with_capacity(channels),
            statistical: Vec::with_capacity(channels),
            systematic: Vec::with_capacity(channels),
            flags,
            primaries: self.primaries,
        };
        for merged in &mut scratch.merged {
            let merged = std::mem::take(merged);
            planes.radiance.push(merged.radiance);
            planes.statistical.push(merged.statistical);
            planes.systematic.push(merged.systematic);
        }
        self.put_back(scratch);
        planes
    }

    /// Merges at most [`ROWS`] rows, appends them to `scratch.merged` and sets their flags.
    fn merge_rows(&self, rows: Range<usize>, scratch: &mut Scratch, flags: &mut [u16]) {
        self.read_resampled(&rows, &mut scratch.resamplers);
        let columns = flags.len() / rows.len().max(1);
        let lines = flags.chunks_exact_mut(columns.max(1)).zip(rows);
        for (i, (flags, row)) in lines.enumerate() {
            self.sample(row, i, scratch);
            self.exclude_motion(row, scratch, flags);
            self.clip_longer(scratch);
            for channel in 0..self.channels.len() {
                for first in (0..flags.len()).step_by(PIECE) {
                    let columns = first..flags.len().min(first + PIECE);
                    dispatch_simd(PieceOfRow {
                        merger: self,
                        row,
                        channel,
                        columns: columns.clone(),
                        scratch,
                        flags: &mut flags[columns],
                    });
                }
            }
        }
    }

    /// Merges some columns of one channel of a row, appends them to `scratch.merged` and adds to their flags.
    #[inline(always)]
    fn merge_piece(
        &self,
        (channel, columns): (usize, Range<usize>),
        blocks: &[BlockClass],
        scratch: &mut Scratch,
        flags: &mut [u16],
    ) {
        let this = &self.channels[channel];
        let Scratch {
            samples,
            noise_gain,
            sums,
            merged,
            ..
        } = scratch;
        let frames = samples.iter().map(|f| &f[channel][columns.clone()]);
        sums.estimate(frames.clone(), columns.len(), &this.first);
        let resampled = noise_gain.iter().any(|e| !e.is_empty());
        let noise_gain = noise_gain
            .iter()
            .map(|e| e.get(columns.clone()).unwrap_or_default());
        if resampled {
            sums.add_weighted::<true>(frames.clone(), &this.weights, noise_gain);
        } else {
            sums.add_weighted::<false>(frames.clone(), &this.weights, noise_gain);
        }
        sums.conclude(&mut merged[channel]);
        let [radiance, statistical, systematic] = merged[channel].last(columns.len());
        match &this.corrections {
            Some(corrections) => {
                let columns = (&*sums.cell, &mut sums.room);
                corrections.conclude_statistical(blocks, columns, radiance, statistical);
            }
            None => statistical.iter_mut().for_each(|v| *v = v.sqrt()),
        }
        // Most rows have none, and counting is fast.
        if sums.weight.iter().filter(|w| **w <= 0.0).count() > 0 {
            sums.count_clipped(frames.clone());
            this.conclude_without_weight(frames.clone(), sums, [radiance, statistical]);
        }
        if self.motion.is_some() {
            this.systematic_of_the_rest(frames.clone(), &sums.cell, systematic, flags);
        }
        if let Some(corrections) = &this.corrections {
            corrections.correct_systematic(blocks, (&sums.cell, &mut sums.room), systematic);
        }
        sums.add_flags(radiance, statistical, flags);
        if channel == main_channel(self.channels.len()) {
            for (column, (flags, &cell)) in flags.iter_mut().zip(&sums.cell).enumerate() {
                let leader = if *flags & flag::MOVED != 0 {
                    this.leader_of(cell, frames.clone().map(|f| f[column]))
                } else {
                    this.weights.leader(cell)
                };
                *flags |= u16::from(leader) << flag::FRAME_SHIFT;
            }
        }
    }
}

/// For comparing frames.
impl Merger<'_> {
    /// Classes of the blocks that some columns of a row lie in; none without a known disagreement.
    fn blocks(&self, row: usize, columns: &Range<usize>) -> &[BlockClass] {
        let all = self.disagreement.map(|seen| &seen.blocks);
        all.map_or(&[], |all| blocks_of(all, row, columns))
    }

    /// Writes the table cells of some columns, at most [`PIECE`], of one channel of the row in the scratch.
    pub(super) fn cells(
        &self,
        channel: usize,
        columns: Range<usize>,
        scratch: &mut Scratch,
        out: &mut [u16],
    ) {
        let (samples, sums) = (&scratch.samples, &mut scratch.sums);
        let frames = samples.iter().map(|f| &f[channel][columns.clone()]);
        sums.estimate(frames, columns.len(), &self.channels[channel].first);
        out.copy_from_slice(&sums.cell);
    }

    /// Whether two frames both have a weight at a cell.
    pub(super) fn usable_in_both(&self, channel: usize, pair: [usize; 2], cell: u16) -> bool {
        let weights = &self.channels[channel].weights;
        pair.iter().all(|j| weights.at(*j, cell) > 0.0)
    }
}

/// Runs [`Merger::merge_piece`] in the widest vectors the processor has.
struct PieceOfRow<'a, 'b> {
    merger: &'a Merger<'b>,
    row: usize,
    channel: usize,
    columns: Range<usize>,
    scratch: &'a mut Scratch,
    flags: &'a mut [u16],
}

impl Work for PieceOfRow<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let blocks = self.merger.blocks(self.row, &self.columns);
        let place = (self.channel, self.columns);
        self.merger
            .merge_piece(place, blocks, self.scratch, self.flags);
    }
}

/// Writes one channel of some rows to interleaved pixels.
#[inline(always)]
fn interleave(from: &[f32], out: &mut [f32], channel: usize, channels: usize) {
    for (pixel, &value) in out.chunks_exact_mut(channels).zip(from) {
        pixel[channel] = value;
    }
}
