//! Pictures on the screen: small copies for lists, and tiles of any of several sizes, from whole to pixels.
use super::kept::{Kept, Memory};
use super::limits::limits;
use super::reply::{Answer, Refusal, Reply};
use super::shared::Shared;
use crate::pipeline::{OpenedPicture, Settings};
use ndarray::{Array3, s};
use rayon::prelude::*;
use serde_json::json;
use std::path::Path;
use std::sync::Arc;
use stopspan_core::model::{DisplayConversion, file_name};
use stopspan_core::results::PictureKind;
use stopspan_formats as formats;

/// Side of a tile, pixels.
pub(super) const TILE: usize = 256;
/// Longest side of a small copy, pixels.
const SMALL: usize = 256;
/// Most bytes of decoded pictures.
const DECODED: usize = 384 << 20;
/// Most bytes of small copies.
const COPIES: usize = 16 << 20;
/// Quality of views.
const QUALITY: u8 = 88;

/// Pictures kept decoded.
pub(super) struct Pictures {
    shown: Kept<Shown>,
    small: Kept<Vec<u8>>,
}

impl Default for Pictures {
    fn default() -> Self {
        Pictures {
            shown: Kept::new(DECODED),
            small: Kept::new(COPIES),
        }
    }
}

/// A picture as 8-bit sRGB, and the same at half the size again and again.
struct Shown {
    levels: Vec<Array3<u8>>,
    bits: u32,
}

impl Memory for Shown {
    fn bytes(&self) -> usize {
        self.levels.iter().map(Array3::len).sum()
    }
}

impl Memory for Vec<u8> {
    fn bytes(&self) -> usize {
        self.len()
    }
}

impl Shown {
    fn of(file: &Path) -> Result<Self, Refusal> {
        let mut settings = Settings::new(Vec::new(), Default::default());
        settings.overrides.limits = limits();
        let opened = OpenedPicture::open(file, PictureKind::Frame, &settings)?;
        let conversion = DisplayConversion::of_frame(opened.frame(), &opened.bracket().primaries());
        let pixels = opened.into_pixels();
        let bits = pixels.bits();
        let whole = conversion.in_8_bits(&pixels).into_owned();
        Ok(Shown {
            levels: halves(whole),
            bits,
        })
    }

    fn level(&self, level: usize) -> Result<&Array3<u8>, Refusal> {
        self.levels.get(level).ok_or_else(Refusal::unknown)
    }
}

/// The picture, and halves of it until one fits a tile.
fn halves(whole: Array3<u8>) -> Vec<Array3<u8>> {
    let mut levels = vec![whole];
    while let Some(last) = levels.last().filter(|l| l.dim().0.max(l.dim().1) > TILE) {
        let half = half(last);
        levels.push(half);
    }
    levels
}

/// Means of 2 x 2 codes, rounded; at odd edges of those there are.
fn half(of: &Array3<u8>) -> Array3<u8> {
    let (rows, columns, channels) = of.dim();
    let (height, width) = (rows.div_ceil(2), columns.div_ceil(2));
    let mut out = vec![0; height * width * channels];
    out.par_chunks_mut(width * channels)
        .enumerate()
        .for_each(|(row, line)| {
            let (above, below) = (2 * row, (2 * row + 1).min(rows - 1));
            for (column, pixel) in line.chunks_exact_mut(channels).enumerate() {
                let (left, right) = (2 * column, (2 * column + 1).min(columns - 1));
                for (k, code) in pixel.iter_mut().enumerate() {
                    let four = [[above, left], [above, right], [below, left], [below, right]];
                    let sum: u16 = four.iter().map(|&[r, c]| u16::from(of[[r, c, k]])).sum();
                    *code = ((sum + 2) / 4) as u8;
                }
            }
        });
    Array3::from_shape_vec((height, width, channels), out).unwrap_or_default()
}

