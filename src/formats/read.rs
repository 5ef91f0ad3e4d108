//! Reads a picture file: recognises its format, checks its size against limits, decodes it, applies orientation.
use super::fault::Fault;
use super::fence::fenced;
use super::orientation::{swaps_sides, turned, upright};
use super::sniff::{SNIFF_BYTES, raw_family, sniff};
use super::{dng, jpeg, memory, openexr, png, rgbe, tiff};
use sha2::{Digest, Sha256};
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::{Compression, Format, Header, Limits, Picture, Raw};
use stopspan_core::raster::Pixels;

/// Output of a decoder: samples as stored, before orientation is applied.
pub(super) struct Decoded {
    pub pixels: Pixels,
    pub compression: Compression,
    pub damaged: bool,
    pub raw: Option<Box<Raw>>,
}

/// Size and metadata of a picture file; reads only the parts needed and decodes no pixels.
///
/// # Errors
/// [`Error::Input`]: not readable, no known format, damaged before its picture, or larger than `limits`.
pub fn read_header(file: &Path, limits: &Limits) -> Result<Header, Error> {
    Ok(read_format(file, limits)?.1)
}

/// As [`read_header`], with the format. For a raw file of TIFF structure the format follows from its directories
/// only.
///
/// # Errors
/// As [`read_header`].
pub fn read_format(file: &Path, limits: &Limits) -> Result<(Format, Header), Error> {
    let (mut open, length) = open_file(file)?;
    let examined = fenced(|| examine(&mut open, limits)).map_err(|fault| fault.at(file))?;
    Ok(with_length(examined, length))
}

/// Counts the bytes of the file as memory of its decoding.
fn with_length((format, mut header): (Format, Header), length: u64) -> (Format, Header) {
    header.footprint.decoding = header.footprint.decoding.saturating_add(length);
    (format, header)
}

/// Decodes a picture file and applies its orientation. The samples have one or three channels and are 8-bit, 16-bit
/// or float, as stored.
///
/// Size and memory are checked against `limits` before memory of that size is read or allocated. Float samples that are NaN
/// are refused. Damaged files are refused, unless `limits.accept_damaged` allows the decodable part of a JPEG.
///
/// # Errors
/// [`Error::Input`] with the problem.
pub fn read_picture(file: &Path, limits: &Limits) -> Result<Picture, Error> {
    let (mut open, length) = open_file(file)?;
    let examined = fenced(|| examine(&mut open, limits));
    let examined = examined.map_err(|fault| fault.at(file))?;
    let (format, header) = with_length(examined, length);
    // No format read here expands a byte to more.
    if header.footprint.samples >> 16 > length {
        let source = "the file is too short for the size it claims";
        return Err(Error::input_because(file, InputProblem::Damaged, source));
    }
    memory::check(header.footprint, limits).map_err(|fault| fault.at(file))?;
    let bytes = read_all(open, length).map_err(|fault| fault.at(file))?;
    // The hash is computed in parallel to decoding, from the same bytes: the file is read once, and hardly any time
    // is added.
    let (decoded, sum) = rayon::join(
        || fenced(|| decode(format, &bytes, limits)),
        || Sha256::digest(&bytes).into(),
    );
    let decoded = decoded.map_err(|fault| fault.at(file))?;
    let orientation = header.orientation.unwrap_or(1);
    let pixels = upright(decoded.pixels, orientation).map_err(|fault| fault.at(file))?;
    let raw = decoded.raw.map(|raw| turned(raw, orientation)).transpose();
    let raw = raw.map_err(|fault| fault.at(file))?;
    if (pixels.columns(), pixels.rows()) != (header.columns, header.rows) {
        return Err(Error::input(file, InputProblem::Changed));
    }
    if let Pixels::F32(samples) = &pixels
        && samples.iter().any(|v| !v.is_finite())
    {
        return Err(Error::input(file, InputProblem::NotFinite));
    }
    Ok(Picture {
        file: file.to_path_buf(),
        format,
        pixels,
        raw,
        compression: decoded.compression,
        header,
        file_bytes: length,
        sha256: Some(sum),
        damaged: decoded.damaged,
    })
}

