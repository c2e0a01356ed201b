//! Least squares with the rank found, by Householder reflections.
//!
//! The design's columns are scaled to unit norm and taken in order. A column whose part outside the span of the columns
//! before it is at most [`RANK_TOLERANCE`] of itself depends on them: it is set aside, its coefficient is 0, and the
//! fit is that of the others. This is the limited column exchange of LINPACK's `dqrdc2` rule as used for linear models
//! (from memory); the normal equations are never formed. Golub & Van Loan 2013, Matrix Computations, 4th ed., §5.2.

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView2, Axis};

use super::{LinalgError, require_finite};

/// A column counts as dependent when at most this share of it lies outside the columns before it (docs/methods.md,
/// "Cleaning").
pub const RANK_TOLERANCE: f64 = 1e-10;

/// A factorised design matrix, ready to fit any number of data columns.
#[derive(Debug, Clone)]
pub struct LeastSquares {
    rows: usize,
    columns: usize,
    /// Unit Householder vectors, one a used column: zero above their pivot row.
    reflectors: Vec<Vec<f64>>,
    /// Upper triangle of the used, scaled columns: `r[k]` holds rows `0..=k`.
    r: Vec<Vec<f64>>,
    /// Which columns of the design are used, and the norm each was divided by.
    used: Vec<(usize, f64)>,
}

impl LeastSquares {
    /// Factorises a design of shape rows × columns; zero and dependent columns are set aside.
    ///
    /// # Errors
    /// [`LinalgError::NotFinite`] when the design holds NaN or infinity.
    pub fn new(design: ArrayView2<'_, f64>) -> Result<Self, LinalgError> {
        require_finite("least-squares design", design)?;
        let (rows, columns) = design.dim();
        let mut this = Self { rows, columns, reflectors: Vec::new(), r: Vec::new(), used: Vec::new() };
        for (index, column) in design.axis_iter(Axis(1)).enumerate() {
            if this.reflectors.len() == rows {
                break;
            }
            let mut v = column.to_vec();
            let norm = norm(&v);
            if norm == 0.0 {
                continue;
            }
            v.iter_mut().for_each(|x| *x /= norm);
            this.reflect(&mut v);
            let rank = this.reflectors.len();
            let outside = self::norm(&v[rank..]);
            if outside <= RANK_TOLERANCE {
                continue;
            }
            let mut r: Vec<f64> = v[..rank].to_vec();
            // The sign that avoids cancellation in the first entry of the reflector.
            let pivot = if v[rank] > 0.0 { -outside } else { outside };
            r.push(pivot);
            v[..rank].fill(0.0);
            v[rank] -= pivot;
            let length = self::norm(&v[rank..]);
            v.iter_mut().for_each(|x| *x /= length);
            this.reflectors.push(v);
            this.r.push(r);
            this.used.push((index, norm));
        }
        Ok(this)
    }

    /// Number of independent columns.
    #[must_use]
    pub fn rank(&self) -> usize {
        self.reflectors.len()
    }

    /// Applies Qᵀ in place.
    fn reflect(&self, v: &mut [f64]) {
        for (k, h) in self.reflectors.iter().enumerate() {
            subtract_reflection(&h[k..], &mut v[k..]);
        }
    }

    /// What the design leaves of each data column (rows × any number).
    ///
    /// # Errors
    /// [`LinalgError::NotFinite`] when the data hold NaN or infinity.
    ///
    /// # Panics
    /// When `data` has another number of rows than the design.
    pub fn residuals(&self, data: ArrayView2<'_, f64>) -> Result<Array2<f64>, LinalgError> {
        assert_eq!(data.nrows(), self.rows, "data and design must have the same number of rows");
        require_finite("least-squares data", data)?;
        let basis = self.basis();
        let mut out = data.to_owned();
        general_mat_mul(-1.0, &basis, &basis.t().dot(&data), 1.0, &mut out);
        Ok(out)
    }

    /// An orthonormal basis of the used columns, rows × rank: the first columns of Q, orthonormal to rounding whatever
    /// the design, so that taking them out of the data is as stable as reflecting the data there and back.
    #[must_use]
    pub fn basis(&self) -> Array2<f64> {
        let mut basis = Array2::zeros((self.rank(), self.rows));
        for (k, mut row) in basis.axis_iter_mut(Axis(0)).enumerate() {
            let v = row.as_slice_mut().unwrap_or(&mut []);
            v[k] = 1.0;
            for (m, h) in self.reflectors.iter().enumerate().rev() {
                subtract_reflection(&h[m..], &mut v[m..]);
            }
        }
        basis.reversed_axes()
    }

    /// Coefficients of each data column, shape columns × data columns; 0 for columns set aside.
    ///
    /// # Errors
    /// [`LinalgError::NotFinite`] when the data hold NaN or infinity.
    ///
    /// # Panics
    /// When `data` has another number of rows than the design.
    pub fn coefficients(&self, data: ArrayView2<'_, f64>) -> Result<Array2<f64>, LinalgError> {
        assert_eq!(data.nrows(), self.rows, "data and design must have the same number of rows");
        require_finite("least-squares data", data)?;
        let mut out = Array2::zeros((self.columns, data.ncols()));
        for (j, column) in data.axis_iter(Axis(1)).enumerate() {
            let mut v = column.to_vec();
            self.reflect(&mut v);
            let mut b = Array1::zeros(self.rank());
            for k in (0..self.rank()).rev() {
                let above: f64 = (k + 1..self.rank()).map(|m| self.r[m][k] * b[m]).sum();
                b[k] = (v[k] - above) / self.r[k][k];
            }
            for (k, (index, norm)) in self.used.iter().enumerate() {
                out[[*index, j]] = b[k] / norm;
            }
        }
        Ok(out)
    }
}

/// v ← v − 2 h (hᵀ v).
fn subtract_reflection(h: &[f64], v: &mut [f64]) {
    let along = 2.0 * dot(h, v);
    for (x, y) in v.iter_mut().zip(h) {
        *x -= along * y;
    }
}

/// Inner product in eight running sums: a fixed order of additions, and one that vectorises.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a_chunks, b_chunks) = (a.chunks_exact(8), b.chunks_exact(8));
    let tail: f64 = a_chunks.remainder().iter().zip(b_chunks.remainder()).map(|(x, y)| x * y).sum();
    for (x, y) in a_chunks.zip(b_chunks) {
        for i in 0..8 {
            sums[i] += x[i] * y[i];
        }
    }
    sums.iter().sum::<f64>() + tail
}

/// Euclidean norm, scaled so that squares neither overflow nor vanish.
fn norm(v: &[f64]) -> f64 {
    let largest = v.iter().fold(0.0_f64, |m, x| m.max(x.abs()));
    if largest == 0.0 || !largest.is_finite() {
        return largest;
    }
    largest * v.iter().map(|x| (x / largest).powi(2)).sum::<f64>().sqrt()
}
