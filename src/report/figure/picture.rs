//! Pictures for the page: reduction by box averages, encoding as data URIs.
use base64::Engine;
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};

/// Reduces a picture by box averages of a whole factor, the least at which neither side exceeds `limit` pixels.
pub(crate) fn reduced(picture: &Array3<u8>, limit: usize) -> Array3<u8> {
    let (rows, columns, channels) = picture.dim();
    let factor = rows.max(columns).div_ceil(limit.max(1)).max(1);
    let shape = (
        (rows / factor).max(rows.min(1)),
        (columns / factor).max(columns.min(1)),
        channels,
    );
    let picture = picture.as_standard_layout();
    let samples = picture.as_slice().unwrap_or_default();
    let mut out = Array3::zeros(shape);
    let lines = out.axis_iter_mut(Axis(0)).into_par_iter().enumerate();
    lines.for_each(|(row, mut line)| {
        let high = factor.min(rows - row * factor);
        let mut sums = vec![0u32; columns * channels];
        for from in samples
            .chunks(sums.len().max(1))
            .skip(row * factor)
            .take(high)
        {
            let add = |(sum, v): (&mut u32, &u8)| *sum += u32::from(*v);
            sums.iter_mut().zip(from).for_each(add);
        }
        for ((column, channel), to) in line.indexed_iter_mut() {
            let cell = column * factor..((column + 1) * factor).min(columns);
            let count = ((high * cell.len()) as u32).max(1);
            let sum: u32 = cell.map(|c| sums[c * channels + channel]).sum();
            *to = ((sum + count / 2) / count) as u8;
        }
    });
    out
}

/// Encodes a picture as a PNG data URI, without loss. `None` if it is empty, has not three channels, or has a side above 65 535
/// pixels.
pub(crate) fn png_uri(picture: &Array3<u8>) -> Option<String> {
    size(picture)?;
    let bytes = stopspan_formats::png::encode8(picture.view(), None).ok()?;
    Some(uri("image/png", &bytes))
}

/// Encodes a picture as a JPEG data URI of quality 85. `None` as for [`png_uri`].
pub(crate) fn jpeg_uri(picture: &Array3<u8>) -> Option<String> {
    const QUALITY: u8 = 85;
    let (width, height) = size(picture)?;
    let mut bytes = Vec::new();
    let samples: Vec<u8> = picture.iter().copied().collect();
    jpeg_encoder::Encoder::new(&mut bytes, QUALITY)
        .encode(&samples, width, height, jpeg_encoder::ColorType::Rgb)
        .ok()?;
    Some(uri("image/jpeg", &bytes))
}

fn size(picture: &Array3<u8>) -> Option<(u16, u16)> {
    let (rows, columns, channels) = picture.dim();
    let (width, height) = (u16::try_from(columns).ok()?, u16::try_from(rows).ok()?);
    (channels == 3 && width > 0 && height > 0).then_some((width, height))
}

fn uri(kind: &str, bytes: &[u8]) -> String {
    let text = base64::engine::general_purpose::STANDARD.encode(bytes);
    format!("data:{kind};base64,{text}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn boxes_are_averaged_with_rounding() {
        let picture = Array3::from_shape_fn((2, 4, 3), |(r, c, _)| (r * 4 + c) as u8);
        let small = reduced(&picture, 2);
        assert_eq!(small.dim(), (1, 2, 3));
        assert_eq!(small[[0, 0, 0]], 3); // (0 + 1 + 4 + 5) / 4 = 2.5
        assert_eq!(small[[0, 1, 2]], 5); // (2 + 3 + 6 + 7) / 4 = 4.5
    }

    #[test]
    fn a_png_uri_reads_back_with_another_decoder() {
        let picture = Array3::from_shape_fn((5, 7, 3), |(r, c, k)| (r * 31 + c * 7 + k) as u8);
        let uri = png_uri(&picture).unwrap();
        let text = uri.strip_prefix("data:image/png;base64,").unwrap();
        let bytes = base64::engine::general_purpose::STANDARD
            .decode(text)
            .unwrap();
        let back = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert_eq!(back.dimensions(), (7, 5));
        assert_eq!(back.as_raw().as_slice(), picture.as_slice().unwrap());
    }

    #[test]
    fn empty_pictures_have_no_uri() {
        assert!(png_uri(&Array3::zeros((0, 4, 3))).is_none());
        assert!(jpeg_uri(&Array3::zeros((4, 4, 1))).is_none());
    }
}
