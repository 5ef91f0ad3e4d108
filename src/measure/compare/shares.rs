//! Shares of the frame that are clipped or crushed: camera, merge, and the single frame that loses least.
use super::cells::Cells;
use super::flat_noise::Single;
use super::result::{Compared, Difference, Interval, Quantity};
use super::tiled::{Tile, mean};
use crate::merge::{RadianceMap, flag};

/// Distance of the pixels looked at.
const STRIDE: usize = 8;

/// Clipped and crushed shares with intervals from resampled tiles; differences drawn together.
pub fn compare(
    cells: &Cells,
    map: &RadianceMap,
    finished: &super::overlay::Overlay,
    singles: &[Single],
) -> Vec<Compared> {
    let lost: Vec<[Vec<Tile<1>>; 2]> = singles.iter().map(|s| of_single(cells, s)).collect();
    let sum = |tiles: &[Tile<1>]| tiles.iter().flatten().map(|p| p[0]).sum::<f64>();
    let best = (0..singles.len()).min_by(|&a, &b| {
        let all = |i: usize| sum(&lost[i][0]) + sum(&lost[i][1]);
        all(a).total_cmp(&all(b))
    });
    [Quantity::Clipped, Quantity::Crushed]
        .into_iter()
        .enumerate()
        .filter_map(|(which, quantity)| {
            let mut tiles: Vec<Tile<3>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
            visit(cells, |tile, row, column| {
                let Some(levels) = finished.levels(row, column) else {
                    return;
                };
                let bit = [flag::CLIPPED_IN_ALL, flag::DARK_IN_ALL][which];
                let camera = [levels[1] >= 254.0 / 255.0, levels[1] <= 0.0][which];
                let merge = map.flags[[row, column]] & bit != 0;
                let single = best.map_or(f64::NAN, |b| lost_at(&singles[b], (row, column), which));
                tiles[tile].push([share(camera), share(merge), single]);
            });
            row(quantity, &tiles, best.map(|b| singles[b].file))
        })
        .collect()
}

fn row(quantity: Quantity, tiles: &[Tile<3>], single: Option<&str>) -> Option<Compared> {
    let of = |column: usize| mean(tiles, move |v| v[column]);
    let less = |column: usize| mean(tiles, move |v| v[0] - v[column]).map(Difference::from);
    let alone = single.and_then(|_| of(2));
    Some(Compared {
        quantity,
        unit: "share".to_owned(),
        camera_hdr: Some(of(0)?),
        merge: of(1),
        single: alone,
        single_file: single.filter(|_| alone.is_some()).map(str::to_owned),
        against_merge: less(1),
        against_single: alone.and_then(|_| less(2)),
    })
}

fn of_single(cells: &Cells, single: &Single) -> [Vec<Tile<1>>; 2] {
    [0, 1].map(|which| {
        let mut tiles: Vec<Tile<1>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
        visit(cells, |tile, row, column| {
            let value = lost_at(single, (row, column), which);
            if value.is_finite() {
                tiles[tile].push([value]);
            }
        });
        tiles
    })
}

/// 1 where the frame is clipped (0) or crushed (1), else 0; NaN outside it.
fn lost_at(single: &Single, (row, column): (usize, usize), which: usize) -> f64 {
    let pixels = single.overlay.pixels;
    single
        .overlay
        .nearest(row, column)
        .map_or(f64::NAN, |(r, c)| {
            let level = f64::from(pixels.level(r, c, pixels.channels() / 2));
            share(
                [
                    level >= single.curve.clip_level,
                    level <= single.curve.floor_level,
                ][which],
            )
        })
}

fn share(hit: bool) -> f64 {
    f64::from(u8::from(hit))
}

fn visit(cells: &Cells, mut each: impl FnMut(usize, usize, usize)) {
    for index in 0..cells.list.len() {
        let (top, left) = cells.corner(index);
        let tile = cells.tile_of(index);
        for row in (top..top + super::cells::SIDE).step_by(STRIDE) {
            for column in (left..left + super::cells::SIDE).step_by(STRIDE) {
                each(tile, row, column);
            }
        }
    }
}

/// An interval for a share that is a sum over tiles: resampled tiles.
pub fn of_marks(cells: &Cells, marks: &ndarray::Array2<u8>) -> Option<Interval> {
    let mut tiles: Vec<Tile<1>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
    visit(cells, |tile, row, column| {
        let mark = marks[[row / cells.step, column / cells.step]];
        tiles[tile].push([share(mark == 1)]);
    });
    mean(&tiles, |v| v[0])
}
