//! Colour of the finished picture against the merge's at equal lightness, in neutral and in coloured cells.
use super::cells::{Cell, Cells};
use super::colour_difference::{Lab, ciede2000};
use super::lab::{D65, lab};
use super::tiled::{Tile, mean};
use crate::oecf::srgb_to_linear;
use stopspan_core::results::{Compared, Difference, Quantity};
use stopspan_core::units::{Matrix, Primaries, apply, product};

const SRGB: Primaries = Primaries::SRGB;
/// Largest chroma of the merge in a neutral cell, and smallest in a coloured one. Ours, without a source.
const NEUTRAL: f64 = 5.0;
const COLOURED: f64 = 15.0;
/// Range of lightness in which colour is compared: neither black nor near clipping.
const LIGHTNESS: (f64, f64) = (15.0, 92.0);
/// Largest number of cells used.
const ENOUGH: usize = 20_000;
/// Smallest number of neutral or coloured cells.
const FEWEST: usize = 20;

/// Primaries of the two pictures.
pub struct Colours {
    /// Of the finished picture.
    pub finished: Primaries,
    /// Of the map.
    pub map: Primaries,
}

/// Shift of a* and b*, and CIEDE2000, under D65. The finished picture is decoded by its colour space (IEC 61966-2-1, or the
/// power 563/256 for Adobe RGB); the merge's linear R, G, B are converted by its own primaries and scaled to equal
/// lightness, cell by cell, because tone mapping changes lightness by design. Empty for mono pictures or too few cells.
pub fn compare(cells: &Cells, colours: &Colours, mono: bool) -> Vec<Compared> {
    if mono {
        return Vec::new();
    }
    let flat: Vec<usize> = (0..cells.list.len())
        .filter(|&i| cells.list[i].flat() && cells.list[i].crushed == 0)
        .collect();
    let to_xyz =
        [&colours.finished, &colours.map].map(|space| product(&SRGB.to_xyz(), &space.to(&SRGB)));
    let adobe = colours.finished.near(&Primaries::ADOBE_RGB);
    let (down, across) = cells.tiles();
    let mut neutral: Vec<Tile<3>> = vec![Vec::new(); down * across];
    let mut coloured: Vec<Tile<3>> = vec![Vec::new(); down * across];
    for &index in flat.iter().step_by(flat.len().div_ceil(ENOUGH).max(1)) {
        let Some((camera, merge)) = pair(&cells.list[index], &to_xyz, adobe) else {
            continue;
        };
        let chroma = merge[1].hypot(merge[2]);
        let place = [
            camera[1] - merge[1],
            camera[2] - merge[2],
            ciede2000(merge, camera),
        ];
        let tile = cells.tile_of(index);
        match chroma {
            c if c < NEUTRAL => neutral[tile].push(place),
            c if c > COLOURED => coloured[tile].push(place),
            _ => {}
        }
    }
    let rows = [
        (Quantity::NeutralA, &neutral, 0),
        (Quantity::NeutralB, &neutral, 1),
        (Quantity::NeutralDifference, &neutral, 2),
        (Quantity::ColourDifference, &coloured, 2),
    ];
    rows.into_iter()
        .filter(|(_, tiles, _)| tiles.iter().map(Vec::len).sum::<usize>() >= FEWEST)
        .filter_map(|(quantity, tiles, column)| row(quantity, tiles, column))
        .collect()
}

/// A figure that is itself a difference from the merge. A colour difference is never negative, so its interval cannot
/// contain 0 and no tie is stated.
fn row(quantity: Quantity, tiles: &[Tile<3>], column: usize) -> Option<Compared> {
    let value = mean(tiles, |place| place[column])?;
    let mut difference = Difference::from(value);
    if column == 2 {
        difference.tie = None;
    }
    Some(Compared {
        quantity,
        unit: "L*a*b*".to_owned(),
        camera_hdr: Some(value),
        merge: None,
        single: None,
        single_file: None,
        against_merge: Some(difference),
        against_single: None,
    })
}

/// L*a*b* of the camera's picture, and of the merge scaled to equal lightness.
fn pair(cell: &Cell, to_xyz: &[Matrix; 2], adobe: bool) -> Option<(Lab, Lab)> {
    let linear = |level: f32| match adobe {
        true => f64::from(level).powf(563.0 / 256.0),
        false => srgb_to_linear(f64::from(level)),
    };
    let camera = apply(&to_xyz[0], cell.level.map(linear));
    let merge = apply(&to_xyz[1], cell.radiance.map(f64::from));
    if camera[1] <= 0.0 || merge[1] <= 0.0 {
        return None;
    }
    let scale = camera[1] / merge[1];
    let (camera, merge) = (lab(camera, D65), lab(merge.map(|v| v * scale), D65));
    (LIGHTNESS.0..LIGHTNESS.1)
        .contains(&camera[0])
        .then_some((camera, merge))
}
