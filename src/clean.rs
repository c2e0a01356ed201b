//! Cleaning: takes out of parcel series what motion, tissue signals and drift put in, using kept frames only.
//!
//! 1. [`confounds`] are gathered.
//! 2. Legendre polynomials are fitted on kept frames and removed from data and confounds alike ([`detrend`]).
//! 3. With a pass band, dropped frames are filled ([`fill`]) and both sides are filtered alike ([`filter`]), so that
//!    removed noise does not come back: Hallquist et al. 2013, NeuroImage 82:208; Lindquist et al. 2019, HBM 40:2358.
//! 4. Least squares of the data on an intercept and the confounds over kept frames; the residuals are the result.
//!
//! All steps are linear in the data and the same for every voxel, so they are done on parcel means: the same numbers as
//! cleaning each voxel first and averaging after.

mod columns;
pub mod components;
pub mod confounds;
pub mod detrend;
mod error;
pub mod fill;
pub mod filter;
#[cfg(test)]
mod tests;

pub use error::CleanError;

use ndarray::{Array2, ArrayView2, Axis, concatenate};

use crate::linalg::{LeastSquares, RANK_TOLERANCE};
use crate::study::settings::CleanSettings;
use crate::units::Seconds;
use columns::{by_columns, rows_of};

/// A run gives a series only if it has more degrees of freedom than this.
pub const LEAST_DOF: f64 = 2.0;

/// A cleaned run.
#[derive(Debug, Clone, PartialEq)]
pub struct Cleaned {
    /// Kept frames × parcels.
    pub residuals: Array2<f64>,
    /// Independent columns among intercept and confounds.
    pub rank: usize,
    /// Degrees of freedom left (column `dof`, summed over runs).
    pub dof: f64,
}

/// Cleans a run whose settling frames have been cut already.
///
/// `data` is frames × parcels and `confounds` frames × any number, both finite; `kept` has one flag per frame.
///
/// # Errors
/// [`CleanError`] when the band does not fit the repetition time or a value is not finite.
///
/// # Panics
/// When the numbers of frames differ.
pub fn clean(
    data: ArrayView2<'_, f64>,
    confounds: ArrayView2<'_, f64>,
    kept: &[bool],
    tr: Seconds,
    settings: &CleanSettings,
) -> Result<Cleaned, CleanError> {
    assert!(data.nrows() == kept.len() && confounds.nrows() == kept.len(), "one row per frame");
    if let Some([_, high_hz]) = settings.band_hz {
        filter::require_below_nyquist(high_hz, tr)?;
    }
    let kept_rows: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
    if kept_rows.is_empty() {
        return Ok(Cleaned { residuals: Array2::zeros((0, data.ncols())), rank: 0, dof: 0.0 });
    }
    let prepare = |values: ArrayView2<'_, f64>| -> Result<Array2<f64>, CleanError> {
        let mut values = by_columns(values);
        detrend::remove(&mut values, &kept_rows, settings.detrend_degree)?;
        if let Some(band_hz) = settings.band_hz {
            fill::fill(&mut values, kept, settings.fill);
            filter::band_pass(&mut values, band_hz, tr)?;
        }
        Ok(rows_of(values.view(), &kept_rows))
    };
    let (data, confounds) = (prepare(data)?, prepare(confounds)?);
    let intercept = Array2::ones((kept_rows.len(), 1));
    let design = concatenate![Axis(1), intercept, confounds];
    let fit = LeastSquares::new(design.view())?;
    let dof = degrees_of_freedom(kept_rows.len(), fit.rank(), tr, settings);
    let mut residuals = fit.residuals(data.view())?;
    for (mut left, had) in residuals.columns_mut().into_iter().zip(data.columns()) {
        // If the confounds explain a parcel wholly, what rounding leaves of it is not a signal.
        if left.dot(&left).sqrt() <= RANK_TOLERANCE * had.dot(&had).sqrt() {
            left.fill(0.0);
        }
    }
    Ok(Cleaned { residuals, rank: fit.rank(), dof })
}

/// The degrees of freedom left: K·min(1, 2·(f_high − f_low)·TR) − rank; without a filter K − rank − degree of the
/// trend. With a filter, this assumes sharp edges, and the Butterworth filter has soft ones.
fn degrees_of_freedom(frames_kept: usize, rank: usize, tr: Seconds, settings: &CleanSettings) -> f64 {
    let kept = frames_kept as f64;
    match settings.band_hz {
        Some([low, high]) => kept * (2.0 * (high - low) * tr.0).min(1.0) - rank as f64,
        None => kept - (rank + settings.detrend_degree) as f64,
    }
}
