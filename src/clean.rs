//! Cleaning: takes out of parcel series what motion, tissue signals and drift put in, using kept frames only.
//!
//! 1. [`confounds`] are gathered.
//! 2. Legendre polynomials are fitted on kept frames and removed from data and confounds alike ([`detrend`]).
//! 3. With a pass band, dropped frames are filled ([`fill`]) and both sides are filtered alike ([`filter`]), so that
//!    removed noise does not come back: Hallquist et al. 2013, NeuroImage 82:208; Lindquist et al. 2019, HBM 40:2358.
//! 4. Least squares of the data on an intercept and the confounds over kept frames; the residuals are the result.
//! 5. How many independent frames that leaves is counted ([`dof`], [`autoregression`]).
//!
//! All steps are linear in the data and the same for every voxel, so they are done on parcel means: the same numbers as
//! cleaning each voxel first and averaging after.

pub mod autoregression;
mod columns;
pub mod components;
pub mod confounds;
pub mod detrend;
pub mod dof;
mod error;
pub mod fill;
pub mod filter;
#[cfg(test)]
mod tests;

pub use error::CleanError;

use ndarray::{Array2, ArrayView2, Axis, ShapeBuilder, concatenate};

use self::autoregression::Autoregression;
use self::dof::{CleaningMap, Dof};
use self::fill::Filling;
use crate::linalg::{LeastSquares, RANK_TOLERANCE};
use crate::study::settings::{CleanSettings, Fill};
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
    /// Degrees of freedom left ([`dof`]).
    pub dof: Dof,
}

/// How a run is cleaned, worked out from its confounds once for the parcels of all atlases.
#[derive(Debug)]
pub struct Cleaner<'a> {
    steps: Steps<'a>,
    /// Of filtered data on an intercept and the filtered confounds.
    fit: LeastSquares,
    /// Of data as they are on trend and confounds as they are: what autocorrelation is taken from.
    unfiltered_fit: LeastSquares,
}

/// The steps before the regression, the same for data and confounds.
#[derive(Debug)]
struct Steps<'a> {
    kept: &'a [bool],
    kept_rows: Vec<usize>,
    filling: Filling,
    tr: Seconds,
    settings: &'a CleanSettings,
}

impl<'a> Cleaner<'a> {
    /// For a run whose settling frames have been cut already; `confounds` is frames × any number, finite, and `kept`
    /// has one flag per frame.
    ///
    /// # Errors
    /// [`CleanError`] when the band does not fit the repetition time or a value is not finite.
    ///
    /// # Panics
    /// When the numbers of frames differ.
    pub fn new(
        confounds: ArrayView2<'_, f64>,
        kept: &'a [bool],
        tr: Seconds,
        settings: &'a CleanSettings,
    ) -> Result<Self, CleanError> {
        if let Some([_, high_hz]) = settings.band_hz {
            filter::require_below_nyquist(high_hz, tr)?;
        }
        let kept_rows: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
        // Without a filter nothing needs filling.
        let filling = Filling::new(kept, settings.band_hz.map_or(Fill::Linear, |_| settings.fill));
        let steps = Steps { kept, kept_rows, filling, tr, settings };
        let intercept = Array2::ones((steps.kept_rows.len(), 1));
        let design = concatenate![Axis(1), intercept, steps.take(confounds)?];
        let unfiltered = concatenate![Axis(1), steps.trend(), rows_of(confounds, &steps.kept_rows)];
        let (fit, unfiltered_fit) = (LeastSquares::new(design.view())?, LeastSquares::new(unfiltered.view())?);
        Ok(Self { steps, fit, unfiltered_fit })
    }

    /// Independent columns among intercept and confounds.
    #[must_use]
    pub fn rank(&self) -> usize {
        self.fit.rank()
    }

