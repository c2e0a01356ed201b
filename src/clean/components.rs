//! Tissue components: the strongest shared time courses of white matter or cerebrospinal fluid.
//!
//! Behzadi et al. 2007, NeuroImage 37:90: the series of a tissue's voxels lose their trend, are scaled to unit SD, and
//! their first principal components become confounds. Here the trend (Legendre polynomials of the cleaning's degree)
//! and the SD are those of the kept frames, and the components are the leading left singular vectors over kept frames,
//! taken from the eigenvectors of the frames × frames product. Dropped frames get 0 and are filled with the rest.

use ndarray::{Array2, ArrayView2, s};
use ndarray_linalg::{Eigh, UPLO};

use super::columns::{by_columns, rows_of};
use super::detrend;
use crate::linalg::{LinalgError, lapack_error, require_finite};

/// The first `count` components (fewer when the voxels or frames do not have so many), frames × components, each of
/// unit norm over the kept frames. The largest entry of each is positive, so that signs are reproducible.
///
/// `voxels` is frames × voxels, settling frames cut.
///
/// # Errors
/// [`LinalgError`] when a value is not finite or LAPACK fails.
pub fn tissue_components(
    voxels: ArrayView2<'_, f64>,
    kept: &[bool],
    degree: usize,
    count: usize,
) -> Result<Array2<f64>, LinalgError> {
    let kept_rows: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
    if kept_rows.is_empty() || count == 0 || voxels.ncols() == 0 {
        return Ok(Array2::zeros((voxels.nrows(), 0)));
    }
    require_finite("tissue voxel table", voxels)?;
    let mut values = by_columns(voxels);
    detrend::remove(&mut values, &kept_rows, degree)?;
    let mut values = rows_of(values.view(), &kept_rows);
    for mut column in values.columns_mut() {
        let sd = column.std(0.0);
        column.mapv_inplace(|v| if sd > 0.0 { v / sd } else { 0.0 });
    }
    let product = values.dot(&values.t());
    let (eigenvalues, vectors) =
        product.eigh(UPLO::Lower).map_err(|e| lapack_error("eigenvector search", product.dim(), &e))?;
    let largest = eigenvalues.last().copied().unwrap_or(0.0);
    // In rising order; an eigenvalue that is only rounding is not a component (1e-12 of the largest: own convention,
    // thousands of times the spacing of doubles).
    let real = eigenvalues.iter().filter(|&&v| v > 1e-12 * largest).count();
    let count = count.min(real);
    let frames_kept = kept_rows.len();
    let mut out = Array2::zeros((kept.len(), count));
    for j in 0..count {
        let vector = vectors.slice(s![.., frames_kept - 1 - j]);
        let peak = vector.iter().fold(0.0_f64, |m, &v| if v.abs() > m.abs() { v } else { m });
        let sign = if peak < 0.0 { -1.0 } else { 1.0 };
        for (row, &i) in kept_rows.iter().enumerate() {
            out[[i, j]] = sign * vector[row];
        }
    }
    Ok(out)
}
