//! Rows of a map, channel by channel, as file writers need them.
use crate::model::RadianceMap;
use crate::raster::{Work, dispatch_simd};
use crate::units::Primaries;
use ndarray::{Array2, Array3, ArrayView3, Axis, s};
use std::ops::Range;

/// Some rows of a [`RadianceMap`], each channel apart, row by row. Quantities and units are those of the map.
#[derive(Debug, Clone, PartialEq)]
pub struct Planes {
    /// Columns of a row.
    pub columns: usize,
    /// Radiance, one plane a channel.
    pub radiance: Vec<Vec<f32>>,
    /// Standard uncertainty from noise, one plane a channel.
    pub statistical: Vec<Vec<f32>>,
    /// Relative systematic standard uncertainty, one plane a channel.
    pub systematic: Vec<Vec<f32>>,
    /// Flags, one a pixel.
    pub flags: Vec<u16>,
    /// RGB primaries of the map.
    pub primaries: Primaries,
}

impl Planes {
    /// The planes of a map.
    pub fn of(map: &RadianceMap) -> Self {
        Self::of_rows(map, 0..map.flags.dim().0)
    }

    /// The planes of some rows of a map. Panics if the range exceeds the map.
    pub fn of_rows(map: &RadianceMap, rows: Range<usize>) -> Self {
        let apart = |samples: &Array3<f32>| apart(samples.slice(s![rows.clone(), .., ..]));
        let flags = map.flags.slice(s![rows.clone(), ..]);
        Planes {
            columns: map.flags.dim().1,
            radiance: apart(&map.radiance),
            statistical: apart(&map.statistical),
            systematic: apart(&map.systematic),
            flags: flags.iter().copied().collect(),
            primaries: map.primaries,
        }
    }

    /// Radiance of some rows alone, with neither uncertainties nor flags, for formats that store no more.
    pub fn of_radiance(map: &RadianceMap, rows: Range<usize>) -> Self {
        Planes {
            columns: map.flags.dim().1,
            radiance: apart(map.radiance.slice(s![rows, .., ..])),
            statistical: Vec::new(),
            systematic: Vec::new(),
            flags: Vec::new(),
            primaries: map.primaries,
        }
    }

    /// The map of these rows.
    pub fn map(&self) -> RadianceMap {
        let rows = self.flags.len() / self.columns.max(1);
        let together = |planes: &[Vec<f32>]| {
            let mut out = Array3::zeros((rows, self.columns, planes.len()));
            if let Some(pixels) = out.as_slice_mut() {
                for (k, plane) in planes.iter().enumerate() {
                    let places = pixels.iter_mut().skip(k).step_by(planes.len());
                    places.zip(plane).for_each(|(to, &value)| *to = value);
                }
            }
            out
        };
        RadianceMap {
            radiance: together(&self.radiance),
            statistical: together(&self.statistical),
            systematic: together(&self.systematic),
            flags: Array2::from_shape_vec((rows, self.columns), self.flags.clone())
                .unwrap_or_default(),
            primaries: self.primaries,
        }
    }
}

/// Splits interleaved samples into one plane a channel.
fn apart(samples: ArrayView3<f32>) -> Vec<Vec<f32>> {
    let (rows, columns, channels) = samples.dim();
    if let (Some(data), 3) = (samples.as_slice(), channels) {
        let mut planes = [(); 3].map(|()| vec![0.0; rows * columns]);
        dispatch_simd(Apart(data.as_chunks::<3>().0, &mut planes));
        return planes.into();
    }
    let plane = |k: usize| samples.index_axis(Axis(2), k).iter().copied().collect();
    (0..channels).map(plane).collect()
}

/// Interleaved pixels, and the three planes to be filled from them.
struct Apart<'a>(&'a [[f32; 3]], &'a mut [Vec<f32>; 3]);

impl Work for Apart<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let [a, b, c] = self.1;
        let planes = a.iter_mut().zip(b).zip(c);
        for (pixel, ((a, b), c)) in self.0.iter().zip(planes) {
            [*a, *b, *c] = *pixel;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_map_comes_back() {
        let number = |(r, c, k): (usize, usize, usize)| (100 * r + 10 * c + k) as f32;
        let map = RadianceMap {
            radiance: Array3::from_shape_fn((3, 5, 3), number),
            statistical: Array3::from_shape_fn((3, 5, 3), |at| number(at) + 0.25),
            systematic: Array3::from_shape_fn((3, 5, 3), |at| number(at) + 0.5),
            flags: Array2::from_shape_fn((3, 5), |(r, c)| (r * 5 + c) as u16),
            primaries: Primaries::ROMM,
        };
        let planes = Planes::of(&map);
        assert_eq!(planes.radiance[2][5 + 3], 132.0);
        assert_eq!(planes.map(), map);
    }
}
