//! Recognises a file format by the first bytes, independent of the file name.
use std::fs::File;
use std::io::Read;
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::Format;

/// Number of bytes [`sniff`] needs.
pub(super) const SNIFF_BYTES: usize = 16;

/// Format of a file by its first bytes; `None` if it is not supported.
///
/// # Errors
/// [`Error::Input`] where the file cannot be read.
pub fn sniff_file(path: &Path) -> Result<Option<Format>, Error> {
    let mut first = Vec::with_capacity(SNIFF_BYTES);
    File::open(path)
        .and_then(|file| file.take(SNIFF_BYTES as u64).read_to_end(&mut first))
        .map_err(|e| Error::input_because(path, InputProblem::Unreadable, e))?;
    Ok(sniff(&first))
}

/// Format by the first bytes of a file (16 are enough); `None` if it is not supported.
///
/// JPEG, PNG, TIFF and OpenEXR are recognised by the `image` crate's signatures. BigTIFF (version 43) and the
/// `#?RGBE` spelling of Radiance pictures are missing there and are recognised here.
pub fn sniff(bytes: &[u8]) -> Option<Format> {
    if bytes.starts_with(b"#?RADIANCE") || bytes.starts_with(b"#?RGBE") {
        return Some(Format::Rgbe);
    }
    if bytes.starts_with(b"II\x2b\0\x08\0") || bytes.starts_with(b"MM\0\x2b\0\x08") {
        return Some(Format::Tiff);
    }
    match image::guess_format(bytes).ok()? {
        image::ImageFormat::Jpeg => Some(Format::Jpeg),
        image::ImageFormat::Png => Some(Format::Png),
        image::ImageFormat::Tiff => Some(Format::Tiff),
        image::ImageFormat::OpenExr => Some(Format::OpenExr),
        _ => None,
    }
}

/// Camera maker's raw format by its first bytes, as it completes "is a raw file of ...". (Signatures are common
/// practice, no source.)
pub fn raw_family(bytes: &[u8]) -> Option<&'static str> {
    const MARKS: [(usize, &[u8], &str); 9] = [
        (8, b"CR\x02\0", "the CR2 kind"),
        (4, b"ftypcrx ", "the CR3 kind"),
        (6, b"HEAPCCDR", "the CRW kind"),
        (8, b"CCD-RAW", "the RAF kind"),
        (0, b"IIU\0", "the RW2 kind"),
        (0, b"IIRO", "the ORF kind"),
        (0, b"IIRS", "the ORF kind"),
        (0, b"MMOR", "the ORF kind"),
        (0, b"FOVb", "the X3F kind"),
    ];
    let stands = |&&(at, mark, _): &&(usize, &[u8], &str)| {
        bytes.get(at..).is_some_and(|rest| rest.starts_with(mark))
    };
    MARKS.iter().find(stands).map(|found| found.2)
}

/// What a file holds that is no picture of a kind read here.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OtherKind {
    /// A still picture of a format that is not read: its name.
    Still(&'static str),
    /// A video.
    Video,
}

/// Kind of a file that is not read, by its first bytes (16 are enough); `None` if it is not known.
///
/// ISO base media files state a brand after "ftyp" (ISO/IEC 14496-12; HEIF brands: ISO/IEC 23008-12). Other signatures are
/// those of the formats' own documents.
pub fn other_kind(bytes: &[u8]) -> Option<OtherKind> {
    const STILLS: [&[u8]; 10] = [
        b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"avif", b"avis",
    ];
    let at = |from: usize, mark: &[u8]| bytes.get(from..).is_some_and(|b| b.starts_with(mark));
    if at(4, b"ftyp") {
        let brand = bytes.get(8..12)?;
        return Some(match STILLS.contains(&brand) {
            true if brand.starts_with(b"avi") => OtherKind::Still("AVIF"),
            true => OtherKind::Still("HEIC"),
            false => OtherKind::Video,
        });
    }
    let still = |name| Some(OtherKind::Still(name));
    if at(0, b"RIFF") {
        return match bytes.get(8..12)? {
            b"WEBP" => still("WebP"),
            b"AVI " => Some(OtherKind::Video),
            _ => None,
        };
    }
    let video = [&b"\x1a\x45\xdf\xa3"[..], b"\0\0\x01\xba", b"\0\0\x01\xb3"];
    match bytes {
        _ if video.iter().any(|mark| at(0, mark)) => Some(OtherKind::Video),
        _ if at(4, b"moov") || at(4, b"mdat") || at(4, b"wide") => Some(OtherKind::Video),
        _ if at(0, b"GIF8") => still("GIF"),
        _ if at(0, b"BM") && bytes.len() >= 14 => still("BMP"),
        _ if at(0, b"\xff\x0a") || at(4, b"JXL ") => still("JPEG XL"),
        _ if at(4, b"jP  ") => still("JPEG 2000"),
        _ => None,
    }
}

/// Completes "is a raw file of ..." for a raw file without a signature, e.g. one of TIFF structure that is not DNG.
pub const UNKNOWN_FAMILY: &str = "its camera maker's own kind";

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_read_is_known_for_what_it_is() {
        use OtherKind::{Still, Video};
        let cases: [(&[u8], Option<OtherKind>); 8] = [
            (b"\0\0\0\x18ftypheic\0\0\0\0", Some(Still("HEIC"))),
            (b"\0\0\0\x1cftypavif\0\0\0\0", Some(Still("AVIF"))),
            (b"\0\0\0\x18ftypmp42\0\0\0\0", Some(Video)),
            (b"\0\0\0\x14ftypqt  \0\0\0\0", Some(Video)),
            (b"RIFF\x10\0\0\0WEBPVP8 ", Some(Still("WebP"))),
            (b"RIFF\x10\0\0\0AVI LIST", Some(Video)),
            (b"\xff\xd8\xff\xe0\0\x10JFIF\0", None),
            (b"these are words!", None),
        ];
        for (bytes, kind) in cases {
            assert_eq!(other_kind(bytes), kind, "{bytes:?}");
        }
    }

    /// Signatures: ITU-T T.81 B.1 (SOI), PNG (Third Edition) 5.2, TIFF 6.0 section 2, BigTIFF and OpenEXR file layout
    /// pages, Radiance picture format page.
    #[test]
    fn signatures_of_the_standards_are_recognised() {
        let cases: [(&[u8], Option<Format>); 11] = [
            (b"\xff\xd8\xff\xe0\0\x10JFIF\0", Some(Format::Jpeg)),
            (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", Some(Format::Png)),
            (b"II\x2a\0\x08\0\0\0", Some(Format::Tiff)),
            (b"MM\0\x2a\0\0\0\x08", Some(Format::Tiff)),
            (b"II\x2b\0\x08\0\0\0", Some(Format::Tiff)),
            (b"\x76\x2f\x31\x01\x02\0\0\0", Some(Format::OpenExr)),
            (b"#?RADIANCE\n", Some(Format::Rgbe)),
            (b"#?RGBE\n", Some(Format::Rgbe)),
            (b"these are words", None),
            (b"GIF89a\0\0\0\0", None),
            (b"", None),
        ];
        for (bytes, format) in cases {
            assert_eq!(sniff(bytes), format, "{bytes:?}");
        }
    }
}
