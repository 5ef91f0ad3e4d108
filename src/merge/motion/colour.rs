//! Colour of blocks: the class that a response error depends on, and the distance from grey that channels mixed by the camera act by.
//!
//! One curve a channel is exact for greys alone: white balance and a colour matrix act before a camera's curve, saturation after
//! it. What is left depends on the colour, and on the level.
use super::view::ChannelRows;
use stopspan_core::raster::{Work, dispatch_simd};

/// Classes of red over green, and of blue over green: a quarter octave each, eight to either side of grey.
const SIDES: i32 = 16;
/// Number of classes of colour.
pub(super) const CLASSES: usize = (SIDES * SIDES) as usize;

/// Quarter octave of a radiance, counted from the lowest that a float can have.
#[inline(always)]
pub(super) fn quarter_octave(radiance: f32) -> i32 {
    (radiance.max(0.0).to_bits() >> 21) as i32
}

/// Class of colour of a radiance in red, green and blue.
#[inline(always)]
fn class(red: f32, green: f32, blue: f32) -> u16 {
    let green = quarter_octave(green);
    let side = |other: f32| (quarter_octave(other) - green + SIDES / 2).clamp(0, SIDES - 1);
    (side(red) * SIDES + side(blue)) as u16
}

/// Colours of a row of blocks.
#[derive(Debug, Clone, Default)]
pub(super) struct ColourRow {
    /// Class of colour, below [`CLASSES`]; 0 for frames of other than three channels.
    pub class: Vec<u16>,
    /// Largest radiance of any channel minus the smallest; 0 for frames of other than three channels.
    pub chroma: Vec<f32>,
}

impl ColourRow {
    /// The colours of `blocks` blocks, to be filled in.
    pub fn new(blocks: usize) -> Self {
        ColourRow {
            class: vec![0; blocks],
            chroma: vec![0.0; blocks],
        }
    }

    /// Fills in the colours of a row.
    pub fn fill(&mut self, row: &ChannelRows) {
        if let [red, green, blue] = row.as_slice() {
            dispatch_simd(Fill {
                channels: [&red.radiance, &green.radiance, &blue.radiance],
                out: self,
            });
        }
    }
}

struct Fill<'a> {
    channels: [&'a [f32]; 3],
    out: &'a mut ColourRow,
}

impl Work for Fill<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let [red, green, blue] = self.channels;
        let channels = red.iter().zip(green).zip(blue);
        let out = self.out.class.iter_mut().zip(&mut self.out.chroma);
        for ((class_of, chroma), ((&r, &g), &b)) in out.zip(channels) {
            *class_of = class(r, g, b);
            *chroma = r.max(g).max(b) - r.min(g).min(b);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_colour_keeps_its_class_at_any_light() {
        let grey = class(1.0, 1.0, 1.0);
        for stops in -12..4 {
            let light = f32::exp2(stops as f32);
            assert_eq!(class(light, light, light), grey);
            assert_eq!(
                class(2.0 * light, light, light / 4.0),
                class(2.0, 1.0, 0.25)
            );
        }
        assert_ne!(class(1.3, 1.0, 1.0), grey);
        // No colour and no value leaves the table.
        for value in [0.0, -1.0, f32::MIN_POSITIVE, f32::MAX, f32::NAN] {
            for other in [0.0, 1.0, f32::INFINITY] {
                assert!(usize::from(class(value, other, value)) < CLASSES);
                assert!(usize::from(class(other, value, other)) < CLASSES);
            }
        }
    }
}