/// Rows and columns of a tile in a picture of this size.
pub(super) fn tile_at(
    (rows, columns): (usize, usize),
    (x, y): (usize, usize),
) -> Result<(std::ops::Range<usize>, std::ops::Range<usize>), Refusal> {
    let (left, top) = (x.saturating_mul(TILE), y.saturating_mul(TILE));
    if left >= columns || top >= rows {
        return Err(Refusal::unknown());
    }
    Ok((
        top..(top + TILE).min(rows),
        left..(left + TILE).min(columns),
    ))
}

impl Pictures {
    fn shown(&self, desk: &Shared, id: &str) -> Result<Arc<Shown>, Refusal> {
        let file = desk.picture(id)?;
        self.shown.get(&file, || Shown::of(&file))
    }

    /// Size and levels of a picture.
    pub fn about(&self, desk: &Shared, id: &str) -> Answer {
        let file = desk.picture(id)?;
        let shown = self.shown(desk, id)?;
        let (rows, columns, channels) = shown.level(0)?.dim();
        Ok(Reply::json(&json!({
            "picture": id, "file": file_name(&file), "columns": columns, "rows": rows, "tile": TILE,
            "levels": shown.levels.len(), "bits": shown.bits, "channels": channels,
        })))
    }

    /// A tile as PNG.
    pub fn tile(&self, desk: &Shared, id: &str, [level, x, y]: [usize; 3]) -> Answer {
        let shown = self.shown(desk, id)?;
        let codes = shown.level(level)?;
        let (rows, columns) = tile_at((codes.dim().0, codes.dim().1), (x, y))?;
        let png = formats::png::encode8(codes.slice(s![rows, columns, ..]), None);
        Ok(Reply::bytes(
            "image/png",
            png.map_err(|e| cannot_be_shown(&e))?,
        ))
    }

    /// The whole picture as JPEG, at most `longest` pixels long.
    pub fn view(&self, desk: &Shared, id: &str, longest: usize) -> Answer {
        let shown = self.shown(desk, id)?;
        let fits = |l: &&Array3<u8>| l.dim().0.max(l.dim().1) >= longest;
        let level = shown.levels.iter().rev().find(fits);
        let codes = level.map_or_else(|| shown.level(0), Ok)?;
        let jpeg = formats::preview_jpeg(codes.view(), longest as u32, QUALITY);
        Ok(Reply::bytes(
            "image/jpeg",
            jpeg.map_err(|e| cannot_be_shown(&e))?,
        ))
    }

    /// A small copy as JPEG.
    pub fn thumb(&self, desk: &Shared, id: &str) -> Answer {
        let file = desk.picture(id)?;
        let made = || Ok(formats::thumbnail(&file, &limits(), SMALL)?);
        let small = self.small.get(&file, made)?;
        Ok(Reply::bytes("image/jpeg", small.as_ref().clone()))
    }

    /// Lets decoded pictures go, where a run needs the memory.
    pub fn clear(&self) {
        self.shown.clear();
    }
}

pub(super) fn cannot_be_shown(error: &std::io::Error) -> Refusal {
    Refusal::senseless(format!("The picture cannot be shown ({error})."))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_are_means_and_end_at_a_tile() {
        let whole = Array3::from_shape_fn((3, 5, 1), |(r, c, _)| (10 * r + c) as u8);
        let small = half(&whole);
        assert_eq!(small.dim(), (2, 3, 1));
        // (0 + 1 + 10 + 11) / 4 = 5.5; the last pixel stands alone.
        assert_eq!((small[[0, 0, 0]], small[[1, 2, 0]]), (6, 24));
        let levels = halves(Array3::zeros((300, 1030, 3)));
        let sizes: Vec<_> = levels.iter().map(|l| (l.dim().0, l.dim().1)).collect();
        assert_eq!(sizes, [(300, 1030), (150, 515), (75, 258), (38, 129)]);
    }

    #[test]
    fn tiles_end_with_the_picture() {
        assert_eq!(
            tile_at((300, 1030), (4, 1)).unwrap(),
            (256..300, 1024..1030)
        );
        assert!(tile_at((300, 1030), (5, 0)).is_err());
        assert!(tile_at((300, 1030), (0, usize::MAX)).is_err());
    }
}
