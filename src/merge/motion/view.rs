//! A frame reduced to blocks of 2 x 2 or 4 x 4 pixels: radiance, its variance, and whether a block can say "at least" or "at most".
use super::square::{Span, Square};
use crate::formats::Compression;
use crate::frames::Bracket;
use crate::merge::noise::{Noise, NoiseModel};
use crate::raster::{Pixels, Point, Transform, Work, wide};
use crate::response::{Response, ResponseCurve};
use ndarray::Array3;

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

/// A row of blocks by channel.
pub(super) type Line = Vec<Vec<Word>>;

pub(super) struct View<'a> {
    pixels: &'a Pixels,
    transform: Option<Transform>,
    channels: Vec<Channel>,
    astray: f32,
    /// Side of a block, pixels.
    side: usize,
}

struct Channel {
    /// By mean level of a block; empty for float samples.
    table: Vec<Word>,
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
        let open =
            std::f64::consts::LN_2 * exposure * self.ratio_stops.hypot(curve.uncertainty_at(seen));
        Word {
            x: (exposure / self.factor) as f32,
            v: ((noise + open * open) / (self.factor * self.factor)).max(1e-18) as f32,
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
                gain: crate::merge::gain(bracket, frame),
                ratio_stops,
                lumps: lumps(&this.picture.compression, c, response.curves.len()),
                independent: if demosaiced {
                    (side * side) as f64 / 4.0
                } else {
                    (side * side) as f64
                },
            };
            let last = entries(&this.picture.pixels, side);
            let place = |i: usize| i as f64 / last as f64;
            Channel {
                table: if last == 0 {
                    Vec::new()
                } else {
                    (0..=last).map(|i| light.word(place(i))).collect()
                },
                clipped: (curve.clip_level - MARGIN.1 / 255.0) as f32,
                light,
            }
        });
        View {
            pixels: &this.picture.pixels,
            transform: this.transform,
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
        vec![vec![NOTHING; self.dim().1]; self.channels.len()]
    }

    /// Reads one row of blocks of the reference frame's geometry.
    pub(super) fn read(&self, block_row: usize, line: &mut Line) {
        match (&self.transform, self.pixels) {
            (None, Pixels::U8(a)) => self.read_codes(a, 255.0, block_row, line),
            (None, Pixels::U16(a)) => self.read_codes(a, 65535.0, block_row, line),
            _ => self.read_anywhere(block_row, line),
        }
    }

    /// Blocks of integer samples of a frame that lies where the reference does.
    fn read_codes<T: Copy + Default + Ord + Into<u32>>(
        &self,
        samples: &Array3<T>,
        full: f64,
        block_row: usize,
        line: &mut Line,
    ) {
        let (_, columns, channels) = samples.dim();
        let (width, first) = (columns * channels, block_row * self.side);
        let all = samples.as_slice().unwrap_or_default();
        let rows = &all[first * width..(first + self.side) * width];
        let mut sums = vec![0u32; width];
        let mut peaks = vec![T::default(); width];
        for row in rows.chunks_exact(width.max(1)) {
            wide(AddRow {
                row,
                sums: &mut sums,
                peaks: &mut peaks,
            });
        }
        for (c, (line, channel)) in line.iter_mut().zip(&self.channels).enumerate() {
            let limit = (f64::from(channel.clipped) * full).ceil() as u32;
            let place = (c, channels);
            match self.side {
                2 => channel.read_codes::<T, 2>((&sums, &peaks), place, limit, line),
                _ => channel.read_codes::<T, 4>((&sums, &peaks), place, limit, line),
            }
        }
    }

    /// Blocks of frames that lie elsewhere, or of deeper samples: the mean over the square that a block covers, pixels
    /// counting by the area covered.
    fn read_anywhere(&self, block_row: usize, line: &mut Line) {
        let blocks = self.dim().1;
        for block in 0..blocks {
            let centre = Point {
                x: (block * self.side + self.side / 2) as f64,
                y: (block_row * self.side + self.side / 2) as f64,
            };
            let at = self.transform.map_or(Some(centre), |t| t.apply(centre));
            let square = at.and_then(|at| self.square(at));
            for (c, line) in line.iter_mut().enumerate() {
                line[block] = match &square {
                    Some(square) => self.word(square, c),
                    None => NOTHING,
                };
            }
        }
    }

    fn square(&self, at: Point) -> Option<Square> {
        let (across, down) = (Span::new(at.x, self.side), Span::new(at.y, self.side));
        let (rows, columns, _) = self.pixels.dim();
        let inside = |s: &Span, size: usize| s.first >= 0 && s.first as usize + s.len() <= size;
        (inside(&across, columns) && inside(&down, rows)).then_some(Square { across, down })
    }

    fn word(&self, square: &Square, c: usize) -> Word {
        let (across, down) = (&square.across, &square.down);
        let (mut sum, mut peak) = (0.0f32, 0.0f32);
        for (i, wy) in down.weights.iter().take(down.len()).enumerate() {
            for (k, wx) in across.weights.iter().take(across.len()).enumerate() {
                let level =
                    self.pixels
                        .level(down.first as usize + i, across.first as usize + k, c);
                sum += wx * wy * level;
                peak = peak.max(level);
            }
        }
        let channel = &self.channels[c];
        let mut word = if channel.table.is_empty() {
            channel.light.word(f64::from(sum))
        } else {
            let last = (channel.table.len() - 1) as f32;
            channel.table[((sum * last).round().max(0.0) as usize).min(channel.table.len() - 1)]
        };
        word.v *= across.energy(self.side) * down.energy(self.side);
        if peak >= channel.clipped {
            word.most = 0.0;
        }
        word
    }
}

impl Channel {
    /// The words of a row of blocks from the sums and the largest of its samples down every column; a block with a
    /// sample of `limit` or more may be clipped.
    fn read_codes<T: Copy + Ord + Into<u32>, const SIDE: usize>(
        &self,
        (sums, peaks): (&[u32], &[T]),
        (c, channels): (usize, usize),
        limit: u32,
        line: &mut [Word],
    ) {
        // An entry of the table is a sum of bytes, or the rounded mean of deeper samples.
        let deep = self.table.len() > 255 * SIDE * SIDE + 1;
        let count = (SIDE * SIDE) as u32;
        let (half, shift) = if deep {
            (count / 2, count.ilog2())
        } else {
            (0, 0)
        };
        let width = SIDE * channels;
        let blocks = sums.chunks_exact(width).zip(peaks.chunks_exact(width));
        for (word, (sums, peaks)) in line.iter_mut().zip(blocks) {
            let (mut sum, mut peak) = (sums[c], peaks[c]);
            for k in 1..SIDE {
                sum += sums[k * channels + c];
                peak = peak.max(peaks[k * channels + c]);
            }
            *word = self.table[((sum + half) >> shift) as usize];
            if peak.into() >= limit {
                word.most = 0.0;
            }
        }
    }
}

/// A row of samples added to those above it.
struct AddRow<'a, T> {
    row: &'a [T],
    sums: &'a mut [u32],
    peaks: &'a mut [T],
}

impl<T: Copy + Ord + Into<u32>> Work for AddRow<'_, T> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let all = self.row.iter().zip(self.sums).zip(self.peaks);
        for ((&sample, sum), peak) in all {
            *sum += sample.into();
            *peak = (*peak).max(sample);
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
