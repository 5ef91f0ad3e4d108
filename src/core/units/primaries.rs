//! RGB colour spaces by the chromaticities of their primaries and white (CIE 1931, 2 degree observer).
use serde::{Deserialize, Serialize};

/// A 3 x 3 matrix, by rows.
pub type Matrix = [[f64; 3]; 3];

/// The Bradford cone response matrix for chromatic adaptation (ICC.1:2022, annex E).
const BRADFORD: Matrix = [
    [0.8951, 0.2664, -0.1614],
    [-0.7502, 1.7135, 0.0367],
    [0.0389, -0.0685, 1.0296],
];
/// White of the profile connection space (ICC.1:2022, 7.2.16), XYZ.
pub const D50: [f64; 3] = [0.9642, 1.0, 0.8249];
/// Largest difference of chromaticities that counts as the same colour space: profiles round to 1/65536 of XYZ and
/// adapt the white with matrices of four digits.
const SAME: f64 = 0.002;

/// An RGB colour space of linear light: CIE 1931 x, y of red, green, blue and white. RGB (1, 1, 1) is the white.
/// Primaries may be imaginary, as those of a camera are, but not collinear.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Primaries([f64; 8]);

impl Default for Primaries {
    fn default() -> Self {
        Self::SRGB
    }
}

impl Primaries {
    /// sRGB (IEC 61966-2-1) and BT.709.
    pub const SRGB: Self = Self([0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290]);
    /// Display P3: primaries of SMPTE RP 431-2 with the white D65 (SMPTE EG 432-1).
    pub const DISPLAY_P3: Self = Self([0.680, 0.320, 0.265, 0.690, 0.150, 0.060, 0.3127, 0.3290]);
    /// Adobe RGB (1998).
    pub const ADOBE_RGB: Self = Self([0.64, 0.33, 0.21, 0.71, 0.15, 0.06, 0.3127, 0.3290]);
    /// BT.2020 and BT.2100 (ITU-R).
    pub const BT_2020: Self = Self([0.708, 0.292, 0.170, 0.797, 0.131, 0.046, 0.3127, 0.3290]);
    /// ROMM RGB (ISO 22028-2), whose white is D50.
    pub const ROMM: Self = Self([
        0.7347, 0.2653, 0.1596, 0.8404, 0.0366, 0.0001, 0.3457, 0.3585,
    ]);

    const NAMED: [(&'static str, Self); 5] = [
        ("sRGB", Self::SRGB),
        ("Display P3", Self::DISPLAY_P3),
        ("Adobe RGB (1998)", Self::ADOBE_RGB),
        ("BT.2020", Self::BT_2020),
        ("ROMM RGB", Self::ROMM),
    ];

    /// From x, y of red, green, blue, white. `None` if one is not finite, a y is 0, or the primaries are collinear.
    pub fn new(xy: [f64; 8]) -> Option<Self> {
        let found = Self(xy);
        let usable = xy.iter().all(|v| v.is_finite() && v.abs() < 100.0)
            && [1, 3, 5, 7].iter().all(|&k| xy[k].abs() > 1e-6)
            && inverse(&found.directions()).is_some_and(|m| {
                // a white that takes none of one primary leaves that channel without meaning
                apply(&m, found.white())
                    .iter()
                    .all(|v| v.abs() > 1e-6 && v.is_finite())
            });
        usable.then_some(found)
    }

    /// From the matrix of linear RGB to XYZ, up to a scale factor.
    pub fn of_matrix(to_xyz: &Matrix) -> Option<Self> {
        let columns: [[f64; 3]; 3] = [0, 1, 2].map(|k| [0, 1, 2].map(|row| to_xyz[row][k]));
        let white = [0, 1, 2].map(|row| to_xyz[row].iter().sum::<f64>());
        let mut xy = [0.0; 8];
        for (k, [x, y, z]) in columns.into_iter().chain([white]).enumerate() {
            let sum = x + y + z;
            xy[2 * k] = x / sum;
            xy[2 * k + 1] = y / sum;
        }
        Self::new(xy)
    }

    /// From the colorants of an ICC profile, adapted to D50 (rows X, Y, Z; columns red, green, blue). `white` is the
    /// XYZ of the space's own white if known. A named space is recognised whatever `white` is.
    pub fn of_colorants(colorants: &Matrix, white: Option<[f64; 3]>) -> Option<Self> {
        let named = Self::NAMED.iter().map(|(_, space)| *space);
        let same = |space: &Self| {
            let theirs = space.to_d50();
            let rows = theirs.iter().zip(colorants);
            rows.flat_map(|(a, b)| a.iter().zip(b))
                .all(|(a, b)| (a - b).abs() < SAME)
        };
        named.into_iter().find(same).or_else(|| {
            let back = adaptation(D50, white.unwrap_or(D50));
            Self::of_matrix(&product(&back, colorants))
        })
    }

    /// CIE 1931 x, y of red, green, blue, white.
    pub fn xy(&self) -> [f64; 8] {
        self.0
    }

    /// [`Self::xy`] in single precision, as OpenEXR files state it.
    pub fn single(&self) -> [f32; 8] {
        self.0.map(|v| v as f32)
    }

    /// Name of the colour space, if it is one of the named ones.
    pub fn name(&self) -> Option<&'static str> {
        Self::NAMED
            .iter()
            .find(|(_, space)| space.near(self))
            .map(|(name, _)| *name)
    }

