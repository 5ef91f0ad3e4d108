//! Describes the raw picture of a DNG file: its directory, size, crop and filters, and variants that are refused.
use super::super::fault::Fault;
use super::directory::{Directory, Structure};
use super::levels::Levels;
use super::opcodes;
use std::io::{Read, Seek};
use stopspan_core::model::{CameraColour, ColourCalibration, Footprint, Raw};
use stopspan_core::raster::{Mosaic, Region};

/// Largest number of directories examined in a file.
const MOST_DIRECTORIES: usize = 32;
const SUBFILE: u16 = 254;
const COLUMNS: u16 = 256;
const ROWS: u16 = 257;
const BITS: u16 = 258;
const COMPRESSION: u16 = 259;
const PHOTOMETRIC: u16 = 262;
const SAMPLES: u16 = 277;
const PLANAR: u16 = 284;
const SUB_DIRECTORIES: u16 = 330;
const SAMPLE_FORMAT: u16 = 339;
const FILTER_SIZE: u16 = 33421;
const FILTERS: u16 = 33422;
const VERSION: u16 = 50706;
const PLANE_COLOURS: u16 = 50710;
const FILTER_LAYOUT: u16 = 50711;
const CROP_ORIGIN: u16 = 50719;
const CROP_SIZE: u16 = 50720;
const ACTIVE: u16 = 50829;
/// PhotometricInterpretation values: colour filter array, linear raw.
const FILTERED: u64 = 32803;
const LINEAR: u64 = 34892;

/// The first directory and that of the raw picture, which may be the same.
pub(super) struct Directories {
    pub first: Directory,
    pub raw: Directory,
}

/// Kind of a file of TIFF structure.
pub(super) enum Kind {
    /// A DNG file.
    Dng(Box<Directories>),
    /// Raw, in a camera maker's own format.
    Other,
    /// A DNG file without a raw picture.
    Previews,
    /// Not a raw file.
    NotRaw,
}

/// Follows the directories and finds the raw picture.
pub(super) fn examine<R: Read + Seek>(file: &mut Structure<R>) -> Result<Kind, Fault> {
    let first = file.directory(file.first)?;
    let mut all = vec![first.clone()];
    let mut offsets = first.numbers(SUB_DIRECTORIES).unwrap_or_default();
    offsets.push(first.next);
    let mut seen = vec![0, file.first];
    while let Some(offset) = offsets.pop() {
        if seen.contains(&offset) || all.len() >= MOST_DIRECTORIES {
            continue;
        }
        seen.push(offset);
        if let Ok(directory) = file.directory(offset) {
            offsets.push(directory.next);
            offsets.extend(directory.numbers(SUB_DIRECTORIES).unwrap_or_default());
            all.push(directory);
        }
    }
    let raw = |d: &&Directory| matches!(d.number(PHOTOMETRIC), Some(FILTERED | LINEAR));
    let main = |d: &&Directory| d.number(SUBFILE).unwrap_or(0) == 0;
    let area = |d: &&Directory| d.number(COLUMNS).unwrap_or(0) * d.number(ROWS).unwrap_or(0);
    let found = all.iter().filter(raw).filter(main).max_by_key(area);
    match (first.get(VERSION).is_some(), found.cloned()) {
        (true, Some(raw)) => Ok(Kind::Dng(Box::new(Directories { first, raw }))),
        (true, None) => Ok(Kind::Previews),
        (false, None) => Ok(Kind::NotRaw),
        (false, Some(_)) => Ok(Kind::Other),
    }
}

/// Layout of the raw picture in the file.
pub(super) struct Layout {
    /// Stored size, pixels: columns and rows.
    pub columns: usize,
    pub rows: usize,
    pub samples: usize,
    pub bits: u32,
    pub compression: u64,
    /// First pixel of the active area, row and column.
    pub active: (usize, usize),
    /// Region that is kept, in stored pixels.
    pub crop: Region,
    /// Colour filters as seen from the first pixel of the crop.
    pub mosaic: Option<Mosaic>,
}

