//! Arrays whose columns each lie in one piece: every step of cleaning works on one series after another.

use ndarray::{Array2, ArrayView2, ShapeBuilder};

/// A copy in which each column lies in one piece.
pub(super) fn by_columns(values: ArrayView2<'_, f64>) -> Array2<f64> {
    if values.t().is_standard_layout() {
        return values.to_owned();
    }
    let mut out = Array2::zeros(values.dim().f());
    out.assign(&values);
    out
}

/// Some rows of an array, each column in one piece.
pub(super) fn rows_of(values: ArrayView2<'_, f64>, rows: &[usize]) -> Array2<f64> {
    let mut out = Array2::zeros((rows.len(), values.ncols()).f());
    for (mut to, from) in out.columns_mut().into_iter().zip(values.columns()) {
        to.iter_mut().zip(rows).for_each(|(place, &row)| *place = from[row]);
    }
    out
}
