//! How finished pictures and maps are written: kinds of files, their settings, what is carried over into them.
use crate::error::{Error, OutputProblem};
use crate::formats::jpeg::{self, Subsampling};
use crate::formats::staged::{Outputs, write_whole};
use crate::formats::{Carried, Header, display_p3_profile, png, srgb_profile, tiff};
use crate::tone::{OutputColour, to_8_bit};
use ndarray::Array3;
use std::path::Path;

/// Name and version, as written into files.
pub(super) const SOFTWARE: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));

/// How files are written.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delivery {
    /// Quality of JPEG files, 1..=100; scales the quantisation tables of ITU-T T.81 annex K. Default 92.
    pub jpeg_quality: u8,
    /// Resolution of chroma in JPEG files. Default full.
    pub jpeg_subsampling: Subsampling,
    /// Carry over where the reference frame was taken (its GPS fields). Default false.
    pub place: bool,
}

impl Default for Delivery {
    fn default() -> Self {
        Delivery {
            jpeg_quality: 92,
            jpeg_subsampling: Subsampling::Full,
            place: false,
        }
    }
}

/// A kind of finished picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PictureFile {
    /// 8-bit JPEG.
    Jpeg,
    /// 16-bit PNG.
    Png,
    /// 16-bit TIFF.
    Tiff,
}

impl PictureFile {
    /// The kind that the ending of a name stands for.
    pub fn of(path: &Path) -> Option<Self> {
        let ending = path.extension()?.to_string_lossy().to_ascii_lowercase();
        match ending.as_str() {
            "jpg" | "jpeg" => Some(PictureFile::Jpeg),
            "png" => Some(PictureFile::Png),
            "tif" | "tiff" => Some(PictureFile::Tiff),
            _ => None,
        }
    }
}

/// A rendering about to be written.
pub(super) struct Finished<'a> {
    /// 16-bit codes.
    pub codes: &'a Array3<u16>,
    /// Their colour space.
    pub colour: OutputColour,
    /// Of the reference frame, or of the map.
    pub header: &'a Header,
}

impl Finished<'_> {
    /// Writes the picture as `kind`, with its profile and what is carried over.
    pub fn write(
        &self,
        path: &Path,
        kind: PictureFile,
        policy: &Outputs,
        how: &Delivery,
    ) -> Result<(), Error> {
        let icc = match self.colour {
            OutputColour::Srgb => srgb_profile(),
            OutputColour::DisplayP3 => display_p3_profile(),
        };
        let carried = Carried::of(self.header, SOFTWARE, how.place)
            .coloured(self.colour == OutputColour::Srgb);
        let exif = carried.block();
        write_whole(path, policy, |sink| {
            let bytes = match kind {
                PictureFile::Jpeg => jpeg::encode(
                    to_8_bit(self.codes).view(),
                    how.jpeg_quality,
                    how.jpeg_subsampling,
                    Some(&icc),
                    exif.as_deref(),
                )?,
                PictureFile::Png => {
                    let extras = png::Extras {
                        icc: Some(&icc),
                        exif: exif.as_deref(),
                        ..png::Extras::default()
                    };
                    png::encode16_with(self.codes.view(), &extras)?
                }
                PictureFile::Tiff => tiff::encode16(self.codes.view(), Some(&icc), &carried)?,
            };
            sink.write_all(&bytes)
        })
    }
}

/// The kind of picture a name asks for.
pub(super) fn kind_of(path: &Path) -> Result<PictureFile, Error> {
    PictureFile::of(path).ok_or_else(|| Error::output(path, OutputProblem::UnknownKind, None))
}
