//! Linear algebra that several stages share: least squares by Householder reflections with the rank found, and the
//! set-up of LAPACK.
//!
//! Decompositions that LAPACK does well (eigenvectors, singular values, Cholesky) are taken from it through
//! ndarray-linalg; [`blas`] says how it is linked and which kernel it runs.

mod blas;
mod least_squares;
#[cfg(test)]
mod tests;

pub use least_squares::{LeastSquares, RANK_TOLERANCE};

/// What can go wrong in linear algebra.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LinalgError {
    /// LAPACK reported a failure.
    #[error("the {what} of a {rows}×{columns} matrix failed in LAPACK: {message}; the input may hold extreme values")]
    Lapack { what: &'static str, rows: usize, columns: usize, message: String },
    /// A value that is not finite reached a decomposition.
    #[error(
        "the {what} was given a value that is not finite (row {row}, column {column}); check the input tables and \
        images"
    )]
    NotFinite { what: &'static str, row: usize, column: usize },
}

/// Refuses arrays with values that are not finite before LAPACK sees them (its QR reports success on NaN).
///
/// # Errors
/// [`LinalgError::NotFinite`] with the first offending place.
pub fn require_finite(what: &'static str, a: ndarray::ArrayView2<'_, f64>) -> Result<(), LinalgError> {
    // The product with 0 of all values together is 0 exactly when all are finite.
    if a.as_slice_memory_order().is_some_and(|values| values.iter().fold(0.0, |sum, v| sum + v * 0.0) == 0.0) {
        return Ok(());
    }
    match a.indexed_iter().find(|(_, v)| !v.is_finite()) {
        Some(((row, column), _)) => Err(LinalgError::NotFinite { what, row, column }),
        None => Ok(()),
    }
}

/// Names a LAPACK failure.
pub(crate) fn lapack_error(
    what: &'static str,
    (rows, columns): (usize, usize),
    error: &ndarray_linalg::error::LinalgError,
) -> LinalgError {
    LinalgError::Lapack { what, rows, columns, message: error.to_string() }
}

/// Mean, sample SD (n − 1) and lag-1 autocorrelation of a series (`lag1_autocorrelation` of the report).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    pub mean: f64,
    pub sd: f64,
    pub lag1: f64,
}

/// Summarises a series; NaN where it is too short.
///
/// The mean is corrected by the mean of its own residuals, which undoes the rounding of a large offset. The lag-1
/// autocorrelation is Σ (xₜ − x̄)(xₜ₊₁ − x̄) / Σ (xₜ − x̄)², as NIST's reference datasets define it. The upper sum runs
/// over the places where `joined(t)` says that t + 1 follows t without a gap, scaled up to what n − 1 such places would
/// give.
#[must_use]
pub fn summary(x: &[f64], joined: impl Fn(usize) -> bool) -> Summary {
    let n = x.len() as f64;
    let rough = x.iter().sum::<f64>() / n;
    let mean = rough + x.iter().map(|v| v - rough).sum::<f64>() / n;
    let squares: f64 = x.iter().map(|v| (v - mean).powi(2)).sum();
    let pairs = x.windows(2).enumerate().filter(|(t, _)| joined(*t));
    let (count, products) =
        pairs.fold((0, 0.0), |(count, sum), (_, w)| (count + 1, sum + (w[0] - mean) * (w[1] - mean)));
    let lag1 = products / squares * ((n - 1.0) / f64::from(count));
    Summary { mean, sd: (squares / (n - 1.0)).sqrt(), lag1 }
}
