//! The passes that compute pixels, row by row: pictures in display codes, and the gain between two of them.
use super::colour::Encoder;
use super::headroom::{REFERENCE_WHITE, Signal, pq_luminance};
use super::look::Look;
use super::paint::{Brush, Coding};
use super::scene::{log2, logs_of};
use super::settings::ToneSettings;
use super::table::Table;
use ndarray::{Array2, Array3, ArrayView3, Zip};
use rayon::prelude::*;
use std::borrow::Cow;
use stopspan_core::model::RadianceMap;
use stopspan_core::units::Primaries;

/// Rows in one parallel task.
const BAND: usize = 16;

/// Renders a map to display-referred full-range 16-bit codes of shape (rows, columns, 3) in the colour space
/// [`ToneSettings::output`], encoded after IEC 61966-2-1; a mono map gives grey. Negative and NaN radiance is
/// rendered as black (by the default look as the darkest tone of the scene), infinite radiance as the largest
/// representable. The codes do not depend on the number of threads.
pub fn render(map: &RadianceMap, settings: &ToneSettings) -> Array3<u16> {
    Prepared::of(map, settings).paint(&map.radiance)
}

/// A look made ready for one map, whose radiance alone is needed from there on.
pub struct Prepared(Option<Look>);

impl Prepared {
    /// Looks at the whole map, uncertainty and flags too.
    pub fn of(map: &RadianceMap, settings: &ToneSettings) -> Self {
        let (map, settings) = (in_standard_layout(map), settings.clamped());
        let look = || Look::of(&map, &settings, settings.output.primaries());
        Prepared((!map.radiance.is_empty()).then(look))
    }

    /// The picture that [`render`] makes of the map with this radiance.
    pub fn paint(&self, radiance: &Array3<f32>) -> Array3<u16> {
        let radiance = radiance.as_standard_layout();
        match &self.0 {
            Some(look) => paint(radiance.view(), look, &look.curve(), 1.0, &Encoder::new()),
            None => Array3::zeros((radiance.dim().0, radiance.dim().1, 3)),
        }
    }
}

/// A rendering for displays with a peak above reference white.
#[derive(Debug, Clone, PartialEq)]
pub struct BrightPicture {
    /// Full-range 16-bit PQ codes (ITU-R BT.2100) in the primaries of BT.2020, shape (rows, columns, 3).
    pub codes: Array3<u16>,
    /// Maximum content light level: the largest channel of any pixel, cd/m^2.
    pub lightest: f64,
    /// Average light level: mean over the picture of each pixel's largest channel, cd/m^2.
    pub average: f64,
}

/// Renders a map for a display with a peak of `peak` cd/m^2 (203..=10 000) and reference white at 203 cd/m^2 (ITU-R
/// BT.2408). Tones up to mid grey are as in [`render`]; lighter ones are extended instead of compressed, and limited
/// to the peak after ITU-R BT.2390. Negative, NaN and infinite radiance is treated as in [`render`].
pub fn render_bright(map: &RadianceMap, settings: &ToneSettings, peak: f64) -> BrightPicture {
    let (map, settings) = (in_standard_layout(map), settings.clamped());
    let (rows, columns, _) = map.radiance.dim();
    let codes = if map.radiance.is_empty() {
        Array3::zeros((rows, columns, 3))
    } else {
        let look = Look::of(&map, &settings, Primaries::BT_2020);
        let peak = clamp_peak(peak) / REFERENCE_WHITE;
        let signal = Signal::new();
        let curve = look.extended(peak);
        paint(map.radiance.view(), &look, &curve, peak as f32, &signal)
    };
    let (lightest, average) = content_light(&codes);
    BrightPicture {
        codes,
        lightest,
        average,
    }
}

fn clamp_peak(peak: f64) -> f64 {
    if peak.is_finite() {
        peak.clamp(REFERENCE_WHITE, 10_000.0)
    } else {
        1000.0
    }
}

/// Maximum and mean over the pixels of the largest channel, cd/m^2 (CTA-861.3, MaxCLL and MaxFALL).
fn content_light(codes: &Array3<u16>) -> (f64, f64) {
    let light: Vec<f64> = (0..=u16::MAX)
        .map(|c| pq_luminance(f64::from(c) / 65535.0))
        .collect();
    let largest = |p: &[u16]| p.iter().copied().max().unwrap_or(0);
    let samples = codes.as_slice().unwrap_or(&[]);
    // sums of fixed chunks in order, so that the number of threads does not matter
    let sums: Vec<(u16, f64)> = samples
        .par_chunks(3 << 16)
        .map(|chunk| {
            chunk
                .chunks_exact(3)
                .map(largest)
                .fold((0, 0.0), |(most, sum), code| {
                    (code.max(most), sum + light[usize::from(code)])
                })
        })
        .collect();
    let most = sums.iter().map(|s| s.0).max().unwrap_or(0);
    let sum: f64 = sums.iter().map(|s| s.1).sum();
    (
        light[usize::from(most)],
        sum / (samples.len() / 3).max(1) as f64,
    )
}

