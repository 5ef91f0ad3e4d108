//! Pictures for the page: reduction by box averages, and encoded files that the page embeds.
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use ndarray::parallel::prelude::*;
use ndarray::{Array3, Axis};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

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

/// A picture that the page embeds: the bytes of a PNG or JPEG file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct EmbeddedPicture {
    format: EmbeddedFormat,
    #[serde(serialize_with = "as_base64", deserialize_with = "from_base64")]
    file: Vec<u8>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
enum EmbeddedFormat {
    Png,
    Jpeg,
}

impl EmbeddedPicture {
    /// A PNG file, without loss. `None` if the picture is empty, has not three channels, or has a side above 65 535 pixels.
    pub fn png(picture: &Array3<u8>) -> Option<Self> {
        size(picture)?;
        let file = stopspan_formats::png::encode8(picture.view(), None).ok()?;
        let format = EmbeddedFormat::Png;
        Some(EmbeddedPicture { format, file })
    }

    /// A JPEG file of quality 85. `None` as for [`EmbeddedPicture::png`].
    pub fn jpeg(picture: &Array3<u8>) -> Option<Self> {
        const QUALITY: u8 = 85;
        let (width, height) = size(picture)?;
        let mut file = Vec::new();
        let samples: Vec<u8> = picture.iter().copied().collect();
        jpeg_encoder::Encoder::new(&mut file, QUALITY)
            .encode(&samples, width, height, jpeg_encoder::ColorType::Rgb)
            .ok()?;
        let format = EmbeddedFormat::Jpeg;
        Some(EmbeddedPicture { format, file })
    }

    /// The file as a data URI (RFC 2397).
    pub fn uri(&self) -> String {
        let kind = match self.format {
            EmbeddedFormat::Png => "png",
            EmbeddedFormat::Jpeg => "jpeg",
        };
        format!("data:image/{kind};base64,{}", STANDARD.encode(&self.file))
    }
}

fn as_base64<S: Serializer>(file: &[u8], to: S) -> Result<S::Ok, S::Error> {
    to.serialize_str(&STANDARD.encode(file))
}

fn from_base64<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<u8>, D::Error> {
    let text = String::deserialize(from)?;
    STANDARD.decode(text).map_err(serde::de::Error::custom)
}

fn size(picture: &Array3<u8>) -> Option<(u16, u16)> {
    let (rows, columns, channels) = picture.dim();
    let (width, height) = (u16::try_from(columns).ok()?, u16::try_from(rows).ok()?);
    (channels == 3 && width > 0 && height > 0).then_some((width, height))
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
        let uri = EmbeddedPicture::png(&picture).unwrap().uri();
        let text = uri.strip_prefix("data:image/png;base64,").unwrap();
        let bytes = STANDARD.decode(text).unwrap();
        let back = image::load_from_memory(&bytes).unwrap().to_rgb8();
        assert_eq!(back.dimensions(), (7, 5));
        assert_eq!(back.as_raw().as_slice(), picture.as_slice().unwrap());
    }

    #[test]
    fn empty_pictures_are_not_embedded() {
        assert!(EmbeddedPicture::png(&Array3::zeros((0, 4, 3))).is_none());
        assert!(EmbeddedPicture::jpeg(&Array3::zeros((4, 4, 1))).is_none());
    }

    #[test]
    fn a_kept_picture_is_bytes_and_nothing_else() {
        let picture = EmbeddedPicture::jpeg(&Array3::from_elem((8, 8, 3), 90)).unwrap();
        let kept = serde_json::to_string(&picture).unwrap();
        assert_eq!(
            serde_json::from_str::<EmbeddedPicture>(&kept).unwrap(),
            picture
        );
        for (from, to) in [
            ("\"jpeg\"", "\"svg+xml\""),
            ("\"file\":\"", "\"file\":\"\\\" onerror="),
        ] {
            assert!(kept.contains(from), "{kept}");
            assert!(serde_json::from_str::<EmbeddedPicture>(&kept.replace(from, to)).is_err());
        }
    }
}
