//! Reads a radiance map from any supported file.
use super::fence::fenced_file;
use super::map_file;
use super::map_to_show::read_exr_to_show;
use crate::{gain_map, read_header, read_picture, sniff_file};
use std::path::Path;
use stopspan_core::Error;
use stopspan_core::error::InputProblem;
use stopspan_core::model::RadianceMap;
use stopspan_core::model::colour::stated_colour;
use stopspan_core::model::{Format, Header, Limits};
use stopspan_core::raster::Pixels;

/// A map read from a file, with the file's metadata.
#[derive(Debug, Clone)]
pub struct Opened {
    /// The map. Files of other programs may contain any value, including negative, infinite and NaN.
    pub map: RadianceMap,
    /// Exposure, time of capture and owner, as far as the file states them.
    pub header: Header,
}

/// Reads a map: OpenEXR (float R, G, B or Y; uncertainty and flags if the file has them), Radiance RGBE, or a JPEG
/// with a gain map, whose reference white becomes radiance 1.
///
/// # Errors
/// [`Error::Input`]: not readable, damaged, larger than `limits`, or a file that holds no radiance.
pub fn open(path: &Path, limits: &Limits) -> Result<Opened, Error> {
    opened(path, limits, map_file::read_exr)
}

/// As [`open`], to make a picture from: the uncertainty from noise is the main channel's alone, the systematic one is 0.
///
/// # Errors
/// As [`open`].
pub fn open_to_show(path: &Path, limits: &Limits) -> Result<Opened, Error> {
    opened(path, limits, read_exr_to_show)
}

fn opened(
    path: &Path,
    limits: &Limits,
    read_exr: impl Fn(&Path, &Limits) -> Result<RadianceMap, Error>,
) -> Result<Opened, Error> {
    let header = read_header(path, limits)?;
    let map = match sniff_file(path)? {
        Some(Format::OpenExr) => fenced_file(path, || read_exr(path, limits))?,
        Some(Format::Rgbe) => {
            let picture = read_picture(path, limits)?;
            let primaries = header.primaries.unwrap_or_default();
            match picture.pixels {
                Pixels::F32(radiance) => RadianceMap::of_radiance(radiance, primaries),
                _ => return Err(no_radiance(path)),
            }
        }
        Some(Format::Jpeg) => {
            let file = fenced_file(path, || gain_map::read(path, limits))?;
            let file = file.ok_or_else(|| no_radiance(path))?;
            RadianceMap::of_radiance(file.light, stated_colour(&header).primaries)
        }
        _ => return Err(no_radiance(path)),
    };
    Ok(Opened { map, header })
}

fn no_radiance(path: &Path) -> Error {
    Error::input(path, InputProblem::NoRadiance)
}

/// True for a file that [`open`] takes for a map: OpenEXR, Radiance RGBE, or a JPEG with a gain map. False for one that cannot be
/// read.
pub fn holds_radiance(path: &Path, limits: &Limits) -> bool {
    match sniff_file(path) {
        Ok(Some(Format::OpenExr | Format::Rgbe)) => true,
        Ok(Some(Format::Jpeg)) => matches!(gain_map::read(path, limits), Ok(Some(_))),
        _ => false,
    }
}
