//! Strips and tiles of a raw picture: bounds checks, then decoding of uncompressed, deflated and lossless JPEG data.
use super::super::fault::Fault;
use super::super::memory;
use super::describe::Layout;
use super::directory::Directory;
use super::levels::Levels;
use super::lossless_jpeg;
use rayon::prelude::*;

const STRIP_OFFSETS: u16 = 273;
const ROWS_PER_STRIP: u16 = 278;
const STRIP_BYTES: u16 = 279;
const FILL_ORDER: u16 = 266;
const PREDICTOR: u16 = 317;
const TILE_COLUMNS: u16 = 322;
const TILE_ROWS: u16 = 323;
const TILE_OFFSETS: u16 = 324;
const TILE_BYTES: u16 = 325;

/// A regular grid of strips or tiles, each stored separately.
struct Grid {
    /// Size of a strip or tile, pixels: columns and rows.
    width: usize,
    height: usize,
    across: usize,
    /// Offset and length in the file of every strip or tile, bytes.
    places: Vec<(usize, usize)>,
}

/// Coding of the strips or tiles of a file.
struct Coding {
    compression: u64,
    bits: u32,
    samples: usize,
    little: bool,
    differences: bool,
}

/// Samples of the crop with levels applied, row by row.
pub(super) fn decode(
    bytes: &[u8],
    d: &Directory,
    little: bool,
    layout: &Layout,
    levels: &Levels,
) -> Result<Vec<u16>, Fault> {
    let coding = Coding::of(d, layout, little)?;
    let grid = Grid::of(d, layout)?;
    for &(offset, length) in &grid.places {
        if offset
            .checked_add(length)
            .is_none_or(|end| end > bytes.len())
        {
            return Err(Fault::damaged(
                "raw data that reach beyond the end of the file",
            ));
        }
    }
    coding.plausible(layout, &grid)?;
    let pieces: Vec<Vec<u16>> = grid
        .places
        .par_iter()
        .map(|&(offset, length)| coding.piece(&bytes[offset..offset + length], &grid))
        .collect::<Result<_, _>>()?;
    let row = grid.width * layout.samples;
    let short = |(i, piece): (usize, &Vec<u16>)| piece.len() < row * grid.rows_of(i, layout);
    if pieces.iter().enumerate().any(short) {
        return Err(Fault::damaged("fewer samples than a strip or tile has"));
    }
    assemble(&pieces, &grid, layout, levels)
}

impl Grid {
    fn of(d: &Directory, layout: &Layout) -> Result<Grid, Fault> {
        let size = |tag| d.number(tag).and_then(|v| usize::try_from(v).ok());
        let tiled = d.get(TILE_OFFSETS).is_some();
        let (width, height, offsets, lengths) = if tiled {
            (
                size(TILE_COLUMNS),
                size(TILE_ROWS),
                TILE_OFFSETS,
                TILE_BYTES,
            )
        } else {
            let rows = size(ROWS_PER_STRIP).map_or(layout.rows, |r| r.min(layout.rows));
            (Some(layout.columns), Some(rows), STRIP_OFFSETS, STRIP_BYTES)
        };
        let wrong = || Fault::damaged("strips or tiles without sense");
        let (width, height) = (width.unwrap_or(0), height.unwrap_or(0));
        if width == 0 || height == 0 || width > 1 << 20 || height > 1 << 20 {
            return Err(wrong());
        }
        let (across, down) = (layout.columns.div_ceil(width), layout.rows.div_ceil(height));
        let (offsets, lengths) = d
            .numbers(offsets)
            .zip(d.numbers(lengths))
            .ok_or_else(wrong)?;
        if offsets.len() < across * down || lengths.len() < across * down {
            return Err(Fault::damaged(
                "fewer strips or tiles than the picture needs",
            ));
        }
        let places = offsets.iter().zip(&lengths).take(across * down);
        Ok(Grid {
            width,
            height,
            across,
            places: places.map(|(&o, &l)| (o as usize, l as usize)).collect(),
        })
    }

    /// Rows of the picture in the strip or tile of this index.
    fn rows_of(&self, number: usize, layout: &Layout) -> usize {
        self.height
            .min(layout.rows - number / self.across * self.height)
    }
}

impl Coding {
    fn of(d: &Directory, layout: &Layout, little: bool) -> Result<Coding, Fault> {
        let what = match layout.compression {
            1 | 7 | 8 => None,
            34892 => Some("lossy JPEG compression"),
            52546 => Some("JPEG XL compression"),
            5 => Some("LZW compression"),
            other => return Err(Fault::raw_variant(format!("compression {other}"))),
        };
        if let Some(what) = what {
            return Err(Fault::raw_variant(what));
        }
        let predictor = d.number(PREDICTOR).unwrap_or(1);
        if layout.compression == 8 && !matches!(predictor, 1 | 2) {
            return Err(Fault::raw_variant(format!(
                "deflate with predictor {predictor}"
            )));
        }
        if d.number(FILL_ORDER).unwrap_or(1) != 1 {
            return Err(Fault::raw_variant("bits in reversed order"));
        }
        Ok(Coding {
            compression: layout.compression,
            bits: layout.bits,
            samples: layout.samples,
            little,
            differences: layout.compression == 8 && predictor == 2,
        })
    }

