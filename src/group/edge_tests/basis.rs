//! An orthonormal basis of a design on some of the children, who may not determine all of its coefficients.

use ndarray::{Array2, ArrayView2, Axis};
use ndarray_linalg::QR;

use super::EdgeTestError;
use super::rank::Rank;
use super::triangle::norm;
use crate::linalg::lapack_error;

/// A basis of the columns that do not depend on those before them, children × rank, in their order; none where one of
/// the last `tested` columns depends, which these children do not determine, or where no degree of freedom is left.
pub(in crate::group) fn basis_in_part(
    x: ArrayView2<'_, f64>,
    tested: usize,
) -> Result<Option<Array2<f64>>, EdgeTestError> {
    let (rows, columns) = x.dim();
    let norms = x.map_axis(Axis(0), |column| match norm(column) {
        0.0 => 1.0,
        norm => norm,
    });
    let scaled = &x / &norms;
    let rank = Rank::of(scaled.view());
    let all = (columns - tested..columns).all(|column| rank.used.contains(&column));
    if rank.used.is_empty() || !all || rows <= rank.used.len() {
        return Ok(None);
    }
    let used = scaled.select(Axis(1), &rank.used);
    let (q, _) = used.qr().map_err(|e| lapack_error("QR factorisation of the model", used.dim(), &e))?;
    Ok(Some(q.as_standard_layout().to_owned()))
}