impl Layout {
    /// Codes of 16 bits as kept, with the three colours that mosaics are developed to, and once more as strips or tiles; deflated ones
    /// also as bytes.
    pub fn footprint(&self) -> Footprint {
        let kept = if self.mosaic.is_some() {
            3
        } else {
            self.samples
        };
        let stored = (2 * self.columns * self.rows * self.samples) as u64;
        Footprint {
            samples: (2 * self.crop.width * self.crop.height * kept) as u64,
            decoding: if self.compression == 8 {
                2 * stored
            } else {
                stored
            },
        }
    }

    /// Reads the tags of the raw picture's directory; refuses variants that are not supported.
    pub fn read(d: &Directory) -> Result<Layout, Fault> {
        let size = |tag| {
            d.number(tag)
                .and_then(|v| usize::try_from(v).ok())
                .unwrap_or(0)
        };
        let (columns, rows) = (size(COLUMNS), size(ROWS));
        if columns == 0 || rows == 0 || columns.saturating_mul(rows) > 1 << 40 {
            return Err(Fault::damaged("a raw picture without sense in its size"));
        }
        let samples = d.number(SAMPLES).unwrap_or(1) as usize;
        let bits = d.numbers(BITS).unwrap_or_else(|| vec![1]);
        if bits.iter().any(|b| *b != bits[0]) || !(8..=16).contains(&bits[0]) {
            return Err(Fault::raw_variant(format!("samples of {} bits", bits[0])));
        }
        if d.numbers(SAMPLE_FORMAT)
            .is_some_and(|f| f.iter().any(|&f| f != 1))
        {
            return Err(Fault::raw_variant("floating-point or signed samples"));
        }
        let filtered = d.number(PHOTOMETRIC) == Some(FILTERED);
        match (filtered, samples) {
            (true, 1) | (false, 1 | 3) => {}
            _ => return Err(Fault::raw_variant(format!("{samples} samples a pixel"))),
        }
        if samples > 1 && d.number(PLANAR) == Some(2) {
            return Err(Fault::raw_variant("channels stored one after the other"));
        }
        let active = active(d, columns, rows)?;
        let mut crop = crop(d, active);
        let mosaic = filtered.then(|| mosaic(d)).transpose()?;
        if mosaic.is_some() {
            crop.width -= crop.width % 2;
            crop.height -= crop.height % 2;
        }
        if crop.width < 2 || crop.height < 2 {
            return Err(Fault::damaged(
                "a raw picture without sense in its active area",
            ));
        }
        Ok(Layout {
            columns,
            rows,
            samples,
            bits: bits[0] as u32,
            compression: d.number(COMPRESSION).unwrap_or(1),
            active: (active.top, active.left),
            crop,
            mosaic: mosaic.map(|m| m.shifted(crop.top - active.top, crop.left - active.left)),
        })
    }
}

/// ActiveArea, or the whole picture.
fn active(d: &Directory, columns: usize, rows: usize) -> Result<Region, Fault> {
    let whole = Region {
        top: 0,
        left: 0,
        height: rows,
        width: columns,
    };
    let Some(sides) = d.numbers(ACTIVE) else {
        return Ok(whole);
    };
    match *sides.as_slice() {
        [top, left, bottom, right]
            if top < bottom && left < right && bottom <= rows as u64 && right <= columns as u64 =>
        {
            Ok(Region {
                top: top as usize,
                left: left as usize,
                height: (bottom - top) as usize,
                width: (right - left) as usize,
            })
        }
        _ => Err(Fault::damaged("an active area that leaves the picture")),
    }
}

