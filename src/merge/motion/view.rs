//! A frame reduced to blocks of 2 x 2 or 4 x 4 pixels: radiance, its variance, and whether it is a value or a bound.
use super::blocks::{self, BLOCKS, Sample};
use ndarray::Array3;
use std::ops::Range;
use stopspan_core::model::Bracket;
use stopspan_core::model::Compression;
use stopspan_core::model::{Noise, NoiseModel};
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::{Pixels, Point, Region, Transform, Work, dispatch_simd};

/// 8-bit codes above the floor up to which a block counts as black.
const BLACK_MARGIN: f64 = 2.0;
/// 8-bit codes below the clip level from which a pixel may be clipped: compression rings around clipped areas.
const CLIP_MARGIN: f64 = 3.0;
/// Standard deviation that JPEG compression adds to the green mean of a block, over the r.m.s. rounding error of its
/// quantisation. Chosen so that the simulated still brackets show no motion.
const COMPRESSION_SHARE: f64 = 0.5;
/// The same of red and blue over that of green: they depend on the more coarsely quantised chroma as well.
const CHROMA: f64 = 1.6;

/// Radiance of one block in one channel, and whether it is a value, a lower or an upper bound.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct BlockBound {
    /// Radiance, or the bound on it.
    pub radiance: f32,
    /// Variance of the radiance from noise, compression, response and exposure ratio.
    pub variance: f32,
    /// 1 if the true radiance is at least `radiance` (the block is not black), else 0.
    pub at_least: f32,
    /// 1 if the true radiance is at most `radiance` (the block is not clipped), else 0.
    pub at_most: f32,
}

/// A block that the frame does not cover: no bound either way.
const UNKNOWN: BlockBound = BlockBound {
    radiance: 0.0,
    variance: 1.0,
    at_least: 0.0,
    at_most: 0.0,
};

/// One channel of a row of blocks: the fields of [`BlockBound`], one vector each.
#[derive(Debug, Clone)]
pub(super) struct BlockRow {
    pub radiance: Vec<f32>,
    pub variance: Vec<f32>,
    pub at_least: Vec<f32>,
    pub at_most: Vec<f32>,
}

impl BlockRow {
    fn new(blocks: usize) -> Self {
        BlockRow {
            radiance: vec![UNKNOWN.radiance; blocks],
            variance: vec![UNKNOWN.variance; blocks],
            at_least: vec![UNKNOWN.at_least; blocks],
            at_most: vec![UNKNOWN.at_most; blocks],
        }
    }

    /// Sets a range of blocks to [`UNKNOWN`].
    fn clear(&mut self, blocks: Range<usize>) {
        self.radiance[blocks.clone()].fill(UNKNOWN.radiance);
        self.variance[blocks.clone()].fill(UNKNOWN.variance);
        self.at_least[blocks.clone()].fill(UNKNOWN.at_least);
        self.at_most[blocks].fill(UNKNOWN.at_most);
    }
}

/// A row of blocks, by channel.
pub(super) type ChannelRows = Vec<BlockRow>;

/// One frame of a bracket, read as rows of blocks in the geometry of the reference frame.
pub(super) struct View<'a> {
    pixels: &'a Pixels,
    transform: Transform,
    /// The part of the frame that shows the scene; `None` if all of it does.
    covered: Option<Region>,
    channels: Vec<Channel>,
    /// Side of a block, pixels.
    side: usize,
}

/// Conversion of one channel from codes to bounds on radiance.
struct Channel {
    /// Radiance and variance by mean level of a block; empty for float samples.
    table: Vec<[f32; 2]>,
    /// Entries of the table that are neither black nor clipped.
    between: Range<usize>,
    /// Level from which a pixel may be clipped, fraction of full scale.
    clipped: f32,
    light: Light,
}

/// Converts an encoded block mean to radiance, variance and bounds.
struct Light {
    curve: ResponseCurve,
    noise: NoiseModel,
    /// Exposure relative to the reference frame.
    factor: f64,
    /// Sensitivity relative to the reference frame.
    gain: f64,
    /// Standard uncertainty of log2 exposure relative to the reference frame, stops.
    ratio_stops: f64,
    /// Standard deviation that compression leaves in a block mean, 8-bit codes; it does not average out.
    compression_residual: f64,
    /// Number of pixels of a block with independent noise.
    independent: f64,
}

