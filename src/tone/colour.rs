//! Colour of display pixels: channel ratios, gamut compression, the sRGB encoding.
use super::paint::Coding;
use stopspan_core::units::{Primaries, srgb_level};

/// Intervals of the encoding table over linear 0..=1.
const STEPS: usize = 16384;
/// Saturation, as a share of the largest in gamut, up to which colours are unchanged.
const KNEE: f32 = 0.8;

/// Conversion from the primaries of a map to those of a rendering.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mixing {
    /// Luminance of the map's red, green and blue primaries; their sum is 1.
    pub weights: [f32; 3],
    /// Linear RGB of the map -> linear RGB of the rendering; `None` for the identity.
    matrix: Option<[[f32; 3]; 3]>,
}

impl Mixing {
    pub fn new(from: Primaries, to: Primaries) -> Self {
        let matrix = from.to(&to);
        let lights = to.to_xyz()[1];
        let light = |k: usize| (0..3).map(|i| lights[i] * matrix[i][k]).sum::<f64>() as f32;
        Mixing {
            weights: [light(0), light(1), light(2)],
            matrix: (from != to).then(|| matrix.map(|row| row.map(|v| v as f32))),
        }
    }

    /// Linear RGB of a pixel in the primaries of the rendering.
    #[inline(always)]
    pub fn mix(&self, [r, g, b]: [f32; 3]) -> [f32; 3] {
        match self.matrix {
            None => [r, g, b],
            Some(m) => m.map(|row| row[0] * r + row[1] * g + row[2] * b),
        }
    }
}

/// Linear display light of a pixel: scene luminance `scene > 0`, display luminance `display` of at most `peak`,
/// saturation scaled by `saturation`. The formula `((C / L - 1) s + 1) L_out` (Mantiuk, Tomaszewska and Heidrich
/// 2009) preserves luminance exactly. Colours outside the display's gamut are desaturated smoothly towards grey of
/// the same luminance, which preserves hue (in linear light), luminance and the order of saturations.
#[inline(always)]
pub(super) fn display_colour(
    pixel: [f32; 3],
    scene: f32,
    display: f32,
    saturation: f32,
    peak: f32,
) -> [f32; 3] {
    let scale = saturation * display / scene;
    let chroma = pixel.map(|c| (c - scene) * scale);
    let high = chroma[0].max(chroma[1]).max(chroma[2]);
    let low = chroma[0].min(chroma[1]).min(chroma[2]);
    let (above, below) = ((peak - display).max(1e-6), display.max(1e-6));
    let inside = (high <= KNEE * above) & (-low <= KNEE * below);
    // Saturation of this colour as a share of the largest in gamut.
    let reach = (high / above).max(-low / below);
    let over = (reach - KNEE) / (1.0 - KNEE);
    let drawn = (KNEE + (1.0 - KNEE) * over / (1.0 + over)) / reach;
    let kept = if inside { 1.0 } else { drawn };
    chroma.map(|c| display + kept * c)
}

/// Table of the sRGB encoding (IEC 61966-2-1) to full-range 16-bit codes.
pub(super) struct Encoder {
    table: Vec<f32>,
}

impl Encoder {
    pub fn new() -> Self {
        let table = (0..=STEPS)
            .map(|i| (65535.0 * srgb_level(i as f64 / STEPS as f64)) as f32)
            .collect();
        Encoder { table }
    }
}

/// Light outside 0..=1 is clamped.
impl Coding for Encoder {
    #[inline(always)]
    fn locate(&self, light: f32) -> (u32, f32) {
        let position = light.clamp(0.0, 1.0) * STEPS as f32;
        let index = (position as i32).min(STEPS as i32 - 1);
        (index as u32, position - index as f32)
    }

    #[inline(always)]
    fn entries(&self) -> &[f32] {
        &self.table
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_the_standard_within_one_code() {
        let encoder = Encoder::new();
        for i in 0..=100_000 {
            let x = i as f32 / 100_000.0;
            let exact = 65535.0 * srgb_level(f64::from(x));
            assert!((f64::from(encoder.code(x)) - exact).abs() < 1.0, "{x}");
        }
        assert_eq!(encoder.code(f32::NAN), 0);
        assert_eq!(encoder.code(f32::INFINITY), 65535);
        assert_eq!(encoder.code(-1.0), 0);
    }

    #[test]
    fn colours_stay_inside_keep_luminance_and_hue() {
        for pixel in [
            [4.0, 0.1, 0.0],
            [0.0, 0.0, 9.0],
            [-0.2, 1.0, 0.3],
            [0.5, 0.4, 0.3],
        ] {
            let scene: f32 = 0.2126 * pixel[0] + 0.7152 * pixel[1] + 0.0722 * pixel[2];
            for display in [0.01, 0.3, 0.7, 0.95, 1.0] {
                let out = display_colour(pixel, scene, display, 1.0, 1.0);
                let y = 0.2126 * out[0] + 0.7152 * out[1] + 0.0722 * out[2];
                assert!((y - display).abs() < 1e-4, "{pixel:?} {display} {out:?}");
                assert!(
                    out.iter().all(|&c| (-1e-4..=1.0001).contains(&c)),
                    "{out:?}"
                );
                for (i, j) in [(0, 1), (1, 2), (0, 2)] {
                    assert!((pixel[i] - pixel[j]) * (out[i] - out[j]) >= -1e-6);
                }
            }
        }
    }
}
