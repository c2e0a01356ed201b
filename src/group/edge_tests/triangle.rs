//! Upper triangles of QR factors: norms and inverses.

use ndarray::{Array2, ArrayView1, ArrayView2, s};

/// Euclidean norm, scaled so that squares neither overflow nor vanish.
pub(super) fn norm(v: ArrayView1<'_, f64>) -> f64 {
    let largest = v.fold(0.0_f64, |m, x| m.max(x.abs()));
    if largest == 0.0 { 0.0 } else { largest * v.fold(0.0, |sum, x| sum + (x / largest).powi(2)).sqrt() }
}

/// Inverse of an upper triangle, by back-substitution; the caller knows that its diagonal is not 0.
pub(super) fn invert_upper(r: ArrayView2<'_, f64>) -> Array2<f64> {
    let n = r.nrows();
    let mut inverse = Array2::zeros((n, n));
    for column in 0..n {
        for row in (0..=column).rev() {
            let unit = if row == column { 1.0 } else { 0.0 };
            let below = r.slice(s![row, row + 1..]).dot(&inverse.slice(s![row + 1.., column]));
            inverse[[row, column]] = (unit - below) / r[[row, row]];
        }
    }
    inverse
}
