//! Standard errors, and degrees of freedom of t, where rows come in blocks that are independent of each other.
//!
//! With residuals e and a coefficient v'Qᵀy (Q orthonormal, whitened), the variance that respects blocks g is
//! Σ (p_gᵀ e_g)² with p_g = A_g Q_g v (Liang & Zeger 1986, Biometrika 73:13, with A = I). Residuals are smaller than
//! errors, and much smaller where a block has leverage; A_g = (I − Q_g Q_gᵀ)^−½ makes up for it, exactly so if rows are
//! independent (Bell & McCaffrey 2002, Survey Methodology 28:169). The variance is itself rough where blocks are few or
//! the coefficient hangs on few of them, so t has Satterthwaite's degrees of freedom, tr(Ω)²/tr(Ω²) with
//! Ω_gh = p_gᵀ (I − QQᵀ)_gh p_h (Pustejovsky & Tipton 2018, J Bus Econ Stat 36:672; all from memory). With
//! s_g = Q_gᵀ p_g, Ω = diag(p_gᵀp_g) − SSᵀ, so no matrix of blocks × blocks is formed.
//!
//! Where every row is a block this is HC2 (MacKinnon & White 1985, J Econometrics 29:305), which is not used: rows that
//! are independent have the ordinary standard error.
//!
//! A coefficient that hangs on single blocks (a column that is not 0 in one family alone) has no such variance: tr(Ω)
//! then falls short of |v|². It is not available.

use ndarray::{Array1, Array2, ArrayView1, ArrayView2, s};
use ndarray_linalg::{Eigh, UPLO};

use crate::linalg::{LinalgError, lapack_error};

/// Eigenvalues of I − Q_g Q_gᵀ at or below this are 0 (own convention; rounding leaves some 1e-15).
const NOTHING: f64 = 1e-9;
/// The variance must expect at least this share of the true one (own convention; rounding leaves some 1e-15).
const WHOLE: f64 = 1.0 - 1e-6;

/// What the standard errors of all coefficients are worked out with, on some rows.
#[derive(Debug, Clone)]
pub(super) struct Clusters {
    /// The block of each row, from 0.
    blocks: Vec<usize>,
    count: usize,
    /// p: rows × coefficients.
    along: Array2<f64>,
    /// Of each coefficient's t; NaN where it has no standard error.
    pub dof: Vec<f64>,
}

impl Clusters {
    /// `q`: rows × rank, orthonormal; `solve`: coefficients × rank, which takes Qᵀy to coefficients; `blocks`: the
    /// block of each row.
    pub(super) fn of(
        q: ArrayView2<'_, f64>,
        solve: ArrayView2<'_, f64>,
        blocks: &[usize],
    ) -> Result<Self, LinalgError> {
        let count = blocks.iter().max().map_or(0, |last| last + 1);
        let mut rows_of = vec![Vec::new(); count];
        blocks.iter().enumerate().for_each(|(row, &block)| rows_of[block].push(row));
        let mut along = Array2::zeros((q.nrows(), solve.nrows()));
        let mut sums = Vec::with_capacity(count);
        for rows in rows_of.iter().filter(|rows| !rows.is_empty()) {
            let own = q.select(ndarray::Axis(0), rows);
            let p = inverse_root(&own)?.dot(&own).dot(&solve.t());
            for (&row, p) in rows.iter().zip(p.rows()) {
                along.row_mut(row).assign(&p);
            }
            sums.push((p.map_axis(ndarray::Axis(0), |p| p.dot(&p)), own.t().dot(&p)));
        }
        let dof = (0..solve.nrows()).map(|coefficient| dof(&sums, solve.row(coefficient), coefficient)).collect();
        Ok(Self { blocks: blocks.to_vec(), count, along, dof })
    }

    /// The standard errors of one coefficient for each edge, from residuals of rows × edges.
    pub(super) fn standard_errors(&self, residuals: ArrayView2<'_, f64>, coefficient: usize) -> Array1<f64> {
        let mut sums = Array2::<f64>::zeros((self.count, residuals.ncols()));
        for ((row, &block), &p) in residuals.rows().into_iter().zip(&self.blocks).zip(self.along.column(coefficient)) {
            sums.row_mut(block).scaled_add(p, &row);
        }
        sums.map_axis(ndarray::Axis(0), |of_blocks| of_blocks.dot(&of_blocks).sqrt())
    }
}

/// (I − QQᵀ)^−½ of a block's rows; 0 along what has nothing left.
fn inverse_root(q: &Array2<f64>) -> Result<Array2<f64>, LinalgError> {
    let left = Array2::eye(q.nrows()) - q.dot(&q.t());
    let (values, vectors) = left
        .eigh(UPLO::Lower)
        .map_err(|e| lapack_error("eigenvectors of what the model leaves of a block of rows", left.dim(), &e))?;
    let roots = values.mapv(|value: f64| if value > NOTHING { 1.0 / value.sqrt() } else { 0.0 });
    Ok((&vectors * &roots).dot(&vectors.t()))
}

/// Satterthwaite's degrees of freedom from each block's p'p and Q'p (rank × coefficients).
fn dof(sums: &[(Array1<f64>, Array2<f64>)], v: ArrayView1<'_, f64>, coefficient: usize) -> f64 {
    let mut products = Array2::<f64>::zeros((v.len(), v.len()));
    let (mut trace, mut squares) = (0.0, 0.0);
    for (own, along) in sums {
        let (d, s) = (own[coefficient], along.slice(s![.., coefficient]));
        let length = s.dot(&s);
        trace += d - length;
        squares += d * d - 2.0 * d * length;
        for (mut row, a) in products.rows_mut().into_iter().zip(s) {
            row.scaled_add(*a, &s);
        }
    }
    squares += products.fold(0.0, |sum, v| sum + v * v);
    let whole = trace >= WHOLE * v.dot(&v) && trace > 0.0 && squares > 0.0;
    if whole { trace * trace / squares } else { f64::NAN }
}

#[cfg(test)]
mod tests;
