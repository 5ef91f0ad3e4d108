//! How finished pictures and maps are written: kinds of files, their settings, what is carried over into them.
use ndarray::Array3;
use serde::Serialize;
use std::borrow::Cow;
use std::io::{self, Write};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::OutputProblem;
use stopspan_core::model::Header;
use stopspan_core::model::RadianceMap;
use stopspan_core::raster::Pixels;
use stopspan_core::units::Primaries;
use stopspan_formats::jpeg;
use stopspan_formats::jpeg::Subsampling;
use stopspan_formats::openexr::{Kind, Scheme};
use stopspan_formats::staged::{Outputs, write_whole};
use stopspan_formats::{Carried, display_p3_profile, gain_map, png, srgb_profile, tiff};
use stopspan_tone as tone;
use stopspan_tone::headroom::REFERENCE_WHITE;
use stopspan_tone::{OutputColour, ToneSettings, to_8_bit};

/// Side of the blocks of a picture that share a value of its gain map, pixels.
const GAIN_BLOCK: usize = 2;

/// Name and version, as written into files.
pub(super) const SOFTWARE: &str = concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION"));

/// How files are written.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Delivery {
    /// Quality of JPEG files, 1..=100; scales the quantisation tables of ITU-T T.81 annex K. Default 92.
    pub jpeg_quality: u8,
    /// Resolution of chroma in JPEG files. Default full.
    pub jpeg_subsampling: Subsampling,
    /// Write files for displays that are lighter than their reference white: by a run in addition, by a rendering instead
    /// (JPEG with a gain map, PNG in PQ). Default false.
    pub bright: bool,
    /// Peak of the display such files are made for, cd/m^2, 203..=10 000. Default 1000.
    pub peak: f64,
    /// Samples of radiance in OpenEXR maps: FLOAT (default) or HALF.
    pub map_samples: Kind,
    /// Compression of OpenEXR maps. Default PXR24.
    pub map_scheme: Scheme,
    /// Carry over where the reference frame was taken (its GPS fields). Default false.
    pub place: bool,
}

impl Default for Delivery {
    fn default() -> Self {
        Delivery {
            jpeg_quality: 92,
            jpeg_subsampling: Subsampling::Full,
            bright: false,
            peak: 1000.0,
            map_samples: Kind::Float,
            map_scheme: Scheme::Pxr24,
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
    /// 8-bit JPEG with a gain map (ISO 21496-1) for displays with headroom.
    GainMapJpeg,
    /// 16-bit PNG in the PQ signal and the primaries of BT.2100.
    PqPng,
}

impl PictureFile {
    /// The kind that the ending of a name stands for; `bright` asks for the kinds that reach above reference white.
    pub fn of(path: &Path, bright: bool) -> Option<Self> {
        let ending = path.extension()?.to_string_lossy().to_ascii_lowercase();
        match (ending.as_str(), bright) {
            ("jpg" | "jpeg", false) => Some(PictureFile::Jpeg),
            ("png", false) => Some(PictureFile::Png),
            ("tif" | "tiff", false) => Some(PictureFile::Tiff),
            ("jpg" | "jpeg", true) => Some(PictureFile::GainMapJpeg),
            ("png", true) => Some(PictureFile::PqPng),
            _ => None,
        }
    }
}

/// A rendering about to be written.
pub(super) struct RenderingToWrite<'a> {
    /// The map; what is in it counts only for pictures that reach above reference white.
    pub map: &'a RadianceMap,
    /// Its look.
    pub tone: &'a ToneSettings,
    /// The rendering, in 16-bit codes.
    pub codes: &'a Array3<u16>,
    /// The same in 8 bits, where that is at hand.
    pub eight: Option<&'a Pixels>,
    /// Of the reference frame, or of the map.
    pub header: &'a Header,
    /// Settings of the files.
    pub delivery: &'a Delivery,
}

impl RenderingToWrite<'_> {
    /// Writes the picture as `kind`, with its profile and what is carried over.
    pub fn write(&self, path: &Path, kind: PictureFile, policy: &Outputs) -> Result<(), Error> {
        write_whole(path, policy, |sink| self.put(sink, kind))
    }

    fn put(&self, sink: &mut dyn Write, kind: PictureFile) -> io::Result<()> {
        let how = self.delivery;
        let srgb = self.tone.output == OutputColour::Srgb;
        let icc = if srgb {
            srgb_profile()
        } else {
            display_p3_profile()
        };
        let carried = Carried::of(self.header, SOFTWARE, how.place).coloured(srgb);
        let exif = carried.block();
        let exif = exif.as_deref();
        let bytes = match kind {
            PictureFile::Jpeg => jpeg::encode(
                self.in_8_bits().view(),
                how.jpeg_quality,
                how.jpeg_subsampling,
                Some(&icc),
                exif,
            ),
            PictureFile::Png => {
                let extras = png::Extras {
                    icc: Some(&icc),
                    exif,
                    ..png::Extras::default()
                };
                return png::write16(sink, self.codes.view(), &extras);
            }
            PictureFile::Tiff => tiff::encode16(self.codes.view(), Some(&icc), &carried),
            PictureFile::GainMapJpeg => {
                let samples = self.in_8_bits();
                let base = gain_map::BasePicture {
                    samples: samples.view(),
                    quality: how.jpeg_quality,
                    subsampling: how.jpeg_subsampling,
                    icc: &icc,
                    exif,
                };
                self.with_gain_map(&base)
            }
            PictureFile::PqPng => return self.pq(sink),
        };
        sink.write_all(&bytes?)
    }

    fn in_8_bits(&self) -> Cow<'_, Array3<u8>> {
        match self.eight {
            Some(Pixels::U8(made)) => Cow::Borrowed(made),
            _ => Cow::Owned(to_8_bit(self.codes)),
        }
    }

    fn with_gain_map(&self, base: &gain_map::BasePicture) -> io::Result<Vec<u8>> {
        let how = self.delivery;
        let offset = gain_map::OFFSET;
        let gain = tone::bright_gain(self.map, self.tone, how.peak, GAIN_BLOCK, offset);
        gain_map::encode(base, &gain, (how.peak / REFERENCE_WHITE).log2())
    }

    /// Code points of ITU-T H.273: 9 is BT.2020, 16 is PQ. No display is known to have been looked at: the one stated has
    /// the primaries of the signal, the peak asked for, and the smallest black that can be stated.
    fn pq(&self, sink: &mut dyn Write) -> io::Result<()> {
        let how = self.delivery;
        let picture = tone::render_bright(self.map, self.tone, how.peak);
        let carried = Carried::of(self.header, SOFTWARE, how.place).coloured(false);
        let exif = carried.block();
        let extras = png::Extras {
            exif: exif.as_deref(),
            code_points: Some((9, 16)),
            mastering: Some(png::Mastering {
                primaries: Primaries::BT_2020.xy(),
                luminance: (0.0001, how.peak),
                content: picture.lightest,
                average: picture.average,
            }),
            ..png::Extras::default()
        };
        png::write16(sink, picture.codes.view(), &extras)
    }
}

/// The kind of picture a name asks for.
pub(super) fn kind_of(path: &Path, bright: bool) -> Result<PictureFile, Error> {
    PictureFile::of(path, bright)
        .ok_or_else(|| Error::output(path, OutputProblem::UnknownKind, None))
}
