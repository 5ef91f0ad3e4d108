//! A valid TIFF file with a plane a channel in tiles that reach beyond the picture (TIFF 6.0, section 15): read right.
use std::path::Path;
use stopspan_core::model::Limits;
use stopspan_core::raster::Pixels;

const ROWS: usize = 100;
const COLUMNS: usize = 120;
const TILE: usize = 64;

fn sample(plane: usize, row: usize, column: usize) -> u8 {
    (40 * plane + row + column) as u8
}

/// Three planes of 8 bits, uncompressed, little-endian; tiles are padded with 255.
fn write(file: &Path) {
    let (down, across) = (ROWS.div_ceil(TILE), COLUMNS.div_ceil(TILE));
    let count = 3 * down * across;
    let entries: [(u16, u16, u32, u32); 10] = [
        (256, 3, 1, COLUMNS as u32),
        (257, 3, 1, ROWS as u32),
        (258, 3, 3, 134),
        (259, 3, 1, 1),
        (262, 3, 1, 2),
        (277, 3, 1, 3),
        (284, 3, 1, 2),
        (322, 3, 1, TILE as u32),
        (323, 3, 1, TILE as u32),
        (324, 4, count as u32, 140),
    ];
    // The header has 8 bytes, the directory 2 + 11 x 12 + 4, then three numbers of bits, the offsets and the lengths of the tiles.
    let counts_at = 8 + 2 + 11 * 12 + 4 + 6 + 4 * count;
    let data = counts_at + 4 * count;
    let mut bytes = b"II\x2a\0\x08\0\0\0\x0b\0".to_vec();
    let place = |(tag, kind, number, value): (u16, u16, u32, u32)| {
        let value = match tag {
            258 => 8 + 2 + 11 * 12 + 4,
            324 => 8 + 2 + 11 * 12 + 4 + 6,
            _ => value,
        };
        let parts = [&tag.to_le_bytes()[..], &kind.to_le_bytes()];
        let numbers = [number.to_le_bytes(), value.to_le_bytes()];
        [parts.concat(), numbers.concat()].concat()
    };
    entries.into_iter().for_each(|e| bytes.extend(place(e)));
    bytes.extend(place((325, 4, count as u32, counts_at as u32)));
    bytes.extend([0; 4]);
    [8u16; 3].iter().for_each(|v| bytes.extend(v.to_le_bytes()));
    for tile in 0..count {
        bytes.extend(((data + tile * TILE * TILE) as u32).to_le_bytes());
    }
    for _ in 0..count {
        bytes.extend(((TILE * TILE) as u32).to_le_bytes());
    }
    assert_eq!(bytes.len(), data);
    for tile in 0..count {
        let (plane, at) = (tile / (down * across), tile % (down * across));
        for place in 0..TILE * TILE {
            let row = at / across * TILE + place / TILE;
            let column = at % across * TILE + place % TILE;
            let inside = row < ROWS && column < COLUMNS;
            bytes.push(if inside {
                sample(plane, row, column)
            } else {
                255
            });
        }
    }
    std::fs::write(file, bytes).unwrap();
}

/// The `tiff` crate stops with an assertion where it reads such a file at once.
#[test]
fn such_a_file_is_read_right() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("planes.tif");
    write(&file);
    let picture = stopspan_formats::read_picture(&file, &Limits::default()).unwrap();
    let Pixels::U8(samples) = picture.pixels else {
        panic!("8 bits");
    };
    assert_eq!(samples.dim(), (ROWS, COLUMNS, 3));
    for ((row, column, plane), &got) in samples.indexed_iter() {
        assert_eq!(got, sample(plane, row, column), "{row}, {column}, {plane}");
    }
}
