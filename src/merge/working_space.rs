//! A map in another RGB space: radiance by the matrix, uncertainties through it.
use super::map::RadianceMap;
use crate::units::{Matrix, Primaries};
use ndarray::{Array3, Axis};
use rayon::prelude::*;

/// The map in the space of `wanted` primaries; a map of one channel, or one that is there already, comes back as it is.
///
/// Statistical uncertainties are those of a weighted sum of three channels whose noise is independent; the noise of the new
/// channels is not independent any more. The systematic one is the weighted mean of the three, weights by amount of light.
pub fn in_space(mut map: RadianceMap, wanted: &Primaries) -> RadianceMap {
    if map.radiance.dim().2 != 3 || map.primaries == *wanted {
        return map;
    }
    let matrix = map.primaries.to(wanted);
    let RadianceMap {
        radiance,
        statistical,
        systematic,
        ..
    } = &mut map;
    let rows = lines(radiance)
        .zip(lines(statistical))
        .zip(lines(systematic));
    rows.for_each(|((mut radiance, mut statistical), mut systematic)| {
        let pixels = radiance.axis_iter_mut(Axis(0));
        let others = statistical
            .axis_iter_mut(Axis(0))
            .zip(systematic.axis_iter_mut(Axis(0)));
        for (mut r, (mut s, mut y)) in pixels.zip(others) {
            let three = |v: &ndarray::ArrayViewMut1<f32>| [v[0], v[1], v[2]].map(f64::from);
            let (light, noise, common) = one(&matrix, three(&r), three(&s), three(&y));
            for k in 0..3 {
                r[k] = light[k] as f32;
                s[k] = noise[k] as f32;
                y[k] = common[k] as f32;
            }
        }
    });
    map.primaries = *wanted;
    map
}

fn lines(
    samples: &mut Array3<f32>,
) -> impl IndexedParallelIterator<Item = ndarray::ArrayViewMut2<'_, f32>> {
    samples.axis_iter_mut(Axis(0)).into_par_iter()
}

fn one(
    m: &Matrix,
    light: [f64; 3],
    noise: [f64; 3],
    common: [f64; 3],
) -> ([f64; 3], [f64; 3], [f64; 3]) {
    let mut out = ([0.0; 3], [0.0; 3], [0.0; 3]);
    for (k, row) in m.iter().enumerate() {
        let parts = [0, 1, 2].map(|c| row[c] * light[c]);
        let amount: f64 = parts.iter().map(|p| p.abs()).sum();
        out.0[k] = parts.iter().sum();
        out.1[k] = (0..3)
            .map(|c| (row[c] * noise[c]).powi(2))
            .sum::<f64>()
            .sqrt();
        out.2[k] = if amount > 0.0 {
            (0..3).map(|c| parts[c].abs() / amount * common[c]).sum()
        } else {
            common[k]
        };
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::apply;

    #[test]
    fn white_stays_white_and_the_way_back_is_the_way() {
        let radiance =
            Array3::from_shape_fn((2, 3, 3), |(r, c, k)| 0.1 + (r * 9 + c * 3 + k) as f32);
        let mut map = RadianceMap::of_radiance(radiance, Primaries::ROMM);
        map.radiance.index_axis_mut(Axis(0), 0).fill(2.0);
        map.statistical.fill(0.5);
        let there = in_space(map.clone(), &Primaries::SRGB);
        assert!(
            there
                .radiance
                .index_axis(Axis(0), 0)
                .iter()
                .all(|v| (v - 2.0).abs() < 1e-4)
        );
        let m = Primaries::ROMM.to(&Primaries::SRGB);
        let pixel = [0, 1, 2].map(|k| f64::from(map.radiance[[1, 2, k]]));
        for (k, wanted) in apply(&m, pixel).into_iter().enumerate() {
            assert!((f64::from(there.radiance[[1, 2, k]]) - wanted).abs() < 1e-4);
            let noise = 0.5 * m[k].iter().map(|v| v * v).sum::<f64>().sqrt();
            assert!((f64::from(there.statistical[[1, 2, k]]) - noise).abs() < 1e-5);
        }
        let back = in_space(there, &Primaries::ROMM);
        for (a, b) in back.radiance.iter().zip(&map.radiance) {
            assert!((a - b).abs() < 1e-4);
        }
    }
}