    /// Refuses a picture too large for its data, before memory is allocated. Uncompressed data have a fixed size;
    /// deflate compresses at most 1032 : 1, lossless JPEG 16 : 1 (one bit a sample).
    fn plausible(&self, layout: &Layout, grid: &Grid) -> Result<(), Fault> {
        let stored: usize = grid.places.iter().map(|p| p.1).sum();
        let most = match self.compression {
            1 => stored.saturating_mul(8) / self.bits as usize,
            7 => stored.saturating_mul(8),
            _ => stored.saturating_mul(1040),
        };
        let wanted = layout.columns * layout.rows * self.samples;
        let tiles = grid.places.len() * grid.width * grid.height * self.samples;
        if most < wanted || (tiles > 4 * wanted && tiles > 1 << 24) {
            return Err(Fault::damaged(
                "the file is too short for the size it claims",
            ));
        }
        Ok(())
    }

    /// Stored codes of one strip or tile, `grid.width * samples` a row.
    fn piece(&self, data: &[u8], grid: &Grid) -> Result<Vec<u16>, Fault> {
        let width = grid.width * self.samples;
        let whole = width * grid.height;
        match self.compression {
            // The stream may have another width than the tile, because its samples are consecutive all the same.
            7 => lossless_jpeg::decode(data, 2 * whole),
            8 => {
                let row = (width * self.bits as usize).div_ceil(8);
                let bytes = fdeflate::decompress_to_vec_bounded(data, row * grid.height)
                    .map_err(|_| Fault::damaged("deflated data that make no sense"))?;
                let mut codes = self.unpack(&bytes, width)?;
                if self.differences {
                    codes
                        .chunks_mut(width)
                        .for_each(|r| add_up(r, self.samples));
                }
                Ok(codes)
            }
            _ => self.unpack(data, width),
        }
    }

    /// Unpacks codes of whole rows. 16-bit codes have the file's byte order. Other widths are packed from the highest
    /// bit down, each row starting at a byte, in either byte order (DNG specification, BitsPerSample).
    fn unpack(&self, bytes: &[u8], width: usize) -> Result<Vec<u16>, Fault> {
        let row = (width * self.bits as usize).div_ceil(8);
        let mut codes = memory::room(bytes.len() / row * width)?;
        for row in bytes.chunks_exact(row) {
            match self.bits {
                8 => codes.extend(row.iter().map(|&b| u16::from(b))),
                16 if self.little => {
                    codes.extend(
                        row.as_chunks::<2>()
                            .0
                            .iter()
                            .map(|b| u16::from_le_bytes(*b)),
                    );
                }
                16 => codes.extend(
                    row.as_chunks::<2>()
                        .0
                        .iter()
                        .map(|b| u16::from_be_bytes(*b)),
                ),
                bits => unpack_row(row, bits, width, &mut codes),
            }
        }
        Ok(codes)
    }
}

fn unpack_row(row: &[u8], bits: u32, width: usize, codes: &mut Vec<u16>) {
    let (mut held, mut count, mut bytes) = (0u32, 0, row.iter());
    for _ in 0..width {
        while count < bits {
            held = held << 8 | u32::from(bytes.next().copied().unwrap_or(0));
            count += 8;
        }
        count -= bits;
        codes.push((held >> count & ((1 << bits) - 1)) as u16);
    }
}

/// Undoes horizontal differencing (TIFF 6.0, section 14).
fn add_up(row: &mut [u16], samples: usize) {
    for i in samples..row.len() {
        row[i] = row[i].wrapping_add(row[i - samples]);
    }
}

/// Copies the strips or tiles to the crop and applies levels.
fn assemble(
    pieces: &[Vec<u16>],
    grid: &Grid,
    layout: &Layout,
    levels: &Levels,
) -> Result<Vec<u16>, Fault> {
    let crop = layout.crop;
    let (samples, width) = (layout.samples, crop.width * layout.samples);
    let mut out: Vec<u16> = memory::zeroed(width * crop.height)?;
    let factor = levels.factor as u32;
    out.par_chunks_mut(width).enumerate().for_each(|(r, line)| {
        let row = crop.top + r;
        let (mut column, mut line) = (crop.left, line);
        while !line.is_empty() {
            let within = column % grid.width;
            let (stretch, rest) =
                line.split_at_mut(line.len().min((grid.width - within) * samples));
            let piece = &pieces[row / grid.height * grid.across + column / grid.width];
            let codes = &piece[(row % grid.height * grid.width + within) * samples..];
            if levels.plain() {
                for (to, &code) in stretch.iter_mut().zip(codes) {
                    *to = (u32::from(code) * factor).min(65535) as u16;
                }
            } else {
                for (i, (to, &code)) in stretch.iter_mut().zip(codes).enumerate() {
                    let active = column + i / samples - layout.active.1;
                    *to = levels.sample(code, row - layout.active.0, active, i % samples);
                }
            }
            column += stretch.len() / samples;
            line = rest;
        }
    });
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// TIFF 6.0: codes of 12 bits, highest bit first: ABC DEF -> AB CD EF.
    #[test]
    fn packed_codes_start_at_the_highest_bit() {
        let mut codes = Vec::new();
        unpack_row(&[0xab, 0xcd, 0xef], 12, 2, &mut codes);
        unpack_row(&[0b1111_1111, 0b1100_0000, 0b0001_0000], 10, 2, &mut codes);
        unpack_row(&[0xff, 0xfd, 0x55, 0x50], 14, 2, &mut codes);
        assert_eq!(codes, [0xabc, 0xdef, 0x3ff, 0x001, 0x3fff, 0x1555]);
    }
}