/// SHA-256 (FIPS 180-4) of a file's content, read in pieces; for files that are not decoded.
///
/// # Errors
/// [`Error::Input`] where the file cannot be read.
pub fn sha256_of(file: &Path) -> Result<[u8; 32], Error> {
    let (mut open, _) = open_file(file)?;
    let mut sum = Sha256::new();
    let mut piece = vec![0; 1 << 16];
    loop {
        let read = open
            .read(&mut piece)
            .map_err(|e| Error::input_because(file, InputProblem::Unreadable, e))?;
        if read == 0 {
            return Ok(sum.finalize().into());
        }
        sum.update(&piece[..read]);
    }
}

fn open_file(file: &Path) -> Result<(BufReader<File>, u64), Error> {
    let unreadable = |e| Error::input_because(file, InputProblem::Unreadable, e);
    let about = std::fs::metadata(file).map_err(unreadable)?;
    if !about.is_file() {
        let source = "it is a folder or a device, not a file";
        return Err(Error::input_because(file, InputProblem::Unreadable, source));
    }
    let open = File::open(file).map_err(unreadable)?;
    Ok((BufReader::new(open), about.len()))
}

/// Format and upright header, checked against the limits.
fn examine(file: &mut BufReader<File>, limits: &Limits) -> Result<(Format, Header), Fault> {
    let mut first = Vec::with_capacity(SNIFF_BYTES);
    file.take(SNIFF_BYTES as u64).read_to_end(&mut first)?;
    file.seek(SeekFrom::Start(0))?;
    if let Some(family) = raw_family(&first) {
        return Err(Fault::other_raw(family));
    }
    let format = sniff(&first).ok_or(InputProblem::UnknownFormat)?;
    if format == Format::Tiff {
        if let Some(header) = dng::header(file, limits)? {
            return check_header(Format::Dng, header, limits);
        }
        file.seek(SeekFrom::Start(0))?;
    }
    let header = match format {
        Format::Jpeg => jpeg::header(file),
        Format::Png => png::header(file),
        Format::Tiff | Format::Dng => tiff::header(file, limits),
        Format::OpenExr => openexr::header(file),
        Format::Rgbe => rgbe::header(file),
    }?;
    check_header(format, header, limits)
}

/// Checks the size against the limits and exchanges rows and columns if orientation asks for it.
fn check_header(
    format: Format,
    mut header: Header,
    limits: &Limits,
) -> Result<(Format, Header), Fault> {
    if header.columns == 0 || header.rows == 0 {
        return Err(Fault::damaged("a picture without columns or rows"));
    }
    check_size(header.columns as u64, header.rows as u64, limits)?;
    if swaps_sides(header.orientation.unwrap_or(1)) {
        // turned into a second buffer, once the decoder has given its own back
        let footprint = &mut header.footprint;
        footprint.decoding = footprint.decoding.max(footprint.samples);
        std::mem::swap(&mut header.columns, &mut header.rows);
    }
    Ok((format, header))
}

/// Refuses a picture with more pixels than the limits allow.
pub(super) fn check_size(columns: u64, rows: u64, limits: &Limits) -> Result<(), Fault> {
    if columns.saturating_mul(rows) > limits.pixels {
        return Err(InputProblem::TooLarge {
            columns,
            rows,
            limit: limits.pixels,
        }
        .into());
    }
    Ok(())
}

/// Reads the file; its length must be the one it had when it was opened.
fn read_all(mut file: BufReader<File>, length: u64) -> Result<Vec<u8>, Fault> {
    file.seek(SeekFrom::Start(0))?;
    let mut bytes = memory::room(usize::try_from(length).unwrap_or(usize::MAX))?;
    file.into_inner().take(length + 1).read_to_end(&mut bytes)?;
    if bytes.len() as u64 != length {
        return Err(InputProblem::Changed.into());
    }
    Ok(bytes)
}

fn decode(format: Format, bytes: &[u8], limits: &Limits) -> Result<Decoded, Fault> {
    match format {
        Format::Jpeg => jpeg::decode(bytes, limits),
        Format::Png => png::decode(bytes),
        Format::Tiff => tiff::decode(bytes),
        Format::Dng => dng::decode(bytes),
        Format::OpenExr => openexr::decode(bytes),
        Format::Rgbe => rgbe::decode(bytes),
    }
}

/// Keeps the first `wanted` samples of every `stored`.
pub(super) fn drop_alpha<T: Copy>(mut samples: Vec<T>, stored: usize, wanted: usize) -> Vec<T> {
    if stored == wanted {
        return samples;
    }
    let pixels = samples.len() / stored;
    for pixel in 0..pixels {
        samples.copy_within(pixel * stored..pixel * stored + wanted, pixel * wanted);
    }
    samples.truncate(pixels * wanted);
    samples
}