    /// True if no chromaticity differs by more than the rounding of profiles.
    pub fn near(&self, other: &Self) -> bool {
        let pairs = self.0.iter().zip(&other.0);
        pairs.into_iter().all(|(a, b)| (a - b).abs() < SAME)
    }

    /// Linear RGB -> XYZ; the white has Y = 1.
    pub fn to_xyz(&self) -> Matrix {
        let directions = self.directions();
        let amounts = inverse(&directions).map_or([1.0; 3], |m| apply(&m, self.white()));
        directions.map(|row| [0, 1, 2].map(|k| row[k] * amounts[k]))
    }

    /// Linear RGB -> XYZ adapted to D50, as in ICC profiles.
    pub fn to_d50(&self) -> Matrix {
        product(&adaptation(self.white(), D50), &self.to_xyz())
    }

    /// Linear RGB of this space -> linear RGB of another, with Bradford adaptation from white to white. Exactly the
    /// identity between equal spaces.
    pub fn to(&self, other: &Self) -> Matrix {
        if self == other {
            return [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]];
        }
        let turned = product(&adaptation(self.white(), other.white()), &self.to_xyz());
        inverse(&other.to_xyz()).map_or(turned, |back| product(&back, &turned))
    }

    /// XYZ of the primaries, each scaled to Y = 1: columns x/y, 1, (1 - x - y)/y.
    fn directions(&self) -> Matrix {
        let xyz = [0, 1, 2].map(|k| of_xy(self.0[2 * k], self.0[2 * k + 1]));
        [0, 1, 2].map(|row| xyz.map(|c| c[row]))
    }

    fn white(&self) -> [f64; 3] {
        of_xy(self.0[6], self.0[7])
    }
}

fn of_xy(x: f64, y: f64) -> [f64; 3] {
    [x / y, 1.0, (1.0 - x - y) / y]
}

/// Bradford adaptation: XYZ under the white `from` -> XYZ under the white `to`.
pub fn adaptation(from: [f64; 3], to: [f64; 3]) -> Matrix {
    let (a, b) = (apply(&BRADFORD, from), apply(&BRADFORD, to));
    let scaled = [0, 1, 2].map(|k| BRADFORD[k].map(|v| v * b[k] / a[k]));
    inverse(&BRADFORD).map_or(BRADFORD, |back| product(&back, &scaled))
}

/// Product of a matrix and a vector.
pub fn apply(matrix: &Matrix, v: [f64; 3]) -> [f64; 3] {
    matrix.map(|row| row[0] * v[0] + row[1] * v[1] + row[2] * v[2])
}

/// Matrix product `a b`: first `b`, then `a`.
pub fn product(a: &Matrix, b: &Matrix) -> Matrix {
    a.map(|row| [0, 1, 2].map(|k| row[0] * b[0][k] + row[1] * b[1][k] + row[2] * b[2][k]))
}

/// Inverse by the adjugate; `None` for a singular matrix.
pub fn inverse(m: &Matrix) -> Option<Matrix> {
    let minor = |r: usize, c: usize| {
        let (r1, r2, c1, c2) = ((r + 1) % 3, (r + 2) % 3, (c + 1) % 3, (c + 2) % 3);
        m[r1][c1] * m[r2][c2] - m[r1][c2] * m[r2][c1]
    };
    let determinant: f64 = (0..3).map(|c| m[0][c] * minor(0, c)).sum();
    (determinant.is_finite() && determinant.abs() > 1e-12)
        .then(|| [0, 1, 2].map(|r| [0, 1, 2].map(|c| minor(c, r) / determinant)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: &Matrix, b: &Matrix, within: f64) {
        for (a, b) in a.iter().flatten().zip(b.iter().flatten()) {
            assert!((a - b).abs() < within, "{a} {b}");
        }
    }

    #[test]
    fn a_space_comes_back_from_its_matrix_and_from_its_colorants() {
        for (name, space) in Primaries::NAMED {
            assert_eq!(space.name(), Some(name));
            assert!(Primaries::of_matrix(&space.to_xyz()).unwrap().near(&space));
            for white in [None, Some(space.white())] {
                let found = Primaries::of_colorants(&space.to_d50(), white);
                assert_eq!(found, Some(space), "{name}");
            }
        }
        let own = Primaries::new([0.61, 0.34, 0.28, 0.62, 0.14, 0.05, 0.31, 0.33]).unwrap();
        let found = Primaries::of_colorants(&own.to_d50(), Some(own.white())).unwrap();
        assert!(found.near(&own) && own.name().is_none());
    }

    #[test]
    fn there_and_back_is_the_identity_and_white_stays_white() {
        let one = Primaries::SRGB.to(&Primaries::SRGB);
        for (_, a) in Primaries::NAMED {
            for (_, b) in Primaries::NAMED {
                close(&product(&b.to(&a), &a.to(&b)), &one, 1e-9);
                for v in apply(&a.to(&b), [1.0; 3]) {
                    assert!((v - 1.0).abs() < 1e-9);
                }
            }
        }
    }

    #[test]
    fn what_spans_no_triangle_is_refused() {
        let line = [0.1, 0.1, 0.2, 0.2, 0.3, 0.3, 0.3127, 0.329];
        assert_eq!(Primaries::new(line), None);
        assert_eq!(Primaries::new([f64::NAN; 8]), None);
        assert_eq!(Primaries::new([0.0; 8]), None);
        assert_eq!(Primaries::of_matrix(&[[0.0; 3]; 3]), None);
    }
}
