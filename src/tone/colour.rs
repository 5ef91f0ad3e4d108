//! Colour of display pixels: channel ratios, gamut compression, the sRGB encoding.
use super::paint::Coding;
use super::scene::{exp2, log2, nearest};
use stopspan_core::units::{Primaries, srgb_exposure, srgb_level};

/// Intervals of the encoding table over linear 0..=1.
const STEPS: usize = 16384;
/// Codes, of 255, through which a film is fitted: L* 25 and 50.
const FITTED: [f64; 2] = [59.0, 118.0];
/// Factor on the room above white with which colours are shown. In light that is fitted in below white a camera's own curve, 1, leaves a
/// sunset pale.
const VIVID: f32 = 2.0;
/// Exposure that all lighter ones are shown as, so that they stay finite; no display is light enough to tell them apart.
const LIGHTEST: f32 = 1e30;
/// Saturation, as a share of the largest in gamut, up to which colours are unchanged.
const KNEE: f32 = 0.8;

/// Conversion from the primaries of a map to those of a rendering.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mixing {
    /// Luminance of the map's red, green and blue primaries; their sum is 1.
    pub weights: [f32; 3],
    /// Luminance of the rendering's primaries; their sum is 1.
    lights: [f32; 3],
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
            lights: lights.map(|v| v as f32),
            matrix: (from != to).then(|| matrix.map(|row| row.map(|v| v as f32))),
        }
    }

    /// Luminance of the primaries of the rendering.
    pub fn lights(&self) -> [f32; 3] {
        self.lights
    }

    /// Linear RGB of a pixel in the primaries of the rendering.
    #[inline(always)]
    pub fn mix(&self, pixel: [f32; 3]) -> [f32; 3] {
        self.matrix.map_or(pixel, |m| product(m, pixel))
    }

    /// Brings pixels, channel by channel, into the primaries of the rendering. The choice is outside of the loop, which would
    /// not be computed in wide vectors otherwise.
    #[inline(always)]
    pub fn mix_all<const LANES: usize>(&self, [red, green, blue]: &mut [[f32; LANES]; 3]) {
        let Some(m) = self.matrix else { return };
        for i in 0..LANES {
            [red[i], green[i], blue[i]] = product(m, [red[i], green[i], blue[i]]);
        }
    }
}

#[inline(always)]
fn product(m: [[f32; 3]; 3], [r, g, b]: [f32; 3]) -> [f32; 3] {
    [
        m[0][0] * r + m[0][1] * g + m[0][2] * b,
        m[1][0] * r + m[1][1] * g + m[1][2] * b,
        m[2][0] * r + m[2][1] * g + m[2][2] * b,
    ]
}

/// How a camera shows colours: exposure u of a channel (1 just clips it) becomes light `(1 + c) u^p / (u^p + c)`, channel
/// by channel, so that colours grow stronger with the curve's contrast and go to white where channels come near clipping.
#[derive(Debug, Clone, Copy)]
pub(super) struct Film {
    contrast: f32,
    /// c of the camera's curve.
    room: f32,
    /// The same for colours, [`VIVID`] times as large.
    vivid_room: f32,
}

impl Film {
    /// The film that shows exposures of `stops` (below 1, log2) as these of [`FITTED`].
    pub fn through(stops: [f64; 2]) -> Self {
        let power = |light: f64, c: f64| (light * c / (1.0 + c - light)).log2();
        let [dark, mid] = FITTED.map(|level| srgb_exposure(level / 255.0));
        // Contrast between clipping and mid grey less that between mid grey and dark: falls as c grows.
        let excess = |c: f64| {
            let contrast = power(mid, c) / stops[1];
            (power(mid, c) - power(dark, c)) / (stops[1] - stops[0]) - contrast
        };
        let (mut low, mut high) = (-6.0f64, 8.0f64);
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if excess(middle.exp2()) < 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let room = high.exp2();
        Film {
            contrast: (power(mid, room) / stops[1]).clamp(0.8, 1.6) as f32,
            room: room as f32,
            vivid_room: VIVID * room as f32,
        }
    }

