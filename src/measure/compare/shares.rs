//! Shares of white and black pixels in the camera's picture and in the single frame that loses least. They do not apply to
//! the merge; what it lacks is reported with the scene.
use super::cells::Cells;
use super::flat_noise::Single;
use super::overlay::Overlay;
use super::tiled::{Tile, mean};
use stopspan_core::results::{Compared, Difference, Interval, Quantity};

/// Green level from which a pixel counts as white, and up to which as black: the two outermost 8-bit codes at either end,
/// for every picture.
const ENDS: [f32; 2] = [253.5 / 255.0, 1.5 / 255.0];
/// Distance between samples, pixels.
const STRIDE: usize = 8;

/// Shares at white and at black with intervals from resampled tiles; differences use the same resamples for both pictures.
pub fn compare(cells: &Cells, finished: &Overlay, singles: &[Single]) -> Vec<Compared> {
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
            let mut tiles: Vec<Tile<2>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
            visit(cells, |tile, row, column| {
                let camera = lost_at(finished, row, column, which);
                let single = best.map_or(f64::NAN, |b| {
                    lost_at(&singles[b].overlay, row, column, which)
                });
                if camera.is_finite() {
                    tiles[tile].push([camera, single]);
                }
            });
            row(quantity, &tiles, best.map(|b| singles[b].file))
        })
        .collect()
}

fn row(quantity: Quantity, tiles: &[Tile<2>], single: Option<&str>) -> Option<Compared> {
    let of = |column: usize| mean(tiles, move |v| v[column]);
    let alone = single.and_then(|_| of(1));
    let less = mean(tiles, |v| v[0] - v[1]).map(Difference::from);
    Some(Compared {
        quantity,
        unit: "share".to_owned(),
        camera_hdr: Some(of(0)?),
        merge: None,
        single: alone,
        single_file: single.filter(|_| alone.is_some()).map(str::to_owned),
        against_merge: None,
        against_single: alone.and(less),
    })
}

fn of_single(cells: &Cells, single: &Single) -> [Vec<Tile<1>>; 2] {
    [0, 1].map(|which| {
        let mut tiles: Vec<Tile<1>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
        visit(cells, |tile, row, column| {
            let value = lost_at(&single.overlay, row, column, which);
            if value.is_finite() {
                tiles[tile].push([value]);
            }
        });
        tiles
    })
}

/// 1 where the picture's own pixel is white (0) or black (1), else 0; NaN outside it.
fn lost_at(overlay: &Overlay, row: usize, column: usize, which: usize) -> f64 {
    overlay.own_level(row, column).map_or(f64::NAN, |level| {
        share([level >= ENDS[0], level <= ENDS[1]][which])
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

/// Share of the samples marked 1, with an interval from resampled tiles.
pub fn of_marks(cells: &Cells, marks: &ndarray::Array2<u8>) -> Option<Interval> {
    let mut tiles: Vec<Tile<1>> = vec![Vec::new(); cells.tiles().0 * cells.tiles().1];
    visit(cells, |tile, row, column| {
        let mark = marks[[row / cells.step, column / cells.step]];
        tiles[tile].push([share(mark == 1)]);
    });
    mean(&tiles, |v| v[0])
}
