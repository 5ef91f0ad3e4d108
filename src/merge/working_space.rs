//! Converts a map to another RGB space: radiance by the matrix, uncertainties propagated through it.
use stopspan_core::model::Planes;
use stopspan_core::raster::{Work, dispatch_simd};
use stopspan_core::units::Primaries;

/// Pixels converted together.
const LANES: usize = 64;

/// Converts rows of a map to `wanted` primaries; rows of one channel, or with these primaries already, are returned
/// unchanged.
///
/// Statistical uncertainties are propagated as of independent channels; the noise of the new channels is correlated. The
/// relative systematic uncertainty is the mean of the three, weighted by their share of the light.
pub fn in_space(mut planes: Planes, wanted: &Primaries) -> Planes {
    if planes.radiance.len() != 3 || planes.primaries == *wanted {
        return planes;
    }
    let matrix = planes.primaries.to(wanted);
    dispatch_simd(Convert {
        matrix: matrix.map(|row| row.map(|v| v as f32)),
        planes: &mut planes,
    });
    planes.primaries = *wanted;
    planes
}

/// The conversion by a matrix, in the widest vectors the processor has.
struct Convert<'a> {
    matrix: [[f32; 3]; 3],
    planes: &'a mut Planes,
}

impl Work for Convert<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Planes {
            radiance,
            statistical,
            systematic,
            ..
        } = self.planes;
        let pixels = radiance.first().map_or(0, Vec::len);
        for at in (0..pixels).step_by(LANES) {
            let mut light = some(radiance, at);
            let mut noise = some(statistical, at);
            let mut common = some(systematic, at);
            convert(&self.matrix, &mut light, &mut noise, &mut common);
            put(&light, radiance, at);
            put(&noise, statistical, at);
            put(&common, systematic, at);
        }
    }
}

/// [`LANES`] pixels of three planes; zeros beyond the end.
type Lanes = [[f32; LANES]; 3];

/// Pixels from index `at` on.
#[inline(always)]
fn some(planes: &[Vec<f32>], at: usize) -> Lanes {
    let mut out = [[0.0; LANES]; 3];
    for (out, plane) in out.iter_mut().zip(planes) {
        match plane[at..].first_chunk() {
            Some(whole) => *out = *whole,
            None => out.iter_mut().zip(&plane[at..]).for_each(|(o, v)| *o = *v),
        }
    }
    out
}

/// Writes pixels from index `at` on.
#[inline(always)]
fn put(from: &Lanes, planes: &mut [Vec<f32>], at: usize) {
    for (from, plane) in from.iter().zip(planes) {
        match plane[at..].first_chunk_mut() {
            Some(whole) => *whole = *from,
            None => plane[at..].iter_mut().zip(from).for_each(|(p, v)| *p = *v),
        }
    }
}

/// Converts radiance, statistical and relative systematic uncertainty in place.
#[inline(always)]
fn convert(matrix: &[[f32; 3]; 3], light: &mut Lanes, noise: &mut Lanes, common: &mut Lanes) {
    let old = (*light, *noise, *common);
    for (k, row) in matrix.iter().enumerate() {
        for i in 0..LANES {
            let part = [0, 1, 2].map(|c| row[c] * old.0[c][i]);
            let spread = [0, 1, 2].map(|c| row[c] * old.1[c][i]);
            let amount = part[0].abs() + part[1].abs() + part[2].abs();
            let shared = part[0].abs() * old.2[0][i]
                + part[1].abs() * old.2[1][i]
                + part[2].abs() * old.2[2][i];
            light[k][i] = part[0] + part[1] + part[2];
            noise[k][i] =
                (spread[0] * spread[0] + spread[1] * spread[1] + spread[2] * spread[2]).sqrt();
            let mean = shared / amount;
            common[k][i] = if amount > 0.0 { mean } else { old.2[k][i] };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::{Array3, Axis};
    use stopspan_core::model::RadianceMap;
    use stopspan_core::units::apply;

    #[test]
    fn white_stays_white_and_the_way_back_is_the_way() {
        let radiance =
            Array3::from_shape_fn((2, 83, 3), |(r, c, k)| 0.1 + (r * 9 + c * 3 + k) as f32);
        let mut map = RadianceMap::of_radiance(radiance, Primaries::ROMM);
        map.radiance.index_axis_mut(Axis(0), 0).fill(2.0);
        map.statistical.fill(0.5);
        map.systematic.fill(0.25);
        let there = in_space(Planes::of(&map), &Primaries::SRGB);
        let back = in_space(there.clone(), &Primaries::ROMM).map();
        let there = there.map();
        assert!(
            there
                .radiance
                .index_axis(Axis(0), 0)
                .iter()
                .all(|v| (v - 2.0).abs() < 1e-4)
        );
        let m = Primaries::ROMM.to(&Primaries::SRGB);
        for column in [0, 2, 63, 64, 82] {
            let pixel = [0, 1, 2].map(|k| f64::from(map.radiance[[1, column, k]]));
            for (k, wanted) in apply(&m, pixel).into_iter().enumerate() {
                let found = f64::from(there.radiance[[1, column, k]]);
                assert!((found / wanted - 1.0).abs() < 1e-4, "{column} {k}");
                let noise = 0.5 * m[k].iter().map(|v| v * v).sum::<f64>().sqrt();
                assert!((f64::from(there.statistical[[1, column, k]]) - noise).abs() < 1e-5);
                assert!((there.systematic[[1, column, k]] - 0.25).abs() < 1e-6);
            }
        }
        for (a, b) in back.radiance.iter().zip(&map.radiance) {
            assert!((a / b - 1.0).abs() < 1e-4);
        }
    }
}