    /// Exposure that is shown at a lightness of 8 to 100 L*, stops (0 just clips).
    pub fn stops(&self, lightness: f64) -> f64 {
        let light = ((lightness + 16.0) / 116.0).powi(3);
        let room = f64::from(self.room);
        (light * room / (1.0 + room - light)).log2() / f64::from(self.contrast)
    }

    /// Linear display light, at most `peak`, of a pixel of which the camera would show luminance `display`. `pixel` is
    /// linear RGB in the rendering's primaries, `scene > 0` its luminance. Luminance is preserved exactly: what light
    /// the channels lack is white. Colours outside the display's gamut are desaturated smoothly towards grey of the same
    /// luminance, which preserves hue (in linear light) and the order of saturations.
    #[inline(always)]
    pub fn colour(&self, pixel: [f32; 3], light: Light, lights: [f32; 3]) -> [f32; 3] {
        let Light {
            scene,
            display,
            saturation,
            peak,
        } = light;
        let y = display / peak;
        let room = self.vivid_room;
        let grey = log2(room * y / (1.0 + room - y)) - self.contrast * log2(scene);
        let red = self.channel(pixel[0], grey, peak);
        let green = self.channel(pixel[1], grey, peak);
        let blue = self.channel(pixel[2], grey, peak);
        let sum = lights[0] * red + lights[1] * green + lights[2] * blue;
        let scale = saturation * (display / sum.max(1e-12)).min(1.0);
        let chroma = [
            (red - sum) * scale,
            (green - sum) * scale,
            (blue - sum) * scale,
        ];
        within_gamut(chroma, display, peak)
    }

    /// Light of one channel where grey pixels have log2 `grey` less `contrast` times that of their exposure.
    #[inline(always)]
    fn channel(&self, exposure: f32, grey: f32, peak: f32) -> f32 {
        let t = exp2(grey + self.contrast * log2(exposure.max(0.0))).min(LIGHTEST);
        let room = self.vivid_room;
        peak * (1.0 + room) * t / (t + room)
    }
}

/// Linear display light of luminance `display`, at most `peak`, and of chroma `chroma` (differences from that luminance),
/// which is drawn towards grey smoothly where the display's gamut ends.
#[inline(always)]
pub(super) fn within_gamut(chroma: [f32; 3], display: f32, peak: f32) -> [f32; 3] {
    let high = chroma[0].max(chroma[1]).max(chroma[2]);
    let low = chroma[0].min(chroma[1]).min(chroma[2]);
    let (above, below) = ((peak - display).max(1e-6), display.max(1e-6));
    // Saturation of this colour as a share of the largest in gamut.
    let reach = (high / above).max(-low / below);
    let over = ((reach - KNEE) * (1.0 / (1.0 - KNEE))).max(0.0);
    // No branch, which would be taken pixel by pixel.
    let kept = ((KNEE + (1.0 - KNEE) * over / (1.0 + over)) / reach.max(1e-9)).min(1.0);
    [
        display + kept * chroma[0],
        display + kept * chroma[1],
        display + kept * chroma[2],
    ]
}

/// Luminance of a pixel: of the scene, on the display, and the largest there; and a factor on its saturation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Light {
    pub scene: f32,
    pub display: f32,
    pub saturation: f32,
    pub peak: f32,
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
        #[expect(clippy::manual_clamp, reason = "NaN becomes black")]
        let position = light.max(0.0).min(1.0) * STEPS as f32;
        let index = nearest(position - 0.5).min(STEPS as i32 - 1);
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
            let lights = [0.2126, 0.7152, 0.0722];
            let scene: f32 = (0..3).map(|k| lights[k] * pixel[k]).sum();
            for display in [0.01, 0.3, 0.7, 0.95, 1.0] {
                let light = Light {
                    scene,
                    display,
                    saturation: 1.0,
                    peak: 1.0,
                };
                let out = Film::through([-4.9, -3.25]).colour(pixel, light, lights);
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
