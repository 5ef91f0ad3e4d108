//! The pass that makes the pixels: local gain, curve, colour, encoding, row by row.
use super::colour::{Encoder, Mixing, display_colour};
use super::curve::Curve;
use super::gain::{Gain, quantiles};
use super::scene::{REACH, Scene, log2, luminance};
use super::settings::{Operator, ToneSettings};
use super::{bilateral, default_look, logarithmic, photographic};
use crate::merge::RadianceMap;
use ndarray::{Array2, Array3};
use rayon::prelude::*;

/// Rows handled by one parallel task.
const BAND: usize = 16;

/// Renders a map: display-referred full-range 16-bit codes of shape (rows, columns, 3) in the colour space of
/// [`ToneSettings::output`], encoded after IEC 61966-2-1; a mono map gives grey. Negative and not-a-number radiance counts as black, infinite as
/// the brightest there is. The same map and settings give the same codes on any number of threads.
pub fn render(map: &RadianceMap, settings: &ToneSettings) -> Array3<u16> {
    let settings = settings.tamed();
    let radiance = map.radiance.as_standard_layout();
    let (rows, columns, channels) = radiance.dim();
    let mut out = Array3::zeros((rows, columns, 3));
    let (Some(from), Some(to)) = (radiance.as_slice(), out.as_slice_mut()) else {
        return out;
    };
    if from.is_empty() {
        return out;
    }
    let mixing = Mixing::new(map.primaries, settings.output.primaries());
    let scene = Scene::survey(radiance.view(), mixing.weights);
    let (gain, curve) = prepare(&scene, &settings);
    let painter = Painter {
        curve,
        mixing,
        encoder: Encoder::new(),
    };
    to.par_chunks_mut(columns * 3 * BAND)
        .zip(from.par_chunks(columns * channels * BAND))
        .enumerate()
        .for_each(|(band, (to, from))| {
            let mut logs = vec![0f32; columns];
            let mut lines = Vec::new();
            let rows = from
                .chunks_exact(columns * channels)
                .zip(to.chunks_exact_mut(columns * 3));
            for (i, (from, to)) in rows.enumerate() {
                for (log, pixel) in logs.iter_mut().zip(from.chunks_exact(channels)) {
                    *log = log2(luminance(pixel, mixing.weights));
                }
                if let Some(gain) = &gain {
                    gain.add_to_row(band * BAND + i, &mut logs, &mut lines);
                }
                let pixels = from.chunks_exact(channels).zip(to.chunks_exact_mut(3));
                for (&log, (pixel, out)) in logs.iter().zip(pixels) {
                    painter.paint(pixel, log, out);
                }
            }
        });
    out
}

/// The local gain (for local operators) and the curve for a scene.
fn prepare(scene: &Scene, settings: &ToneSettings) -> (Option<Gain>, Curve) {
    let local = |contrast: &dyn Fn(&Array2<f32>) -> f64| {
        // Black blocks would stretch the range without being seen.
        let (low, _) = quantiles(&scene.small, 0.005, 1.0);
        let guide = scene.small.mapv(|v| v.max(low as f32 - 2.0));
        let base = bilateral::base(&guide);
        let about = (contrast(&base), scene.mean_log());
        let compressed =
            bilateral::compress(&guide, &base, about, settings.local_contrast_stops.exp2());
        let gain = Gain::fit(&guide, &compressed, scene.block);
        (gain, compressed)
    };
    match settings.operator {
        Operator::Photographic => {
            let curve = Curve::new(settings, scene.mean_log(), photographic::operator(scene));
            (None, curve)
        }
        Operator::Logarithmic => {
            let curve = Curve::new(settings, scene.mean_log(), logarithmic::operator(scene));
            (None, curve)
        }
        Operator::Bilateral => {
            let (gain, compressed) = local(&bilateral::contrast);
            let operator = bilateral::operator(&compressed);
            (Some(gain), Curve::new(settings, scene.mean_log(), operator))
        }
        Operator::DefaultLook => {
            let (gain, compressed) = local(&|_| default_look::BASE_CONTRAST);
            let mid = default_look::mid_log(&compressed);
            let operator = default_look::operator(&compressed, mid);
            (Some(gain), Curve::new(settings, mid, operator))
        }
    }
}

/// What turns a pixel and its log2 luminance after the local gain into codes.
struct Painter {
    curve: Curve,
    mixing: Mixing,
    encoder: Encoder,
}

impl Painter {
    #[inline]
    fn paint(&self, pixel: &[f32], log: f32, out: &mut [u16]) {
        let scene = luminance(pixel, self.mixing.weights);
        if scene <= 0.0 {
            out.fill(0);
            return;
        }
        let (display, saturation) = self.curve.at(log);
        match pixel {
            [r, g, b] if scene < f32::MAX && log > -REACH => {
                let mixed = self.mixing.mix([*r, *g, *b]);
                let shown = display_colour(mixed, scene, display, saturation);
                for (code, linear) in out.iter_mut().zip(shown) {
                    *code = self.encoder.code(linear);
                }
            }
            _ => out.fill(self.encoder.code(display)),
        }
    }
}

/// The picture in 8 bits a sample: the nearest of the 256 full-range codes.
pub fn to_8_bit(picture: &Array3<u16>) -> Array3<u8> {
    picture.mapv(|code| ((u32::from(code) + 128) / 257) as u8)
}
