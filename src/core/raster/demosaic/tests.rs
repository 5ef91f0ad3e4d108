//! The filters against closed forms and a slow twin.
use super::*;

/// Planes of a mosaic, made from a function of row, column and colour.
struct Made {
    planes: Vec<Vec<f32>>,
    across: usize,
    mosaic: Mosaic,
}

impl Made {
    fn new(
        colours: [u8; 4],
        (rows, columns): (usize, usize),
        scene: impl Fn(usize, usize, usize) -> f32,
    ) -> Made {
        let mosaic = Mosaic::new(colours).unwrap();
        let mut planes = vec![Vec::new(); 4];
        for (row, column) in (0..rows).flat_map(|r| (0..columns).map(move |c| (r, c))) {
            let plane = mosaic.planes()[row % 2 * 2 + column % 2];
            planes[plane].push(scene(row, column, mosaic.colour(row, column)));
        }
        let across = columns / 2;
        Made {
            planes,
            across,
            mosaic,
        }
    }

    fn sites(&self) -> Sites<'_> {
        Sites {
            planes: std::array::from_fn(|k| self.planes[k].as_slice()),
            across: self.across,
            mosaic: self.mosaic,
        }
    }
}

const ALL: [[u8; 4]; 4] = [[0, 1, 1, 2], [2, 1, 1, 0], [1, 0, 2, 1], [1, 2, 0, 1]];

/// The filters are exact for a linear slope with constant colour differences, because all colours have the same
/// gradient.
#[test]
fn a_slope_with_constant_colour_differences_comes_back() {
    for colours in ALL {
        let scene = |r: usize, c: usize, k: usize| {
            20.0 + 0.3 * r as f32 - 0.2 * c as f32 + [3.0, 5.0, 1.0][k]
        };
        let made = Made::new(colours, (12, 10), scene);
        let found = demosaic(made.sites(), 0..12, 0.1);
        let part = demosaic(made.sites(), 3..7, 0.1);
        for (k, (plane, part)) in found.iter().zip(part).enumerate() {
            for (i, v) in plane.iter().enumerate() {
                // The slope is bent where it is mirrored at the borders.
                let (r, c) = (i / 10, i % 10);
                let inside = (2..10).contains(&r) && (2..8).contains(&c);
                assert!(
                    !inside || (v - scene(r, c, k)).abs() < 1e-5,
                    "{colours:?} {r} {c} {k}: {v}"
                );
            }
            assert_eq!(part, plane[30..70]);
        }
    }
}

/// The variance filter equals the sum of squared impulse responses of the estimate.
#[test]
fn variances_are_sums_of_squared_weights() {
    for colours in ALL {
        let (rows, columns, at) = (14, 16, (7usize, 8usize));
        let mut energy = [0.0f32; 3];
        for i in 0..rows * columns {
            let impulse = |r: usize, c: usize, _: usize| f32::from(r * columns + c == i);
            let made = Made::new(colours, (rows, columns), impulse);
            let found = demosaic(made.sites(), at.0..at.0 + 1, 1.0);
            for (e, plane) in energy.iter_mut().zip(found) {
                *e += plane[at.1].powi(2);
            }
        }
        let made = Made::new(colours, (rows, columns), |_, _, _| 1.0);
        let stated = demosaic_variance(made.sites(), at.0..at.0 + 1);
        for (k, e) in energy.iter().enumerate() {
            assert!((e - stated[k][at.1]).abs() < 1e-6, "{colours:?} {k}: {e}");
        }
    }
}

#[test]
fn nothing_rings_below_zero_beside_a_lamp() {
    let scene = |_: usize, c: usize, _: usize| if c < 8 { 0.001 } else { 1.0 };
    for colours in ALL {
        let made = Made::new(colours, (12, 16), scene);
        let found = demosaic(made.sites(), 0..12, 1e-5);
        let least = found
            .iter()
            .flatten()
            .copied()
            .fold(f32::INFINITY, f32::min);
        assert!(least >= 0.001 * (1.0 - 1e-6), "{colours:?}: {least}");
    }
}

/// The five filters as printed in the paper's figure 2, times 16: 5 x 5, by rows.
const CROSS: [i32; 25] = [
    0, 0, -2, 0, 0, 0, 0, 4, 0, 0, -2, 4, 8, 4, -2, 0, 0, 4, 0, 0, 0, 0, -2, 0, 0,
];
const ACROSS: [i32; 25] = [
    0, 0, 1, 0, 0, 0, -2, 0, -2, 0, -2, 8, 10, 8, -2, 0, -2, 0, -2, 0, 0, 0, 1, 0, 0,
];
const DIAGONAL: [i32; 25] = [
    0, 0, -3, 0, 0, 0, 4, 0, 4, 0, -3, 0, 12, 0, -3, 0, 4, 0, 4, 0, 0, 0, -3, 0, 0,
];

/// The slow twin: each pixel from its 5 x 5 samples with the printed weights, the picture mirrored at its borders.
fn twin(made: &Made, (rows, columns): (usize, usize), at: (usize, usize)) -> [f32; 3] {
    let place = |v: usize, by: usize, size: usize| {
        let v = (v as isize + by as isize - 2).abs();
        (if v >= size as isize {
            2 * (size as isize - 1) - v
        } else {
            v
        }) as usize
    };
    let filtered = |weights: &dyn Fn(usize, usize) -> i32| {
        let mut sum = 0.0;
        for (i, k) in (0..5).flat_map(|i| (0..5).map(move |k| (i, k))) {
            let (r, c) = (place(at.0, i, rows), place(at.1, k, columns));
            let plane = made.mosaic.planes()[r % 2 * 2 + c % 2];
            let sample = made.planes[plane][r / 2 * made.across + c / 2];
            sum += weights(i, k) as f32 / 16.0 * sample;
        }
        sum
    };
    let centre = filtered(&|i, k| if (i, k) == (2, 2) { 16 } else { 0 });
    let cross = filtered(&|i, k| CROSS[5 * i + k]);
    let diagonal = filtered(&|i, k| DIAGONAL[5 * i + k]);
    let across = filtered(&|i, k| ACROSS[5 * i + k]);
    let down = filtered(&|i, k| ACROSS[5 * k + i]);
    match (
        made.mosaic.colour(at.0, at.1),
        made.mosaic.colour(at.0, at.1 + 1),
    ) {
        (0, _) => [centre, cross, diagonal],
        (2, _) => [diagonal, cross, centre],
        (_, 0) => [across, centre, down],
        _ => [down, centre, across],
    }
}

#[test]
fn every_pixel_is_what_the_printed_filters_give() {
    let noise = |r: usize, c: usize, k: usize| ((r * 7919 + c * 104_729 + k) % 101) as f32;
    for (colours, size) in ALL.into_iter().zip([(4, 4), (38, 6), (6, 150), (40, 256)]) {
        let made = Made::new(colours, size, noise);
        // With noise this large nothing counts as an edge.
        let found = demosaic(made.sites(), 0..size.0, 1e3);
        for (i, at) in (0..size.0 * size.1).map(|i| (i, (i / size.1, i % size.1))) {
            for (k, wanted) in twin(&made, size, at).into_iter().enumerate() {
                let off = (found[k][i] - wanted).abs();
                assert!(
                    off < 1e-3,
                    "{colours:?} {at:?} {k}: {} {wanted}",
                    found[k][i]
                );
            }
        }
    }
}