impl Light {
    /// The bound for a mean level, fraction of full scale.
    fn bound(&self, level: f64) -> BlockBound {
        let curve = &self.curve;
        let black = curve.floor_level + BLACK_MARGIN / 255.0;
        // A clipped block gives the clip level as its bound, whatever its code: developed raw frames put it at full scale.
        let seen = level.min(curve.clip_level).max(black);
        let exposure = curve.exposure_at(seen);
        let slope = curve.slope_at(seen) / 255.0;
        let noise = self.noise.variance(exposure, self.gain, slope) / self.independent
            + (slope * self.compression_residual).powi(2);
        let stops = self.ratio_stops.powi(2) + curve.uncertainty_at(seen).powi(2);
        let open = (std::f64::consts::LN_2 * exposure).powi(2) * stops;
        BlockBound {
            radiance: (exposure / self.factor) as f32,
            variance: ((noise + open) / (self.factor * self.factor)).max(1e-18) as f32,
            at_least: f32::from(level > black),
            at_most: f32::from(level < curve.clip_level),
        }
    }
}

impl<'a> View<'a> {
    /// The frame of index `frame`, in blocks of `side` pixels.
    pub(super) fn new(
        bracket: &'a Bracket,
        frame: usize,
        response: &Response,
        noise: &Noise,
        side: usize,
    ) -> Self {
        let this = &bracket.frames[frame];
        let open = |i: usize| bracket.frames[i].exposure.used.standard_uncertainty;
        let ratio_stops = if frame == bracket.reference {
            0.0
        } else {
            open(frame).hypot(open(bracket.reference))
        };
        // Four pixels of a demosaiced frame hold one photosite of red, one of blue, two of green.
        let demosaiced = this.picture.raw.as_ref().is_some_and(|r| r.settled);
        let channels = response.curves.iter().zip(&noise.channels);
        let channels = channels.enumerate().map(|(c, (curve, noise))| {
            let light = Light {
                curve: curve.clone(),
                noise: *noise,
                factor: bracket.channel_exposure(frame, c),
                gain: bracket.gain(frame),
                ratio_stops,
                compression_residual: compression_residual(
                    &this.picture.compression,
                    c,
                    response.curves.len(),
                ),
                independent: if demosaiced {
                    (side * side) as f64 / 4.0
                } else {
                    (side * side) as f64
                },
            };
            let last = entries(&this.picture.pixels, side);
            let entries = if last == 0 { 0..0 } else { 0..last + 1 };
            let bounds = entries.map(|i| light.bound(i as f64 / last as f64));
            let bounds: Vec<BlockBound> = bounds.collect();
            Channel {
                table: bounds.iter().map(|b| [b.radiance, b.variance]).collect(),
                between: bounds.partition_point(|b| b.at_least == 0.0)
                    ..bounds.partition_point(|b| b.at_most == 1.0),
                clipped: (curve.clip_level - CLIP_MARGIN / 255.0) as f32,
                light,
            }
        });
        View {
            pixels: &this.picture.pixels,
            transform: this.transform.unwrap_or(Transform::IDENTITY),
            covered: this.covered,
            channels: channels.collect(),
            side,
        }
    }

    /// Side of a block, pixels.
    pub(super) fn side(&self) -> usize {
        self.side
    }

    /// Rows and columns of blocks.
    pub(super) fn dim(&self) -> (usize, usize) {
        (
            self.pixels.rows() / self.side,
            self.pixels.columns() / self.side,
        )
    }

    /// Number of channels.
    pub(super) fn channels(&self) -> usize {
        self.channels.len()
    }

    /// A buffer for [`Self::read`].
    pub(super) fn empty_rows(&self) -> ChannelRows {
        vec![BlockRow::new(self.dim().1); self.channels.len()]
    }

    /// Reads one row of blocks, counted in the geometry of the reference frame.
    pub(super) fn read(&self, row: usize, out: &mut ChannelRows) {
        match self.pixels {
            Pixels::U8(a) => self.read_from(a, row, out),
            Pixels::U16(a) => self.read_from(a, row, out),
            Pixels::F32(a) => self.read_from(a, row, out),
        }
    }

    fn read_from<T: Sample>(&self, samples: &Array3<T>, row: usize, out: &mut ChannelRows) {
        let full = self.pixels.full_scale();
        let scale = 1.0 / (full * (self.side * self.side) as f64);
        let across = self.dim().1;
        let covered = match self.side {
            2 => blocks::read::<T, 2>(samples, row, across, &self.transform),
            _ => blocks::read::<T, 4>(samples, row, across, &self.transform),
        };
        for (c, bounds) in out.iter_mut().enumerate() {
            dispatch_simd(Fill {
                channel: &self.channels[c],
                sums: &covered.sums[c],
                peaks: &covered.peaks[c],
                noise_gain: &covered.noise_gain,
                scale,
                full,
                bounds,
            });
            for blocks in &covered.outside {
                bounds.clear(blocks.clone());
            }
        }
        if let Some(inner) = self.covered {
            for block in (0..across).filter(|block| !self.within(inner, row, *block)) {
                let channels = out.iter_mut();
                channels.for_each(|bounds| bounds.clear(block..block + 1));
            }
        }
    }

