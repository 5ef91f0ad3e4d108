//! Small copies of pictures, encoded in memory.
use super::jpeg::{self, Subsampling};
use super::srgb_profile;
use image::imageops::{FilterType, resize};
use image::{ImageBuffer, Luma, Pixel, Rgb};
use ndarray::{Array3, ArrayView3};
use std::io;

/// Encodes display-ready 8-bit samples (1 or 3 channels, sRGB) as JPEG, reduced to at most `longest` pixels on the
/// longer side (never enlarged) with a triangle filter of matching width. `quality` is 1..=100.
///
/// # Errors
/// `InvalidInput` for an empty picture or other channel counts.
pub fn preview_jpeg(samples: ArrayView3<u8>, longest: u32, quality: u8) -> io::Result<Vec<u8>> {
    let small = match samples.dim().2 {
        1 => reduced::<Luma<u8>>(samples, longest),
        3 => reduced::<Rgb<u8>>(samples, longest),
        _ => None,
    };
    let small = small.ok_or(io::ErrorKind::InvalidInput)?;
    jpeg::encode(
        small.view(),
        quality,
        Subsampling::Full,
        Some(&srgb_profile()),
        None,
    )
}

/// The picture with at most `longest` pixels on the longer side; `None` if it is empty.
fn reduced<P: Pixel<Subpixel = u8> + 'static>(
    samples: ArrayView3<u8>,
    longest: u32,
) -> Option<Array3<u8>> {
    let (rows, columns, channels) = samples.dim();
    let all = rows.max(columns);
    if all <= longest.max(1) as usize {
        return (all > 0).then(|| samples.to_owned());
    }
    let side = |n: usize| u32::try_from(n).ok();
    let data = samples.iter().copied().collect();
    let whole = ImageBuffer::<P, Vec<u8>>::from_raw(side(columns)?, side(rows)?, data)?;
    let scale = f64::from(longest.max(1)) / all as f64;
    let shrunk = |n: usize| ((n as f64 * scale).round() as usize).max(1);
    let (high, wide) = (shrunk(rows), shrunk(columns));
    let small = resize(&whole, side(wide)?, side(high)?, FilterType::Triangle);
    Array3::from_shape_vec((high, wide, channels), small.into_raw()).ok()
}