/// Log2 ratio of the light of [`render_bright`] to that of [`render`], means over blocks of `block` x `block` pixels.
/// `offset` (relative to reference white) is added to both first, as gain maps require.
pub fn bright_gain(
    map: &RadianceMap,
    settings: &ToneSettings,
    peak: f64,
    block: usize,
    offset: f64,
) -> Array2<f32> {
    let (map, settings, block) = (in_standard_layout(map), settings.clamped(), block.max(1));
    let (rows, columns, channels) = map.radiance.dim();
    let shape = (rows.div_ceil(block), columns.div_ceil(block));
    let mut out = Array2::zeros(shape);
    if map.radiance.is_empty() {
        return out;
    }
    let look = Look::of(&map, &settings, settings.output.primaries());
    let curves = (
        look.curve(),
        look.extended(clamp_peak(peak) / REFERENCE_WHITE),
    );
    let offset = offset as f32;
    let (Some(from), Some(to)) = (map.radiance.as_slice(), out.as_slice_mut()) else {
        return out;
    };
    let width = columns * channels;
    to.par_chunks_mut(shape.1)
        .zip(from.par_chunks(width * block))
        .enumerate()
        .for_each(|(band, (to, from))| {
            let mut line = Line::new(&look, columns);
            for (i, row) in from.chunks_exact(width).enumerate() {
                line.load(&look, row, channels, band * block + i);
                for (sum, tones) in to.iter_mut().zip(line.tones.chunks(block)) {
                    *sum += tones
                        .iter()
                        .map(|&tone| {
                            log2((curves.1.at(tone) + offset) / (curves.0.at(tone) + offset))
                        })
                        .sum::<f32>();
                }
            }
            let deep = from.len() / width;
            for (k, sum) in to.iter_mut().enumerate() {
                *sum /= (deep * block.min(columns - k * block)) as f32;
            }
        });
    out
}

/// The map with its radiance in standard layout.
fn in_standard_layout(map: &RadianceMap) -> Cow<'_, RadianceMap> {
    if map.radiance.is_standard_layout() {
        return Cow::Borrowed(map);
    }
    Cow::Owned(RadianceMap {
        radiance: map.radiance.as_standard_layout().into_owned(),
        ..map.clone()
    })
}

/// Tones of a row of pixels and the share of their colour that is kept, and scratch space.
struct Line {
    logs: Vec<f32>,
    tones: Vec<f32>,
    colour: Vec<f32>,
    across: Vec<(u32, f32)>,
    room: Vec<[f32; 2]>,
}

impl Line {
    fn new(look: &Look, columns: usize) -> Self {
        let across = look.gain.as_ref().map(|gain| gain.across(columns));
        Line {
            logs: vec![0.0; columns],
            tones: vec![0.0; columns],
            colour: vec![1.0; columns],
            across: across.unwrap_or_default(),
            room: Vec::new(),
        }
    }

    fn load(&mut self, look: &Look, row: &[f32], channels: usize, number: usize) {
        logs_of(row, channels, look.metering, &mut self.logs);
        match &look.scale {
            None => self.tones.copy_from_slice(&self.logs),
            Some(scale) => {
                for (tone, &log) in self.tones.iter_mut().zip(&self.logs) {
                    *tone = scale.at(log);
                }
            }
        }
        if let Some(gain) = &look.gain {
            gain.add_to_row(
                number,
                (&self.logs, &mut self.tones),
                &self.across,
                &mut self.room,
            );
            self.colour.fill(1.0);
            gain.colour_of_row(number, &self.across, &mut self.colour);
        }
        if let Some(white) = look.white {
            white.raise(&self.logs, &mut self.tones);
        }
        if let Some(most) = &look.colour {
            for (colour, &log) in self.colour.iter_mut().zip(&self.logs) {
                *colour = colour.min(most.at(log));
            }
        }
    }
}

/// Applies a look and a curve to every pixel and encodes the linear light, which is relative to reference white.
fn paint(
    radiance: ArrayView3<f32>,
    look: &Look,
    curve: &Table,
    peak: f32,
    coding: &impl Coding,
) -> Array3<u16> {
    let (rows, columns, channels) = radiance.dim();
    let mut out = Array3::zeros((rows, columns, 3));
    let (Some(from), Some(to)) = (radiance.to_slice(), out.as_slice_mut()) else {
        return out;
    };
    let width = columns * channels;
    let brush = Brush {
        neutral: look.neutral(),
        mixing: look.mixing,
        metering: look.metering,
        film: look.film,
        saturation: look.saturation(),
        curve,
        peak,
        coding,
    };
    to.par_chunks_mut(columns * 3 * BAND)
        .zip(from.par_chunks(width * BAND))
        .enumerate()
        .for_each(|(band, (to, from))| {
            let mut line = Line::new(look, columns);
            let rows = from
                .chunks_exact(width)
                .zip(to.chunks_exact_mut(columns * 3));
            for (i, (from, to)) in rows.enumerate() {
                line.load(look, from, channels, band * BAND + i);
                brush.row(from, channels, (&line.tones, &line.colour), to);
            }
        });
    out
}

/// Converts to 8 bits: the nearest of the 256 full-range codes.
pub fn to_8_bit(picture: &Array3<u16>) -> Array3<u8> {
    Zip::from(picture).par_map_collect(|&code| ((u32::from(code) + 128) / 257) as u8)
}
