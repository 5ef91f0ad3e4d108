//! Converts codes of a file to sRGB for display: from other primaries, and from raw levels.
use super::Frame;
use super::{Raw, main_channel};
use crate::raster::Pixels;
use crate::units::{Matrix, Primaries, apply, srgb_exposure, srgb_level};
use ndarray::Array3;
use rayon::prelude::*;
use std::borrow::Cow;

/// Conversion from the codes of a file to 8-bit sRGB (IEC 61966-2-1).
#[derive(Debug, Clone, Copy)]
pub struct DisplayConversion {
    /// Linear RGB of the file -> linear sRGB; `None` for the identity.
    to_srgb: Option<Matrix>,
    /// True for Adobe RGB (1998), whose transfer function is the power 563/256 instead of sRGB's.
    power: bool,
    /// Black level and light per level of red, green and blue, if levels are linear.
    linear: Option<[(f64, f64); 3]>,
}

impl DisplayConversion {
    /// Conversion for a file of these primaries.
    pub fn of(primaries: &Primaries) -> Self {
        DisplayConversion {
            to_srgb: (!primaries.near(&Primaries::SRGB)).then(|| primaries.to(&Primaries::SRGB)),
            power: primaries.near(&Primaries::ADOBE_RGB),
            linear: None,
        }
    }

    /// Conversion for a frame of a bracket of these primaries. Raw levels are white-balanced; white is where green
    /// clips. Float samples are linear, with white at 1.
    pub fn of_frame(frame: &Frame, primaries: &Primaries) -> Self {
        let picture = &frame.picture;
        let float = matches!(picture.pixels, Pixels::F32(_)).then_some([(0.0, 1.0); 3]);
        DisplayConversion {
            linear: picture.raw.as_deref().map_or(float, scales),
            ..DisplayConversion::of(primaries)
        }
    }

    /// 8-bit sRGB of a pixel; mono gives grey.
    pub fn pixel(&self, pixels: &Pixels, row: usize, column: usize) -> [u8; 3] {
        let last = pixels.channels() - 1;
        if let (None, None, Pixels::U8(codes)) = (&self.linear, &self.to_srgb, pixels) {
            return [0, 1, 2].map(|k| codes[[row, column, k.min(last)]]);
        }
        self.code([0, 1, 2].map(|k| pixels.level(row, column, k.min(last))))
    }

    /// A whole picture in 8-bit sRGB, shape (rows, columns, 3), or one channel where an 8-bit picture has one; borrowed if nothing
    /// changes.
    pub fn in_8_bits<'a>(&self, pixels: &'a Pixels) -> Cow<'a, Array3<u8>> {
        match self.picture(pixels) {
            Cow::Borrowed(Pixels::U8(codes)) => return Cow::Borrowed(codes),
            Cow::Owned(Pixels::U8(codes)) => return Cow::Owned(codes),
            _ => {}
        }
        let (rows, columns, _) = pixels.dim();
        let mut codes = vec![0; rows * columns * 3];
        let lines = codes.par_chunks_exact_mut(columns.max(1) * 3).enumerate();
        lines.for_each(|(row, line)| {
            for (column, pixel) in line.chunks_exact_mut(3).enumerate() {
                pixel.copy_from_slice(&self.pixel(pixels, row, column));
            }
        });
        Cow::Owned(Array3::from_shape_vec((rows, columns, 3), codes).unwrap_or_default())
    }

    /// Converts a picture; borrows it if nothing changes.
    pub fn picture<'a>(&self, picture: &'a Pixels) -> Cow<'a, Pixels> {
        let (Some(_), Pixels::U8(codes)) = (&self.to_srgb, picture) else {
            return Cow::Borrowed(picture);
        };
        let mut codes = codes.clone();
        if let Some(samples) = codes.as_slice_mut() {
            samples.par_chunks_exact_mut(3).for_each(|rgb| {
                let level = [rgb[0], rgb[1], rgb[2]].map(|v| f32::from(v) / 255.0);
                rgb.copy_from_slice(&self.code(level));
            });
        }
        Cow::Owned(Pixels::U8(codes))
    }

    fn code(&self, level: [f32; 3]) -> [u8; 3] {
        let eight = |v: f64| (v.clamp(0.0, 1.0) * 255.0).round() as u8;
        let linear = match (&self.linear, &self.to_srgb) {
            (None, None) => return level.map(|v| eight(v.into())),
            (Some(scales), _) => std::array::from_fn(|k| {
                let (black, per_level) = scales[k];
                ((f64::from(level[k]) - black) * per_level).clamp(0.0, 1.0)
            }),
            (None, _) => level.map(|v| match self.power {
                true => f64::from(v).powf(563.0 / 256.0),
                false => srgb_exposure(v.into()),
            }),
        };
        let light = self.to_srgb.as_ref().map_or(linear, |m| apply(m, linear));
        light.map(|v| eight(srgb_level(v.clamp(0.0, 1.0))))
    }
}

