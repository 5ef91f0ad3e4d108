//! The linear equations of one round, for the table, the exposures and the coefficients of the generalised gamma curve.
use super::sight::{Sighting, Sightings};
use super::{NODES, PIN};
use crate::gamma_basis;
use crate::gamma_basis::COLUMNS;
use nalgebra::{DMatrix, DVector};

/// Weight of squared curvature (stops per stop^2, integrated over stops) against the squared residual in standard
/// uncertainties.
const STIFFNESS: f64 = 1e4;

/// Normal equations, factorised.
pub(super) struct System {
    /// Lower Cholesky factor of the matrix; rows and columns of fixed unknowns are those of the identity.
    factor: DMatrix<f64>,
    /// Right-hand side.
    right: DVector<f64>,
    /// Values of the fixed unknowns.
    fixed: Vec<Option<f64>>,
}

impl System {
    /// Normal equations of all observations, the curvature penalty, the prior and the held exposures; `None` if they are
    /// singular.
    pub(super) fn assemble(
        parametric: &[f64],
        sightings: &Sightings,
        stated: &[f64],
        held: &[bool],
    ) -> Option<System> {
        let frames = stated.len();
        let size = NODES + frames + COLUMNS;
        // Symmetric: only the lower triangle is used.
        let mut matrix = DMatrix::<f64>::zeros(size, size);
        sightings.blocks().for_each(|b| add_block(&mut matrix, b));
        add_curvature(&mut matrix, parametric, frames);
        let mut right = DVector::<f64>::zeros(size);
        let usual = gamma_basis::usual().as_steep_as(parametric);
        let first = NODES + frames;
        let mut block = matrix.view_mut((first, first), (COLUMNS, COLUMNS));
        block += &usual.precision;
        right
            .rows_mut(first, COLUMNS)
            .copy_from(&(&usual.precision * &usual.mean));
        let mut fixed: Vec<Option<f64>> = vec![None; size];
        fixed[PIN] = Some(0.0);
        for (j, (&value, &hold)) in stated.iter().zip(held).enumerate() {
            if hold {
                fixed[NODES + j] = Some(value);
            }
        }
        for (i, value) in fixed.iter().enumerate() {
            if let Some(value) = value {
                (0..size).for_each(|k| right[k] -= value * matrix[(k.max(i), k.min(i))]);
            }
        }
        for (i, value) in fixed.iter().enumerate() {
            matrix[(i, i)] += 1e-9;
            if let Some(value) = value {
                matrix.row_mut(i).fill(0.0);
                matrix.column_mut(i).fill(0.0);
                (matrix[(i, i)], right[i]) = (1.0, *value);
            }
        }
        Some(System {
            factor: matrix.cholesky()?.unpack_dirty(),
            right,
            fixed,
        })
    }

    /// All unknowns, including the fixed ones; `None` if any is not finite.
    pub(super) fn solve(&self) -> Option<DVector<f64>> {
        let half = self.factor.solve_lower_triangular(&self.right)?;
        let found = self.factor.tr_solve_lower_triangular(&half)?;
        found.iter().all(|v| v.is_finite()).then_some(found)
    }

    /// Square roots of the diagonal of the inverse times the residual variance; 0 for fixed unknowns.
    pub(super) fn standard_uncertainty(&self, variance: f64) -> Vec<f64> {
        let size = self.fixed.len();
        let mut out = vec![0.0; size];
        // The inverse is K'K, with K the inverse of the lower factor, so its diagonal is the squared length of the columns of K,
        // whose elements above the diagonal are 0.
        let open = self.fixed.iter().enumerate().filter(|(_, v)| v.is_none());
        for (column, _) in open {
            let rest = size - column;
            let factor = self.factor.view((column, column), (rest, rest));
            let mut unit = DVector::zeros(rest);
            unit[0] = 1.0;
            factor.solve_lower_triangular_unchecked_mut(&mut unit);
            out[column] = (unit.norm_squared() * variance).sqrt();
        }
        out
    }

    /// The change of the unknowns under a change of the right-hand side; 0 for fixed unknowns.
    pub(super) fn moved(&self, mut pull: DVector<f64>) -> Option<DVector<f64>> {
        let fixed = pull.iter_mut().zip(&self.fixed);
        fixed
            .filter(|(_, f)| f.is_some())
            .for_each(|(p, _)| *p = 0.0);
        let half = self.factor.solve_lower_triangular(&pull)?;
        self.factor.tr_solve_lower_triangular(&half)
    }
}

/// One coefficient of the row `a_j` of an observation: index of the unknown, coefficient, coefficient times weight, and j.
type Entry = (usize, f64, f64, usize);

/// `sum_j w a_j a_j' - (sum_j w a_j)(sum_j w a_j)' / sum_j w`, on and below the diagonal: the block's own log exposure is
/// eliminated.
fn add_block(matrix: &mut DMatrix<f64>, block: &[Sighting]) {
    let total: f64 = block.iter().map(|s| s.weight).sum();
    let mut entries: smallvec::SmallVec<[Entry; 24]> = smallvec::SmallVec::new();
    for (j, s) in block.iter().enumerate() {
        let row = [
            (s.node(), 1.0 - s.fraction()),
            (s.node() + 1, s.fraction()),
            (NODES + s.frame(), -1.0),
        ];
        entries.extend(row.map(|(i, a)| (i, a, s.weight * a, j)));
    }
    for (k, &(i, a, weighted, j)) in entries.iter().enumerate() {
        let share = weighted / total;
        matrix[(i, i)] += weighted * a - weighted * share;
        for &(other, b, other_weighted, of) in &entries[k + 1..] {
            let same = if of == j { weighted * b } else { 0.0 };
            let product = same - share * other_weighted;
            let twice = if other == i { 2.0 } else { 1.0 };
            matrix[(i.max(other), i.min(other))] += twice * product;
        }
    }
}

/// Adds the penalty: squared second differences, with respect to stops, of the table minus its generalised gamma curve.
fn add_curvature(matrix: &mut DMatrix<f64>, scale: &[f64], frames: usize) {
    let basis = gamma_basis::by_code();
    for i in 0..NODES - 2 {
        let (h1, h2) = (
            (scale[i + 1] - scale[i]).max(3e-3),
            (scale[i + 2] - scale[i + 1]).max(3e-3),
        );
        let root = ((h1 + h2) / 2.0).sqrt();
        let weights = [
            2.0 / (h1 * (h1 + h2)) * root,
            -2.0 / (h1 * h2) * root,
            2.0 / (h2 * (h1 + h2)) * root,
        ];
        let mut entries: Vec<(usize, f64)> = (0..3).map(|k| (i + k, weights[k])).collect();
        for column in 0..COLUMNS {
            let terms = basis[i..i + 3].iter().zip(weights);
            let sum: f64 = terms.map(|(row, weight)| weight * row[column]).sum();
            entries.push((NODES + frames + column, -sum));
        }
        for (k, &(a, x)) in entries.iter().enumerate() {
            for &(b, y) in &entries[..=k] {
                matrix[(a, b)] += STIFFNESS * x * y;
            }
        }
    }
}
