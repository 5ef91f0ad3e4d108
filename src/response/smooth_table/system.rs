//! The linear equations of one round: table, exposures and the generalised gamma curve's coefficients as unknowns.
use super::sight::{Sighting, Sightings};
use super::{NODES, PIN};
use crate::response::gamma_basis::{self, COLUMNS};
use nalgebra::{DMatrix, DVector};

/// Weight of squared curvature (stops per stop^2, integrated over stops) against the squared residual in standard
/// uncertainties.
const STIFFNESS: f64 = 1e4;

pub(super) struct System {
    /// The lower factor of the equations of what is not fixed.
    factor: DMatrix<f64>,
    /// Their right side.
    right: DVector<f64>,
    fixed: Vec<Option<f64>>,
    /// Which unknowns the equations are of.
    open: Vec<usize>,
}

impl System {
    /// Normal equations of all sightings, the curvature and what is held; `None` if they leave something open.
    pub(super) fn assemble(
        parametric: &[f64],
        sightings: &Sightings,
        stated: &[f64],
        held: &[bool],
    ) -> Option<System> {
        let frames = stated.len();
        let size = NODES + frames + COLUMNS;
        let mut matrix = DMatrix::<f64>::zeros(size, size);
        sightings.blocks().for_each(|b| add_block(&mut matrix, b));
        matrix += matrix.transpose();
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
                right.axpy(-value, &matrix.column(i), 1.0);
            }
        }
        let open: Vec<usize> = (0..size).filter(|&i| fixed[i].is_none()).collect();
        let mut of_open = matrix.select_rows(&open).select_columns(&open);
        (0..open.len()).for_each(|i| of_open[(i, i)] += 1e-9);
        Some(System {
            factor: of_open.cholesky()?.unpack(),
            right: right.select_rows(&open),
            fixed,
            open,
        })
    }

    /// All unknowns, the held ones among them; `None` if they come out infinite.
    pub(super) fn solve(&self) -> Option<DVector<f64>> {
        let half = self.factor.solve_lower_triangular(&self.right)?;
        let found = self.factor.tr_solve_lower_triangular(&half)?;
        let mut all = DVector::from_iterator(
            self.fixed.len(),
            self.fixed.iter().map(|v| v.unwrap_or(0.0)),
        );
        for (&i, value) in self.open.iter().zip(found.iter()) {
            all[i] = *value;
        }
        all.iter().all(|v| v.is_finite()).then_some(all)
    }

    /// Square root of the inverse's diagonal, times the square root of the residual variance; 0 for what is fixed.
    pub(super) fn standard_uncertainty(&self, variance: f64) -> Vec<f64> {
        let mut out = vec![0.0; self.fixed.len()];
        // The inverse is K'K with K the inverse of the lower factor: its diagonal are the columns' squared lengths. A column of K
        // begins at the diagonal.
        let size = self.open.len();
        for (column, &i) in self.open.iter().enumerate() {
            let rest = size - column;
            let factor = self.factor.view((column, column), (rest, rest));
            let mut unit = DVector::zeros(rest);
            unit[0] = 1.0;
            factor.solve_lower_triangular_unchecked_mut(&mut unit);
            out[i] = (unit.norm_squared() * variance).sqrt();
        }
        out
    }
}

/// Half of `sum_j w a_j a_j' - (sum_j w a_j)(sum_j w a_j)' / sum_j w`, which with its transpose is the whole: the block's
/// own log exposure is eliminated.
fn add_block(matrix: &mut DMatrix<f64>, block: &[Sighting]) {
    let total: f64 = block.iter().map(|s| s.weight).sum();
    let mut sum: smallvec::SmallVec<[(usize, f64); 24]> = smallvec::SmallVec::new();
    for s in block {
        let entries = [
            (s.node(), 1.0 - s.fraction()),
            (s.node() + 1, s.fraction()),
            (NODES + s.frame(), -1.0),
        ];
        add_half(matrix, &entries, s.weight);
        sum.extend(entries.map(|(i, a)| (i, s.weight * a)));
    }
    add_half(matrix, &sum, -1.0 / total);
}

/// Half of `factor a a'`.
fn add_half(matrix: &mut DMatrix<f64>, entries: &[(usize, f64)], factor: f64) {
    for (k, &(i, a)) in entries.iter().enumerate() {
        matrix[(i, i)] += 0.5 * factor * a * a;
        for &(j, b) in &entries[k + 1..] {
            matrix[(i, j)] += factor * a * b;
        }
    }
}

/// Squared second differences, by stops, of the table less its generalised gamma curve.
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
        for &(a, x) in &entries {
            for &(b, y) in &entries {
                matrix[(a, b)] += STIFFNESS * x * y;
            }
        }
    }
}
