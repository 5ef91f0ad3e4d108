//! Codes of a file as an sRGB page shows them: files in other primaries are converted, sRGB's stay as they are.
use crate::raster::Pixels;
use crate::units::{Matrix, Primaries, apply, srgb_exposure, srgb_level};
use rayon::prelude::*;
use std::borrow::Cow;

/// From the codes of a file to those of sRGB (IEC 61966-2-1), 8 bits.
#[derive(Debug, Clone, Copy)]
pub(super) struct Shown {
    /// Linear light of the file's primaries -> that of sRGB; `None` where they are the same.
    to_srgb: Option<Matrix>,
    /// Adobe RGB (1998) is coded by a power of 563/256 instead of sRGB's curve.
    power: bool,
}

impl Shown {
    /// For a file of these primaries.
    pub fn of(primaries: &Primaries) -> Self {
        Shown {
            to_srgb: (!primaries.near(&Primaries::SRGB)).then(|| primaries.to(&Primaries::SRGB)),
            power: primaries.near(&Primaries::ADOBE_RGB),
        }
    }

    /// The code of R, G, B at a pixel; mono is grey.
    pub fn pixel(&self, pixels: &Pixels, row: usize, column: usize) -> [u8; 3] {
        let last = pixels.channels() - 1;
        self.code([0, 1, 2].map(|k| pixels.level(row, column, k.min(last))))
    }

    /// A whole picture; one that is shown as it is stays where it is.
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
        let Some(matrix) = &self.to_srgb else {
            return level.map(|v| eight(v.into()));
        };
        let linear = level.map(|v| match self.power {
            true => f64::from(v).powf(563.0 / 256.0),
            false => srgb_exposure(v.into()),
        });
        apply(matrix, linear).map(|v| eight(srgb_level(v.clamp(0.0, 1.0))))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array3;

    /// colour-science 0.4.7: `RGB_to_RGB` of 0.45, 0.5, 0.6 in Display P3 and in Adobe RGB (1998) to sRGB, decoded and encoded, in
    /// codes, rounded.
    #[test]
    fn other_primaries_come_out_as_another_library_says() {
        let pixels = Pixels::F32(Array3::from_shape_fn((1, 1, 3), |(_, _, k)| {
            [0.45, 0.5, 0.6][k]
        }));
        let p3 = Shown::of(&Primaries::DISPLAY_P3).pixel(&pixels, 0, 0);
        assert_eq!(p3, [112, 128, 155]);
        let adobe = Shown::of(&Primaries::ADOBE_RGB).pixel(&pixels, 0, 0);
        assert_eq!(adobe, [110, 129, 155]);
        let same = Shown::of(&Primaries::SRGB).pixel(&pixels, 0, 0);
        assert_eq!(same, [115, 128, 153]);
    }
}
