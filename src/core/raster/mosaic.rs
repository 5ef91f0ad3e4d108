//! Bayer's colour filter mosaic: the colour of each site of a 2 x 2 cell.
use super::Pixels;
use ndarray::Array3;
use rayon::prelude::*;
use serde::{Deserialize, Serialize};

/// Colours of the sites (0, 0), (0, 1), (1, 0), (1, 1) of every 2 x 2 cell, (row, column): 0 red, 1 green, 2 blue.
/// One site is red, one blue, and the two green ones are diagonal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mosaic {
    colours: [u8; 4],
}

/// Number of planes of a mosaic: red, green of the red rows, green of the blue rows, blue.
pub const PLANES: usize = 4;

impl Mosaic {
    /// `None` unless the four sites form Bayer's arrangement.
    pub fn new(colours: [u8; 4]) -> Option<Self> {
        let known = [[0, 1, 1, 2], [2, 1, 1, 0], [1, 0, 2, 1], [1, 2, 0, 1]];
        known.contains(&colours).then_some(Mosaic { colours })
    }

    /// Colour of a pixel: 0 red, 1 green, 2 blue.
    #[inline]
    pub fn colour(&self, row: usize, column: usize) -> usize {
        usize::from(self.colours[(row % 2) * 2 + column % 2])
    }

    /// Plane of each site, sites in the order (0, 0), (0, 1), (1, 0), (1, 1).
    pub fn planes(&self) -> [usize; 4] {
        let red_row = usize::from(self.colours[2] == 0 || self.colours[3] == 0);
        std::array::from_fn(|site| match self.colours[site] {
            0 => 0,
            2 => 3,
            _ if site / 2 == red_row => 1,
            _ => 2,
        })
    }

    /// The mosaic as seen from a pixel of this one, taken as the first.
    pub fn shifted(&self, row: usize, column: usize) -> Self {
        Mosaic {
            colours: std::array::from_fn(|s| self.colour(row + s / 2, column + s % 2) as u8),
        }
    }

    /// Separates the sites into planes: shape (rows / 2, columns / 2, 4) from (rows, columns, 1), planes in the order
    /// of [`PLANES`]. An odd last row or column is dropped. Pictures with another number of channels are returned
    /// unchanged.
    pub fn split(&self, pixels: &Pixels) -> Pixels {
        if pixels.channels() != 1 {
            return pixels.clone();
        }
        match pixels {
            Pixels::U8(a) => Pixels::U8(self.split_array(a)),
            Pixels::U16(a) => Pixels::U16(self.split_array(a)),
            Pixels::F32(a) => Pixels::F32(self.split_array(a)),
        }
    }

    fn split_array<T: Copy + Default + Send + Sync>(&self, from: &Array3<T>) -> Array3<T> {
        let (rows, columns, _) = from.dim();
        let (down, across) = (rows / 2, columns / 2);
        let mut out = Array3::from_elem((down, across, PLANES), T::default());
        let planes = self.planes();
        let from = from.as_standard_layout();
        if let (Some(from), Some(to), true) = (from.as_slice(), out.as_slice_mut(), across > 0) {
            let lines = to.par_chunks_mut(across * PLANES).enumerate();
            lines.for_each(|(row, line)| {
                let upper = &from[2 * row * columns..][..columns];
                let lower = &from[(2 * row + 1) * columns..][..columns];
                let pairs = upper.chunks_exact(2).zip(lower.chunks_exact(2));
                for (cell, (u, l)) in line.chunks_exact_mut(PLANES).zip(pairs) {
                    for (plane, value) in planes.iter().zip([u[0], u[1], l[0], l[1]]) {
                        cell[*plane] = value;
                    }
                }
            });
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sites_go_to_their_planes_and_nothing_else_is_a_mosaic() {
        let stored = Array3::from_shape_fn((4, 6, 1), |(r, c, _)| (10 * r + c) as u16);
        for (colours, first) in [
            ([0, 1, 1, 2], [0, 1, 10, 11]),
            ([2, 1, 1, 0], [11, 10, 1, 0]),
            ([1, 0, 2, 1], [1, 0, 11, 10]),
            ([1, 2, 0, 1], [10, 11, 0, 1]),
        ] {
            let mosaic = Mosaic::new(colours).unwrap();
            let Pixels::U16(split) = mosaic.split(&Pixels::U16(stored.clone())) else {
                panic!("the sample type changed")
            };
            assert_eq!(split.dim(), (2, 3, 4));
            for plane in 0..PLANES {
                assert_eq!(split[[0, 0, plane]], first[plane], "{colours:?}");
                assert_eq!(split[[1, 2, plane]], first[plane] + 24, "{colours:?}");
            }
            assert_eq!(mosaic.shifted(1, 1).shifted(1, 1), mosaic);
            assert_eq!(mosaic.shifted(0, 1).colour(0, 0), mosaic.colour(0, 1));
        }
        for other in [[0, 0, 1, 2], [0, 1, 2, 1], [0, 1, 1, 3], [1, 1, 0, 2]] {
            assert_eq!(Mosaic::new(other), None, "{other:?}");
        }
    }
}