/// Black level and light per level of raw frames of one or three channels.
fn scales(raw: &Raw) -> Option<[(f64, f64); 3]> {
    let gains = raw.gains();
    let last = gains.len().checked_sub(1)?;
    let main = main_channel(raw.black.len());
    let span = raw.white.get(main)? - raw.black.get(main)?;
    (last == 0 || last == 2)
        .then(|| [0, 1, 2].map(|k| (raw.black[k.min(last)], gains[k.min(last)] / span)))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// colour-science 0.4.7: `RGB_to_RGB` of 0.45, 0.5, 0.6 in Display P3 and in Adobe RGB (1998) to sRGB, decoded and encoded, in
    /// codes, rounded.
    #[test]
    fn other_primaries_come_out_as_another_library_says() {
        let pixels = Pixels::F32(Array3::from_shape_fn((1, 1, 3), |(_, _, k)| {
            [0.45, 0.5, 0.6][k]
        }));
        let p3 = DisplayConversion::of(&Primaries::DISPLAY_P3).pixel(&pixels, 0, 0);
        assert_eq!(p3, [112, 128, 155]);
        let adobe = DisplayConversion::of(&Primaries::ADOBE_RGB).pixel(&pixels, 0, 0);
        assert_eq!(adobe, [110, 129, 155]);
        let same = DisplayConversion::of(&Primaries::SRGB).pixel(&pixels, 0, 0);
        assert_eq!(same, [115, 128, 153]);
    }

    /// Float light of 0, 0.5 and 1 in sRGB's own primaries: codes 0, 188, 255 (IEC 61966-2-1: 0.5 is 0.7354), for a whole picture.
    #[test]
    fn float_frames_are_coded() {
        let light = [0.0f32, 0.5, 1.0];
        let pixels = Pixels::F32(Array3::from_shape_fn((1, 3, 3), |(_, c, _)| light[c]));
        let linear = Some([(0.0, 1.0); 3]);
        let shown = DisplayConversion {
            linear,
            ..DisplayConversion::of(&Primaries::SRGB)
        };
        let codes = shown.in_8_bits(&pixels);
        assert_eq!(
            codes.iter().step_by(3).copied().collect::<Vec<_>>(),
            [0, 188, 255]
        );
    }

    /// Balanced light of 0, 0.5 and, clipped, 1 in sRGB's own primaries: codes 0, 188, 255 (IEC 61966-2-1: 0.5 is 0.7354).
    #[test]
    fn raw_levels_are_balanced_and_coded() {
        let mut raw = Raw {
            black: vec![0.1; 3],
            white: vec![0.5, 0.5, 0.4],
            ..Raw::default()
        };
        raw.colour.neutral = Some([0.5, 1.0, 0.8]);
        let shown = DisplayConversion {
            linear: scales(&raw),
            ..DisplayConversion::of(&Primaries::SRGB)
        };
        assert_eq!(shown.code([0.1, 0.05, 0.1]), [0, 0, 0]);
        assert_eq!(shown.code([0.2, 0.3, 0.26]), [188; 3]);
        assert_eq!(shown.code([0.4, 0.5, 0.45]), [255; 3]);
    }
}
