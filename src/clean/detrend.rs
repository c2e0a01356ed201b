//! Slow trends: Legendre polynomials on \[−1, 1\], fitted on kept frames and removed from all frames.

use ndarray::{Array2, ArrayViewMut1, ShapeBuilder};

use super::columns::rows_of;
use crate::linalg::{LeastSquares, LinalgError, RANK_TOLERANCE};

/// Legendre polynomials of degree 0 to `degree`, frames × (degree + 1), by the three-term recurrence
/// (n + 1) Pₙ₊₁ = (2n + 1) x Pₙ − n Pₙ₋₁.
#[must_use]
pub fn legendre(frames: usize, degree: usize) -> Array2<f64> {
    let mut p = Array2::ones((frames, degree + 1).f());
    for i in 0..frames {
        let x = if frames > 1 { 2.0 * i as f64 / (frames - 1) as f64 - 1.0 } else { 0.0 };
        if degree > 0 {
            p[[i, 1]] = x;
        }
        for n in 1..degree {
            let m = n as f64;
            p[[i, n + 1]] = ((2.0 * m + 1.0) * x * p[[i, n]] - m * p[[i, n - 1]]) / (m + 1.0);
        }
    }
    p
}

/// Removes the trend of each column (frames × columns), fitted on the rows `kept_rows`.
///
/// A column that is nothing but trend (what is left over the kept frames is at most [`RANK_TOLERANCE`] of it) becomes
/// exactly 0: rounding must not count as a confound later.
///
/// # Errors
/// [`LinalgError`] when a value is not finite.
pub fn remove(values: &mut Array2<f64>, kept_rows: &[usize], degree: usize) -> Result<(), LinalgError> {
    let p = legendre(values.nrows(), degree);
    let fit = LeastSquares::new(rows_of(p.view(), kept_rows).view())?;
    let coefficients = fit.coefficients(rows_of(values.view(), kept_rows).view())?;
    for (mut column, coefficients) in values.columns_mut().into_iter().zip(coefficients.columns()) {
        let squares = |column: &ArrayViewMut1<'_, f64>| kept_rows.iter().map(|&i| column[i] * column[i]).sum::<f64>();
        let had = squares(&column);
        for (&coefficient, polynomial) in coefficients.iter().zip(p.columns()) {
            column.scaled_add(-coefficient, &polynomial);
        }
        if squares(&column).sqrt() <= RANK_TOLERANCE * had.sqrt() {
            column.fill(0.0);
        }
    }
    Ok(())
}
