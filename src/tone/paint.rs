//! Converts rows of pixels to codes through a look and a curve, in wide vectors except for table look-ups.
use super::colour::{Film, Light, Mixing};
use super::neutral::Neutral;
use super::scene::{Metering, nearest};
use super::table::Table;
use stopspan_core::raster::{Work, dispatch_simd};

/// Pixels processed together.
const LANES: usize = 64;
/// Luminance of pixels up to which they have no colour.
const DARKEST: f32 = 2.4e-10;
/// One number for each of these pixels.
type Lane = [f32; LANES];

/// A table of codes, interpolated linearly and rounded.
pub(super) trait Coding: Sync {
    /// Index of the table entry below a light (relative to reference white), and the fraction 0..=1 towards the next.
    fn locate(&self, light: f32) -> (u32, f32);
    /// Codes before rounding, by table entry.
    fn entries(&self) -> &[f32];

    /// Code of one light; black for light below the table and NaN.
    #[inline(always)]
    fn code(&self, light: f32) -> u16 {
        let (index, t) = self.locate(light);
        let pair = &self.entries()[index as usize..][..2];
        rounded(pair[0], pair[1], t)
    }
}

#[inline(always)]
fn rounded(a: f32, b: f32, t: f32) -> u16 {
    nearest(a + t * (b - a)).min(i32::from(u16::MAX)) as u16
}

/// What is applied to every pixel of a picture.
pub(super) struct Brush<'a, T> {
    /// What makes greys neutral, before mixing.
    pub neutral: Option<Neutral>,
    pub mixing: Mixing,
    pub metering: Metering,
    pub film: Film,
    /// Factor on saturation.
    pub saturation: f32,
    pub curve: &'a Table,
    /// Largest display luminance, relative to reference white.
    pub peak: f32,
    pub coding: &'a T,
}

impl<T: Coding> Brush<'_, T> {
    /// Codes of a row of 1 or 3 channels, given its tones and the share of colour kept.
    pub fn row(&self, from: &[f32], channels: usize, line: (&[f32], &[f32]), to: &mut [u16]) {
        let to = to.as_chunks_mut::<3>().0;
        match channels {
            3 => self.pixels(from.as_chunks::<3>().0, line, to),
            _ => self.pixels(from.as_chunks::<1>().0, line, to),
        }
    }

    fn pixels<const CHANNELS: usize>(
        &self,
        from: &[[f32; CHANNELS]],
        (tones, colour): (&[f32], &[f32]),
        to: &mut [[u16; 3]],
    ) {
        dispatch_simd(Row {
            brush: self,
            from,
            tones,
            colour,
            to,
        });
    }
}

struct Row<'a, T, const CHANNELS: usize> {
    brush: &'a Brush<'a, T>,
    from: &'a [[f32; CHANNELS]],
    tones: &'a [f32],
    colour: &'a [f32],
    to: &'a mut [[u16; 3]],
}

impl<T: Coding, const CHANNELS: usize> Work for Row<'_, T, CHANNELS> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Row {
            brush,
            from,
            tones,
            colour,
            to,
        } = self;
        let lines = tones.chunks(LANES).zip(colour.chunks(LANES));
        let pieces = from.chunks(LANES).zip(lines);
        for ((from, (tones, colour)), to) in pieces.zip(to.chunks_mut(LANES)) {
            let mut piece = Piece::new(from, tones, colour);
            piece.look_up(brush.curve);
            piece.lights(brush, CHANNELS == 3);
            let [red, green, blue] = &piece.pixels;
            let codes = [
                coded(brush.coding, red),
                coded(brush.coding, green),
                coded(brush.coding, blue),
            ];
            for (i, to) in to.iter_mut().enumerate() {
                *to = [codes[0][i], codes[1][i], codes[2][i]];
            }
        }
    }
}

/// A group of pixels: linear light (first of the scene, then of the display), tone, share of colour kept and display
/// luminance.
struct Piece {
    pixels: [Lane; 3],
    tones: Lane,
    colour: Lane,
    display: Lane,
}

impl Piece {
    /// Loads pixels; a mono sample is copied to all three channels.
    #[inline(always)]
    fn new<const CHANNELS: usize>(from: &[[f32; CHANNELS]], tones: &[f32], colour: &[f32]) -> Self {
        let mut piece = Piece {
            pixels: [[0.0; LANES]; 3],
            tones: [0.0; LANES],
            colour: [0.0; LANES],
            display: [0.0; LANES],
        };
        let [red, green, blue] = &mut piece.pixels;
        let to = red.iter_mut().zip(green).zip(blue);
        for (pixel, ((red, green), blue)) in from.iter().zip(to) {
            let last = CHANNELS - 1;
            (*red, *green, *blue) = (pixel[0], pixel[last.min(1)], pixel[last]);
        }
        piece.tones[..tones.len()].copy_from_slice(tones);
        piece.colour[..colour.len()].copy_from_slice(colour);
        piece
    }

    /// Looks up display luminance in the curve.
    #[inline(always)]
    fn look_up(&mut self, curve: &Table) {
        let (mut index, mut way) = ([0u32; LANES], [0.0; LANES]);
        for i in 0..LANES {
            (index[i], way[i]) = curve.locate(self.tones[i]);
        }
        let mut ends = [[0.0; LANES]; 2];
        for i in 0..LANES {
            [ends[0][i], ends[1][i]] = curve.entries(index[i]);
        }
        for i in 0..LANES {
            self.display[i] = ends[0][i] + way[i] * (ends[1][i] - ends[0][i]);
        }
    }

