//! Raw mosaics: split into planes for merging, or demosaiced to three channels.
use ndarray::Array3;
use rayon::prelude::*;
use stopspan_core::model::Clip;
use stopspan_core::model::Samples;
use stopspan_core::model::{Bracket, Frame};
use stopspan_core::model::{LinearScale, raw_of};
use stopspan_core::raster::demosaic::{Sites, demosaic};
use stopspan_core::raster::{Mosaic, PLANES, Pixels};

/// The planes whose scale applies to red, green and blue.
const MAIN: [usize; 3] = [0, 1, 3];

/// The mosaic of a bracket's frames; `None` if they are not mosaics.
pub fn mosaic_of(bracket: &Bracket) -> Option<Mosaic> {
    raw_of(bracket)?.mosaic
}

/// Meaning of the pixels of decoded frames whose mosaics, if any, have been [split](split()).
pub fn samples(bracket: &Bracket) -> Samples {
    mosaic_of(bracket).map_or(Samples::Pictures, Samples::Planes)
}

/// Splits every mosaic into its planes, half the width and height; other frames are unchanged.
pub fn split(bracket: &mut Bracket) {
    bracket.frames.par_iter_mut().for_each(|frame| {
        if let Some(mosaic) = frame.picture.raw.as_ref().and_then(|r| r.mosaic) {
            frame.picture.pixels = mosaic.split(&frame.picture.pixels);
        }
    });
}

/// Converts frames of planes to frames of three channels at full size: white-balanced exposures are demosaiced and
/// converted back to levels with one black level for all channels. `scales` and `clips` are those of the planes. A
/// sample that depends on a clipped photosite is set to full scale. Transforms are removed, since they apply to
/// planes.
pub fn develop(bracket: &mut Bracket, mosaic: Mosaic, scales: &[LinearScale], clips: &[Clip]) {
    let black = scales.iter().map(|s| s.black).fold(0.0, f64::max);
    let clip = |p: usize| clips[p].clip_level - scales[p].black;
    let white = [clip(0), clip(1).min(clip(2)), clip(3)].map(|c| black + c);
    let development = Development {
        mosaic,
        scales,
        clips,
        black,
    };
    bracket
        .frames
        .par_iter_mut()
        .for_each(|frame| development.frame(frame, &white));
}

struct Development<'a> {
    mosaic: Mosaic,
    scales: &'a [LinearScale],
    clips: &'a [Clip],
    black: f64,
}

impl Development<'_> {
    fn frame(&self, frame: &mut Frame, white: &[f64; 3]) {
        frame.picture.pixels = Pixels::U16(self.pixels(&frame.picture.pixels));
        frame.transform = None;
        if let Some(raw) = &mut frame.picture.raw {
            raw.mosaic = None;
            raw.black = vec![self.black; 3];
            raw.white = white.to_vec();
            raw.settled = true;
        }
    }

    fn pixels(&self, pixels: &Pixels) -> Array3<u16> {
        let (down, across, _) = pixels.dim();
        let (rows, columns) = (2 * down, 2 * across);
        let planes: Vec<Vec<f32>> = (0..PLANES)
            .into_par_iter()
            .map(|plane| self.exposures(pixels, plane))
            .collect();
        let sites = Sites {
            planes: std::array::from_fn(|k| planes[k].as_slice()),
            across,
            mosaic: self.mosaic,
        };
        let developed = demosaic(sites, 0..rows, self.darkest(pixels));
        let code = MAIN.map(|p| (65535.0 / self.scales[p].per_level) as f32);
        let black = (65535.0 * self.black) as f32;
        let mut out = Array3::zeros((rows, columns, 3));
        let lines = out.as_slice_mut().unwrap_or_default();
        lines
            .par_chunks_mut((columns * 3).max(1))
            .enumerate()
            .for_each(|(row, line)| {
                for (k, plane) in developed.iter().enumerate() {
                    let exposures = &plane[row * columns..][..columns];
                    for (pixel, &exposure) in line.as_chunks_mut::<3>().0.iter_mut().zip(exposures)
                    {
                        pixel[k] = if exposure.is_finite() {
                            (black + exposure * code[k] + 0.5) as u16
                        } else {
                            u16::MAX
                        };
                    }
                }
            });
        out
    }

    /// White-balanced exposure of every photosite of a plane, row by row; infinite if clipped.
    fn exposures(&self, pixels: &Pixels, plane: usize) -> Vec<f32> {
        let scale = &self.scales[plane];
        let exposure = |level: f64| {
            if level >= self.clips[plane].clip_level - 1e-9 {
                f32::INFINITY
            } else {
                ((level - scale.black) * scale.per_level) as f32
            }
        };
        if let Pixels::U16(codes) = pixels {
            let table: Vec<f32> = (0..=u16::MAX)
                .map(|code| exposure(f64::from(code) / 65535.0))
                .collect();
            let codes = codes.as_slice().unwrap_or_default();
            let codes = codes.iter().skip(plane).step_by(PLANES);
            return codes.map(|&code| table[usize::from(code)]).collect();
        }
        let (down, across, _) = pixels.dim();
        let places = (0..down).flat_map(|r| (0..across).map(move |c| (r, c)));
        places
            .map(|(r, c)| exposure(f64::from(pixels.level(r, c, plane))))
            .collect()
    }

    /// Standard deviation of the darkest samples, as exposure: from the samples below black, which are half-normal. A
    /// default if there are hardly any.
    fn darkest(&self, planes: &Pixels) -> f32 {
        let scale = &self.scales[1];
        let (down, across, _) = planes.dim();
        let step = (down * across / 100_000).max(1);
        let below = (0..down * across).step_by(step).filter_map(|i| {
            let level = f64::from(planes.level(i / across, i % across, 1));
            (level < scale.black && level > 0.0).then(|| (scale.black - level).powi(2))
        });
        let (count, sum) = below.fold((0usize, 0.0), |(n, s), v| (n + 1, s + v));
        let deviation = if count < 20 {
            1e-4
        } else {
            (sum / count as f64).sqrt()
        };
        (deviation * scale.per_level) as f32
    }
}
