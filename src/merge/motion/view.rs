//! A frame reduced to blocks of 2 x 2 or 4 x 4 pixels: radiance, its variance, and whether a block can say "at least" or "at most".
use super::blocks::{self, BLOCKS, Sample};
use ndarray::Array3;
use std::ops::Range;
use stopspan_core::model::Bracket;
use stopspan_core::model::Compression;
use stopspan_core::model::{Noise, NoiseModel};
use stopspan_core::model::{Response, ResponseCurve};
use stopspan_core::raster::{Pixels, Transform, Work, dispatch_simd};

/// Codes (of 255) above the floor below which a block is black, and below the clip level above which a pixel may be
/// clipped (compression rings around clipped areas).
const MARGIN: (f64, f64) = (2.0, 3.0);

/// Standard deviation of what JPEG adds to the mean of a block, as a share of the bound that its quantisation sets, for
/// green; red and blue hang on the coarser chroma as well. Chosen so that the simulated still brackets at hand show no motion.
const LUMPS: f64 = 0.5;
/// Place that colours at half the resolution leave open, pixels: halved chroma planes, or a mosaic's photosites.
const HALVED: f32 = 0.4;
const CHROMA: f64 = 1.6;

/// What one block of one frame says of one channel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Word {
    /// Radiance, or the bound on it.
    pub x: f32,
    /// Its variance, with what response and exposure ratio leave open.
    pub v: f32,
    /// 1 if the radiance is at least `x` (not black), else 0.
    pub least: f32,
    /// 1 if the radiance is at most `x` (not clipped), else 0.
    pub most: f32,
}

impl Word {
    /// The same word beside (1) a clipped block of its frame, or not (0): there compression spreads what clipping did to
    /// the colours, so that an unclipped block says nothing.
    #[inline]
    pub(super) fn unsure(self, beside: f32) -> Word {
        Word {
            least: self.least * (1.0 - beside * self.most),
            most: self.most * (1.0 - beside),
            ..self
        }
    }
}

/// A block that a frame does not cover.
const NOTHING: Word = Word {
    x: 0.0,
    v: 1.0,
    least: 0.0,
    most: 0.0,
};

/// A row of words, each part of them by itself.
#[derive(Debug, Clone)]
pub(super) struct Words {
    pub x: Vec<f32>,
    pub v: Vec<f32>,
    pub least: Vec<f32>,
    pub most: Vec<f32>,
}

impl Words {
    fn new(blocks: usize) -> Self {
        Words {
            x: vec![NOTHING.x; blocks],
            v: vec![NOTHING.v; blocks],
            least: vec![NOTHING.least; blocks],
            most: vec![NOTHING.most; blocks],
        }
    }

    pub fn at(&self, block: usize) -> Word {
        Word {
            x: self.x[block],
            v: self.v[block],
            least: self.least[block],
            most: self.most[block],
        }
    }

    /// Says nothing of some blocks.
    fn forget(&mut self, blocks: Range<usize>) {
        self.x[blocks.clone()].fill(NOTHING.x);
        self.v[blocks.clone()].fill(NOTHING.v);
        self.least[blocks.clone()].fill(NOTHING.least);
        self.most[blocks].fill(NOTHING.most);
    }
}

/// A row of blocks by channel.
pub(super) type Line = Vec<Words>;

pub(super) struct View<'a> {
    pixels: &'a Pixels,
    transform: Transform,
    channels: Vec<Channel>,
    astray: f32,
    /// Side of a block, pixels.
    side: usize,
}

struct Channel {
    /// Radiance and variance by mean level of a block; empty for float samples.
    table: Vec<[f32; 2]>,
    /// Entries of the table that are not black and not clipped.
    between: Range<usize>,
    /// A pixel at or above this code (as a fraction of full scale) may be clipped.
    clipped: f32,
    light: Light,
}

/// What it takes to turn a level into a word.
struct Light {
    curve: ResponseCurve,
    noise: NoiseModel,
    factor: f64,
    gain: f64,
    /// Standard uncertainty of log2 exposure against the reference, stops.
    ratio_stops: f64,
    /// What compression leaves of a block's mean, 8-bit codes: it does not average over neighbours.
    lumps: f64,
    /// Pixels of a block whose noise is independent.
    independent: f64,
}

impl Light {
    fn word(&self, level: f64) -> Word {
        let curve = &self.curve;
        let black = curve.floor_level + MARGIN.0 / 255.0;
        // Clipped is at least the clip level, wherever it is encoded: developed raw frames put it at full scale.
        let seen = level.min(curve.clip_level).max(black);
        let exposure = curve.exposure_at(seen);
        let slope = curve.slope_at(seen) / 255.0;
        let noise = self.noise.variance(exposure, self.gain, slope) / self.independent
            + (slope * self.lumps).powi(2);
        let stops = self.ratio_stops.powi(2) + curve.uncertainty_at(seen).powi(2);
        let open = (std::f64::consts::LN_2 * exposure).powi(2) * stops;
        Word {
            x: (exposure / self.factor) as f32,
            v: ((noise + open) / (self.factor * self.factor)).max(1e-18) as f32,
            least: f32::from(level > black),
            most: f32::from(level < curve.clip_level),
        }
    }
}

