//! Colour of the finished picture against the merge's at equal lightness: neutral places and coloured ones.
use super::cells::{Cell, Cells};
use super::colour_difference::{Lab, ciede2000};
use super::lab::{D65, lab};
use super::tiled::{Tile, mean};
use crate::oecf::srgb_to_linear;
use stopspan_core::results::{Compared, Difference, Quantity};
use stopspan_core::units::{Matrix, Primaries, apply, product};

const SRGB: Primaries = Primaries::SRGB;
/// Chroma of the merge up to which a place is neutral, and from which it is coloured. Ours, without a source.
const NEUTRAL: f64 = 5.0;
const COLOURED: f64 = 15.0;
/// Lightness between which colour is compared: neither crushed nor near clipping.
const LIGHTNESS: (f64, f64) = (15.0, 92.0);
/// Places looked at, at most.
const ENOUGH: usize = 20_000;
/// Fewest places of a kind.
const FEWEST: usize = 20;

/// What red, green and blue of the finished picture and of the map are.
pub struct Colours {
    /// Of the finished picture.
    pub finished: Primaries,
    /// Of the map.
    pub map: Primaries,
}

/// Shift of a* and b*, and CIEDE2000, under D65: of the finished picture as its colour space says (decoded by IEC 61966-2-1,
/// by the power 563/256 for Adobe RGB), against the merge's linear R, G, B by its own primaries, made as light, place by place: tone mapping changes
/// lightness by design, and is not counted here. Nothing for mono pictures or where too few places are seen.
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

/// A figure that is itself a difference from the merge. A colour difference is never negative, so 0 cannot lie within its
/// interval and no tie is told.
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

/// L*a*b* of the camera's picture, and of the merge made as light.
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