    /// The cleaned series, kept frames × parcels, of `data`, frames × parcels, finite.
    ///
    /// # Errors
    /// [`CleanError`] when a value is not finite.
    ///
    /// # Panics
    /// When the numbers of frames differ.
    pub fn residuals(&self, data: ArrayView2<'_, f64>) -> Result<Array2<f64>, CleanError> {
        left_by(&self.fit, self.steps.take(data)?.view())
    }

    /// The degrees of freedom that are left to a run with these parcels: one table, frames × parcels, per atlas. The
    /// parcels together tell the autocorrelation of the run.
    ///
    /// # Errors
    /// [`CleanError`] when a value is not finite.
    ///
    /// # Panics
    /// When the numbers of frames differ.
    pub fn degrees_of_freedom(&self, data: &[ArrayView2<'_, f64>]) -> Result<Dof, CleanError> {
        let Steps { kept, kept_rows, tr, .. } = &self.steps;
        if kept_rows.is_empty() {
            return Ok(Dof::NONE);
        }
        let told = autoregression::some_that_vary(data);
        let mut unfiltered = Array2::zeros((kept_rows.len(), told.len()).f());
        for (mut to, from) in unfiltered.columns_mut().into_iter().zip(&told) {
            assert!(from.len() == kept.len(), "one row per frame");
            to.iter_mut().zip(kept_rows).for_each(|(place, &row)| *place = from[row]);
        }
        let unfiltered = left_by(&self.unfiltered_fit, unfiltered.view())?;
        self.dof_of(&autoregression::estimate(unfiltered.view(), self.unfiltered_fit.basis().view(), kept, *tr))
    }

    /// The same for series of a known autocorrelation.
    fn dof_of(&self, own: &Autoregression) -> Result<Dof, CleanError> {
        let Steps { kept, kept_rows, filling, tr, settings } = &self.steps;
        let trend = LeastSquares::new(self.steps.trend().view())?.basis();
        let design = self.fit.basis();
        let (trend, design) = (trend.view(), design.view());
        CleaningMap { kept, kept_rows, trend, filling, band_hz: settings.band_hz, tr: *tr, design }
            .degrees_of_freedom(own)
    }
}

impl Steps<'_> {
    /// Trend out, and with a pass band filled and filtered: of frames × columns the kept frames.
    fn take(&self, values: ArrayView2<'_, f64>) -> Result<Array2<f64>, CleanError> {
        assert!(values.nrows() == self.kept.len(), "one row per frame");
        if self.kept_rows.is_empty() {
            return Ok(Array2::zeros((0, values.ncols())));
        }
        let mut values = by_columns(values);
        detrend::remove(&mut values, &self.kept_rows, self.settings.detrend_degree)?;
        if let Some(band_hz) = self.settings.band_hz {
            self.filling.fill(&mut values);
            filter::band_pass(&mut values, band_hz, self.tr)?;
        }
        Ok(rows_of(values.view(), &self.kept_rows))
    }

    /// The polynomials of the trend over the kept frames.
    fn trend(&self) -> Array2<f64> {
        rows_of(detrend::legendre(self.kept.len(), self.settings.detrend_degree).view(), &self.kept_rows)
    }
}

/// Cleans one table of parcels, frames × parcels, finite: [`Cleaner`] in one step.
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
    let cleaner = Cleaner::new(confounds, kept, tr, settings)?;
    let dof = cleaner.degrees_of_freedom(&[data])?;
    Ok(Cleaned { residuals: cleaner.residuals(data)?, rank: cleaner.rank(), dof })
}

/// The residuals of a fit.
fn left_by(fit: &LeastSquares, data: ArrayView2<'_, f64>) -> Result<Array2<f64>, CleanError> {
    let mut residuals = fit.residuals(data)?;
    for (mut left, had) in residuals.columns_mut().into_iter().zip(data.columns()) {
        // If the confounds explain a parcel wholly, what rounding leaves of it is not a signal.
        if left.dot(&left).sqrt() <= RANK_TOLERANCE * had.dot(&had).sqrt() {
            left.fill(0.0);
        }
    }
    Ok(residuals)
}