    /// Replaces scene light by linear display light. Pixels without light become black; pixels whose colour is
    /// undefined become grey.
    #[inline(always)]
    fn lights<T: Coding>(&mut self, brush: &Brush<T>, coloured: bool) {
        let [red, green, blue] = &self.pixels;
        let (mut scene, mut saturation) = ([0.0; LANES], [0.0; LANES]);
        for i in 0..LANES {
            scene[i] = if coloured {
                brush.metering.luminance(&[red[i], green[i], blue[i]])
            } else {
                brush.metering.luminance(&[red[i]])
            };
            let seen = coloured & (scene[i] < f32::MAX) & (scene[i] > DARKEST);
            saturation[i] = if seen {
                brush.saturation * self.colour[i]
            } else {
                0.0
            };
            self.display[i] = if scene[i] > 0.0 { self.display[i] } else { 0.0 };
        }
        if let Some(neutral) = brush.neutral {
            neutral.apply_all(&mut self.pixels);
        }
        brush.mixing.mix_all(&mut self.pixels);
        let [red, green, blue] = &mut self.pixels;
        // No branches here, which would be taken pixel by pixel.
        for i in 0..LANES {
            let light = Light {
                scene: scene[i],
                display: self.display[i],
                saturation: saturation[i],
                peak: brush.peak,
            };
            let pixel = [red[i], green[i], blue[i]];
            [red[i], green[i], blue[i]] = brush.film.colour(pixel, light, brush.mixing.lights());
        }
    }
}

#[inline(always)]
fn coded(coding: &impl Coding, light: &Lane) -> [u16; LANES] {
    let (mut index, mut way) = ([0u32; LANES], [0.0; LANES]);
    for i in 0..LANES {
        (index[i], way[i]) = coding.locate(light[i]);
    }
    let entries = coding.entries();
    let (mut a, mut b) = ([0.0; LANES], [0.0; LANES]);
    for i in 0..LANES {
        let pair = &entries[index[i] as usize..][..2];
        (a[i], b[i]) = (pair[0], pair[1]);
    }
    let mut codes = [0; LANES];
    for i in 0..LANES {
        codes[i] = rounded(a[i], b[i], way[i]);
    }
    codes
}

#[cfg(test)]
mod tests {
    use super::super::colour::Encoder;
    use super::super::headroom::Signal;
    use super::*;
    use rand::{Rng, SeedableRng};
    use stopspan_core::units::Primaries;

    /// The slow twin: pixel by pixel, with branches.
    fn slow<T: Coding>(brush: &Brush<T>, pixel: &[f32], tone: f32, colour: f32) -> [u16; 3] {
        let scene = brush.metering.luminance(pixel);
        let display = brush.curve.at(tone);
        let light = Light {
            scene,
            display,
            saturation: brush.saturation * colour,
            peak: brush.peak,
        };
        let light = match pixel {
            _ if scene <= 0.0 => [0.0; 3],
            &[r, g, b] if scene < f32::MAX && scene > DARKEST => {
                let mixed = brush.mixing.mix([r, g, b]);
                brush.film.colour(mixed, light, brush.mixing.lights())
            }
            _ => [display; 3],
        };
        light.map(|v| brush.coding.code(v))
    }

    fn same_as_slow(coding: &impl Coding, peak: f32, to: Primaries) {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(5);
        let curve = Table::of(Table::places().map(|log| (log.exp2() / 4.0).min(peak.into())));
        let mixing = Mixing::new(Primaries::SRGB, to);
        let brush = Brush {
            neutral: None,
            mixing,
            metering: Metering {
                weights: mixing.weights,
                floor: 0.0,
            },
            film: Film::through([-4.9, -3.25]),
            saturation: 1.1,
            curve: &curve,
            peak,
            coding,
        };
        let odd = [0.0, -1.0, 1e-40, f32::NAN, f32::INFINITY, f32::MAX];
        for (channels, columns) in [(1, 1), (1, 200), (3, 1), (3, 64), (3, 4097)] {
            let from: Vec<f32> = (0..columns * channels)
                .map(|_| match rng.random_range(0..40) {
                    k @ 0..6 => odd[k],
                    _ => rng.random_range(-20.0f32..8.0).exp2(),
                })
                .collect();
            let tones: Vec<f32> = (0..columns)
                .map(|_| rng.random_range(-33.0..33.0))
                .collect();
            let colour: Vec<f32> = (0..columns).map(|_| rng.random_range(0.0..1.0)).collect();
            let mut to = vec![0; 3 * columns];
            brush.row(&from, channels, (&tones, &colour), &mut to);
            let pixels = from.chunks_exact(channels).zip(tones.iter().zip(&colour));
            for (k, (pixel, (&tone, &colour))) in pixels.enumerate() {
                let wanted = slow(&brush, pixel, tone, colour);
                assert_eq!(to[3 * k..3 * k + 3], wanted, "{pixel:?} {tone}");
            }
        }
    }

    #[test]
    fn rows_are_those_of_pixel_by_pixel() {
        same_as_slow(&Encoder::new(), 1.0, Primaries::SRGB);
        same_as_slow(&Encoder::new(), 1.0, Primaries::DISPLAY_P3);
        same_as_slow(&Signal::new(), 4.9, Primaries::BT_2020);
    }
}