    /// True if a block of the reference lies within this part of the frame.
    fn within(&self, inner: Region, row: usize, block: usize) -> bool {
        let half = self.side as f64 / 2.0;
        let at = self.transform.apply(Point {
            x: block as f64 * self.side as f64 + half,
            y: row as f64 * self.side as f64 + half,
        });
        let inside = |range: std::ops::Range<usize>, at: f64| {
            at - half >= range.start as f64 && at + half <= range.end as f64
        };
        at.is_some_and(|p| inside(inner.rows(), p.y) && inside(inner.columns(), p.x))
    }
}

/// Converts the sums of one channel of a row of blocks to bounds. Channels follow one another, so that the table of each
/// stays in the cache.
struct Fill<'a> {
    channel: &'a Channel,
    /// Sums of samples by block, codes.
    sums: &'a [f32],
    /// Largest sample by block, codes.
    peaks: &'a [f32],
    noise_gain: &'a [f32],
    /// Mean level, fraction of full scale, over the sum of a block.
    scale: f64,
    /// Code of full scale.
    full: f64,
    bounds: &'a mut BlockRow,
}

impl Work for Fill<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (channel, row) = (self.channel, self.bounds);
        let last = channel.table.len().saturating_sub(1);
        let limit = f64::from(channel.clipped) * self.full;
        // Integer codes clip from the next code on.
        let limit = if last > 0 { limit.ceil() } else { limit } as f32;
        if last == 0 {
            for (i, &sum) in self.sums.iter().enumerate() {
                let bound = channel.light.bound(f64::from(sum) * self.scale);
                (row.radiance[i], row.variance[i]) = (bound.radiance, bound.variance);
                (row.at_least[i], row.at_most[i]) = (bound.at_least, bound.at_most);
            }
        } else {
            let entry = (self.scale * last as f64) as f32;
            let (from, to) = (channel.between.start as i32, channel.between.end as i32);
            let mut entries = [0i32; BLOCKS];
            let light = row.radiance.chunks_mut(BLOCKS);
            let light = light.zip(row.variance.chunks_mut(BLOCKS));
            let bounds = row.at_least.chunks_mut(BLOCKS);
            let bounds = bounds.zip(row.at_most.chunks_mut(BLOCKS));
            for (sums, ((x, v), (least, most))) in self.sums.chunks(BLOCKS).zip(light.zip(bounds)) {
                for (to, sum) in entries.iter_mut().zip(sums) {
                    *to = ((sum * entry + 0.5) as i32).min(last as i32);
                }
                for ((x, v), &entry) in x.iter_mut().zip(v).zip(&entries) {
                    [*x, *v] = channel.table[entry as usize];
                }
                for ((least, most), &entry) in least.iter_mut().zip(most).zip(&entries) {
                    *least = if entry >= from { 1.0 } else { 0.0 };
                    *most = if entry < to { 1.0 } else { 0.0 };
                }
            }
        }
        for (v, noise_gain) in row.variance.iter_mut().zip(self.noise_gain) {
            *v *= noise_gain;
        }
        for (most, &peak) in row.at_most.iter_mut().zip(self.peaks) {
            *most = most.min(if peak >= limit { 0.0 } else { 1.0 });
        }
    }
}

/// Standard deviation that compression leaves in the mean of a block, 8-bit codes.
fn compression_residual(compression: &Compression, channel: usize, channels: usize) -> f64 {
    match compression {
        Compression::Lossless => 0.0,
        Compression::Jpeg {
            quantisation_rms, ..
        } => {
            let chroma = channels == 3 && channel != 1;
            COMPRESSION_SHARE * quantisation_rms * if chroma { CHROMA } else { 1.0 }
        }
    }
}

/// Last index of a table over mean levels: one entry for each sum of 8-bit samples, 16 bits for deeper ones, 0 (no table)
/// for floats.
fn entries(pixels: &Pixels, side: usize) -> usize {
    match pixels {
        Pixels::U8(_) => 255 * side * side,
        Pixels::U16(_) => 65535,
        Pixels::F32(_) => 0,
    }
}