impl<'a> View<'a> {
    pub(super) fn new(
        (bracket, frame): (&'a Bracket, usize),
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
                lumps: lumps(&this.picture.compression, c, response.curves.len()),
                independent: if demosaiced {
                    (side * side) as f64 / 4.0
                } else {
                    (side * side) as f64
                },
            };
            let last = entries(&this.picture.pixels, side);
            let entries = if last == 0 { 0..0 } else { 0..last + 1 };
            let words = entries.map(|i| light.word(i as f64 / last as f64));
            let words: Vec<Word> = words.collect();
            Channel {
                table: words.iter().map(|w| [w.x, w.v]).collect(),
                between: words.partition_point(|w| w.least == 0.0)
                    ..words.partition_point(|w| w.most == 1.0),
                clipped: (curve.clip_level - MARGIN.1 / 255.0) as f32,
                light,
            }
        });
        View {
            pixels: &this.picture.pixels,
            transform: this.transform.unwrap_or(Transform::IDENTITY),
            channels: channels.collect(),
            astray: if demosaiced {
                HALVED
            } else {
                astray(&this.picture.compression)
            },
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

    pub(super) fn channels(&self) -> usize {
        self.channels.len()
    }

    /// Place that the frame's own chroma leaves open, pixels: halved chroma planes put colours up to a pixel astray.
    pub(super) fn astray(&self) -> f32 {
        self.astray
    }

    /// A line of the right size.
    pub(super) fn line(&self) -> Line {
        vec![Words::new(self.dim().1); self.channels.len()]
    }

    /// Reads one row of blocks of the reference frame's geometry.
    pub(super) fn read(&self, row: usize, line: &mut Line) {
        match self.pixels {
            Pixels::U8(a) => self.read_from(a, row, line),
            Pixels::U16(a) => self.read_from(a, row, line),
            Pixels::F32(a) => self.read_from(a, row, line),
        }
    }

    fn read_from<T: Sample>(&self, samples: &Array3<T>, row: usize, line: &mut Line) {
        let full = self.pixels.full_scale();
        let scale = 1.0 / (full * (self.side * self.side) as f64);
        let place = (row, self.dim().1);
        let covered = match self.side {
            2 => blocks::read::<T, 2>(samples, place, &self.transform),
            _ => blocks::read::<T, 4>(samples, place, &self.transform),
        };
        for (c, words) in line.iter_mut().enumerate() {
            dispatch_simd(Fill {
                channel: &self.channels[c],
                sums: &covered.sums[c],
                peaks: &covered.peaks[c],
                energy: &covered.energy,
                scale,
                full,
                words,
            });
            for blocks in &covered.outside {
                words.forget(blocks.clone());
            }
        }
    }
}

/// Fills a row of words; `scale` makes mean levels of the blocks' sums. One channel after another, whose table stays in the
/// fastest memory.
struct Fill<'a> {
    channel: &'a Channel,
    sums: &'a [f32],
    peaks: &'a [f32],
    energy: &'a [f32],
    scale: f64,
    full: f64,
    words: &'a mut Words,
}

impl Work for Fill<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let (channel, words) = (self.channel, self.words);
        let last = channel.table.len().saturating_sub(1);
        let limit = f64::from(channel.clipped) * self.full;
        // Of whole codes those from the next one on.
        let limit = if last > 0 { limit.ceil() } else { limit } as f32;
        if last == 0 {
            for (i, &sum) in self.sums.iter().enumerate() {
                let word = channel.light.word(f64::from(sum) * self.scale);
                (words.x[i], words.v[i]) = (word.x, word.v);
                (words.least[i], words.most[i]) = (word.least, word.most);
            }
        } else {
            let entry = (self.scale * last as f64) as f32;
            let (from, to) = (channel.between.start as i32, channel.between.end as i32);
            let mut entries = [0i32; BLOCKS];
            let light = words.x.chunks_mut(BLOCKS).zip(words.v.chunks_mut(BLOCKS));
            let bounds = words.least.chunks_mut(BLOCKS);
            let bounds = bounds.zip(words.most.chunks_mut(BLOCKS));
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
        for (v, energy) in words.v.iter_mut().zip(self.energy) {
            *v *= energy;
        }
        for (most, &peak) in words.most.iter_mut().zip(self.peaks) {
            *most = if peak >= limit { 0.0 } else { *most };
        }
    }
}

fn astray(compression: &Compression) -> f32 {
    match compression {
        Compression::Jpeg {
            chroma_subsampled: true,
            ..
        } => HALVED,
        _ => 0.0,
    }
}

/// Deviation that compression leaves in the mean of a block, 8-bit codes.
fn lumps(compression: &Compression, channel: usize, channels: usize) -> f64 {
    match compression {
        Compression::Lossless => 0.0,
        Compression::Jpeg {
            quantisation_rms, ..
        } => {
            let chroma = channels == 3 && channel != 1;
            LUMPS * quantisation_rms * if chroma { CHROMA } else { 1.0 }
        }
    }
}

/// Last index of a table over mean levels: exact for bytes, 16 bits for deeper samples, none for floats.
fn entries(pixels: &Pixels, side: usize) -> usize {
    match pixels {
        Pixels::U8(_) => 255 * side * side,
        Pixels::U16(_) => 65535,
        Pixels::F32(_) => 0,
    }
}
