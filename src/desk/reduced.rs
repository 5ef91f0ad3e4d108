//! Radiance maps made smaller for the screen.
use ndarray::{Array2, Array3};
use rayon::prelude::*;
use stopspan_core::model::{RadianceMap, flag};

/// A map at a smaller size.
pub(super) struct Reduced {
    /// Means of radiance.
    pub radiance: Array3<f32>,
    /// Means of the relative uncertainty.
    pub uncertainty: Array2<f32>,
    /// Flags of any of the pixels, and the frame of the upper left one.
    pub flags: Array2<u16>,
}

impl Reduced {
    /// Halves of a map again and again, until one is at most `least` pixels long.
    pub fn halves(map: &RadianceMap, uncertainty: &Array2<f32>, least: usize) -> Vec<Self> {
        let mut levels: Vec<Reduced> = Vec::new();
        loop {
            let last = levels.last();
            let radiance = last.map_or(&map.radiance, |l| &l.radiance);
            if radiance.dim().0.max(radiance.dim().1) <= least {
                return levels;
            }
            let next = Reduced {
                radiance: means(radiance, 2),
                uncertainty: half(last.map_or(uncertainty, |l| &l.uncertainty), |four| {
                    four.iter().sum::<f32>() / 4.0
                }),
                flags: half(last.map_or(&map.flags, |l| &l.flags), flags),
            };
            levels.push(next);
        }
    }
}

/// The flags of four pixels together.
fn flags(four: [u16; 4]) -> u16 {
    let bits = (1 << flag::FRAME_SHIFT) - 1;
    four.iter().fold(four[0], |all, f| all | (f & bits))
}

/// What `join` makes of every 2 x 2 values; at odd edges the last stands for the missing.
fn half<T: Copy>(of: &Array2<T>, join: impl Fn([T; 4]) -> T) -> Array2<T> {
    let (rows, columns) = of.dim();
    Array2::from_shape_fn((rows.div_ceil(2), columns.div_ceil(2)), |(r, c)| {
        let (below, right) = ((2 * r + 1).min(rows - 1), (2 * c + 1).min(columns - 1));
        join([
            of[[2 * r, 2 * c]],
            of[[2 * r, right]],
            of[[below, 2 * c]],
            of[[below, right]],
        ])
    })
}

/// A map of means over squares, for looking at. Uncertainties are those of single pixels, so that what a look makes of them is what it makes
/// of the whole map; flags are those of the upper left pixel.
pub(super) fn averaged(map: &RadianceMap, side: usize) -> RadianceMap {
    let (rows, columns) = map.flags.dim();
    let small = (rows.div_ceil(side), columns.div_ceil(side));
    RadianceMap {
        radiance: means(&map.radiance, side),
        statistical: means(&map.statistical, side),
        systematic: means(&map.systematic, side),
        flags: Array2::from_shape_fn(small, |(r, c)| map.flags[[r * side, c * side]]),
        primaries: map.primaries,
    }
}

/// Means over squares of `side` pixels; at the edges over those there are.
fn means(of: &Array3<f32>, side: usize) -> Array3<f32> {
    let (rows, columns, channels) = of.dim();
    let (height, width) = (rows.div_ceil(side), columns.div_ceil(side));
    let mut out = vec![0.0; height * width * channels];
    let lines = out.par_chunks_mut((width * channels).max(1)).enumerate();
    lines.for_each(|(r, line)| {
        let (top, bottom) = (r * side, ((r + 1) * side).min(rows));
        for row in top..bottom {
            for column in 0..columns {
                for k in 0..channels {
                    line[column / side * channels + k] += of[[row, column, k]];
                }
            }
        }
        for (at, sum) in line.iter_mut().enumerate() {
            let left = at / channels * side;
            *sum /= ((bottom - top) * ((left + side).min(columns) - left)) as f32;
        }
    });
    Array3::from_shape_vec((height, width, channels), out).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;
    use stopspan_core::units::Primaries;

    #[test]
    fn light_is_averaged_and_no_flag_is_lost() {
        let radiance = Array3::from_shape_fn((3, 5, 3), |(r, c, k)| (r * 5 + c + 100 * k) as f32);
        let mut map = RadianceMap::of_radiance(radiance, Primaries::SRGB);
        map.flags[[0, 1]] = flag::MOVED | 2 << flag::FRAME_SHIFT;
        map.flags[[1, 0]] = flag::ONE_FRAME;
        map.flags[[2, 4]] = flag::CLIPPED_IN_ALL | 1 << flag::FRAME_SHIFT;
        let levels = Reduced::halves(&map, &Array2::from_elem((3, 5), 0.5), 2);
        assert_eq!(levels.len(), 2);
        let first = &levels[0];
        assert_eq!(first.radiance.dim(), (2, 3, 3));
        assert_eq!(first.radiance[[0, 0, 0]], (0.0 + 1.0 + 5.0 + 6.0) / 4.0);
        assert_eq!(first.radiance[[1, 2, 2]], 214.0);
        assert_eq!(first.uncertainty[[1, 2]], 0.5);
        assert_eq!(first.flags[[0, 0]], flag::MOVED | flag::ONE_FRAME);
        assert_eq!(first.flags[[1, 2]], map.flags[[2, 4]]);
        let whole = averaged(&map, 5);
        assert_eq!(whole.radiance.dim(), (1, 1, 3));
        assert_eq!(whole.radiance[[0, 0, 1]], 107.0);
    }
}