/// DefaultCropOrigin and DefaultCropSize within the active area, or all of it if they are invalid.
fn crop(d: &Directory, active: Region) -> Region {
    let (origin, size) = (d.finite::<2>(CROP_ORIGIN), d.finite::<2>(CROP_SIZE));
    let Some((origin, size)) = origin.zip(size) else {
        return active;
    };
    let (left, top) = (origin[0].ceil(), origin[1].ceil());
    let (width, height) = (size[0].floor(), size[1].floor());
    let inside = left >= 0.0
        && top >= 0.0
        && width >= 2.0
        && height >= 2.0
        && left + width <= active.width as f64
        && top + height <= active.height as f64;
    if !inside {
        return active;
    }
    Region {
        top: active.top + top as usize,
        left: active.left + left as usize,
        height: height as usize,
        width: width as usize,
    }
}

fn mosaic(d: &Directory) -> Result<Mosaic, Fault> {
    let unknown = || {
        Fault::raw_variant("a colour filter array other than 2 x 2 of red, green, green and blue")
    };
    let size = d.numbers(FILTER_SIZE);
    let planes = d.bytes(PLANE_COLOURS).unwrap_or(&[0, 1, 2]);
    let rectangular = d.number(FILTER_LAYOUT).unwrap_or(1) == 1;
    if size.as_deref() != Some(&[2, 2]) || planes != [0, 1, 2] || !rectangular {
        return Err(unknown());
    }
    let filters: Option<[u8; 4]> = d.bytes(FILTERS).and_then(|f| f.try_into().ok());
    filters.and_then(Mosaic::new).ok_or_else(unknown)
}

/// Raw metadata from the tags. Levels are those of the first cell of the crop; orientation is not applied.
pub(super) fn raw(all: &Directories, layout: &Layout, levels: &Levels) -> Raw {
    const BASELINE: u16 = 50730;
    const NOISE: u16 = 51041;
    let either = |tag| all.raw.reals(tag).or_else(|| all.first.reals(tag));
    let scale = levels.factor / 65535.0;
    let (top, left) = (
        layout.crop.top - layout.active.0,
        layout.crop.left - layout.active.1,
    );
    let site = |k: usize| (top + k / 2) % 2 * 2 + (left + k % 2) % 2;
    let black = match &layout.mosaic {
        Some(mosaic) => {
            let mut black = vec![0.0; 4];
            for (k, plane) in mosaic.planes().into_iter().enumerate() {
                black[plane] = levels.black[0][site(k)] * scale;
            }
            black
        }
        None => levels
            .black
            .iter()
            .map(|b| b.iter().sum::<f64>() / 4.0 * scale)
            .collect(),
    };
    let white: Vec<f64> = if layout.mosaic.is_some() {
        vec![levels.white[0] * scale; 4]
    } else {
        levels.white.iter().map(|w| w * scale).collect()
    };
    let noise = either(NOISE).unwrap_or_default();
    let believed = |p: &&[f64]| p[0] > 0.0 && p[0] < 1.0 && p[1] >= 0.0 && p[1] < 1.0;
    Raw {
        mosaic: layout.mosaic,
        black,
        white,
        code: scale,
        colour: colour(&all.first),
        noise_profile: noise
            .chunks_exact(2)
            .take_while(believed)
            .map(|p| (p[0], p[1]))
            .collect(),
        baseline_exposure: all.first.finite::<1>(BASELINE).map(|v| v[0]),
        settled: false,
        corrections: opcodes::names(&all.raw),
    }
}

fn colour(d: &Directory) -> CameraColour {
    // ColorMatrix, CameraCalibration, ForwardMatrix, CalibrationIlluminant of the two illuminants
    const SETS: [[u16; 4]; 2] = [[50721, 50723, 50964, 50778], [50722, 50724, 50965, 50779]];
    let sets = SETS.iter().filter_map(|tags| {
        Some(ColourCalibration {
            from_xyz: d.finite(tags[0])?,
            calibration: d.finite(tags[1]),
            forward: d.finite(tags[2]),
            illuminant: d.number(tags[3]).unwrap_or(0),
        })
    });
    let positive = |v: &[f64; 3]| v.iter().all(|&v| v > 0.0);
    CameraColour {
        neutral: d.finite::<3>(50728).filter(positive),
        white: d.finite(50729),
        balance: d.finite::<3>(50727).filter(positive),
        calibrations: sets.collect(),
    }
}
