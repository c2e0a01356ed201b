//! Series in percent of the parcel's mean signal: what covariances are of.
//!
//! Numbers of an image depend on the scanner's gain, which differs between scanners, days and runs. Per run and parcel,
//!
//! ```text
//! percent(t) = 100 · (residual(t) − mean residual) / mean signal
//! ```
//!
//! where the mean signal is that of all kept frames of the run before cleaning, in the image's units
//! ([`mean_signal`]). Where only some frames are taken (a half, a redrawn block), the residuals' mean is theirs and the
//! mean signal still that of the whole run, so that all are in the same unit. Runs are then stacked, and nothing is
//! scaled to an SD of 1.
//!
//! A percentage of nothing has no meaning: in images whose mean was taken away, a parcel's mean signal is what chance
//! and dropped frames left of it. So a parcel has percent only where its mean signal is at least
//! [`LEAST_SIGNAL_PER_SD`] times its SD over the same frames.

use ndarray::{Array2, ArrayView2, Axis, concatenate};

/// The least mean signal of a parcel, in SDs of its kept frames before cleaning. Own convention: parcels of the real
/// runs in `tests/reference/test_end_to_end.py` have 140 to 340 in the median and 6 at least, and those of images whose
/// mean was taken away about 0, or as much as dropped frames left of it.
pub const LEAST_SIGNAL_PER_SD: f64 = 5.0;

/// What covariances are in, as files name it.
pub const COVARIANCE_UNIT: &str = "percent^2";

/// One run's part of what is joined.
#[derive(Debug, Clone, Copy)]
pub struct RunPart<'a> {
    /// Kept frames × parcels, cleaned.
    pub residuals: ArrayView2<'a, f64>,
    /// The [`mean_signal`] of each parcel over the whole run.
    pub mean_signal: &'a [f64],
}

/// Joined runs in percent.
#[derive(Debug, Clone, PartialEq)]
pub struct Percent {
    /// Which parcels have percent in every run, rising.
    pub parcels: Vec<usize>,
    /// Frames × those parcels.
    pub series: Array2<f64>,
}

/// The mean of each parcel over the kept frames before cleaning; NaN where nothing can be given in percent of it.
/// `signal` is frames × parcels.
#[must_use]
pub fn mean_signal(signal: ArrayView2<'_, f64>, kept: &[bool]) -> Vec<f64> {
    let of_column = |column: ndarray::ArrayView1<'_, f64>| {
        let values = || column.iter().zip(kept).filter(|(_, kept)| **kept).map(|(value, _)| *value);
        let frames = values().count() as f64;
        let mean = values().sum::<f64>() / frames;
        let sd = (values().map(|value| (value - mean).powi(2)).sum::<f64>() / frames).sqrt();
        if mean > 0.0 && mean >= LEAST_SIGNAL_PER_SD * sd { mean } else { f64::NAN }
    };
    signal.columns().into_iter().map(of_column).collect()
}

/// Joins runs (each kept frames × the same parcels) in percent.
///
/// # Panics
/// When the runs have different numbers of parcels, or not one mean signal per parcel.
#[must_use]
pub fn in_percent(runs: &[RunPart<'_>]) -> Percent {
    let all = runs.first().map_or(0, |run| run.residuals.ncols());
    let fits = |run: &RunPart<'_>| run.residuals.ncols() == all && run.mean_signal.len() == all;
    assert!(runs.iter().all(fits), "joined runs have the same parcels, each with its mean signal");
    let parcels: Vec<usize> = (0..all).filter(|&p| runs.iter().all(|run| run.mean_signal[p].is_finite())).collect();
    let of_run = |run: &RunPart<'_>| {
        let mut part = run.residuals.select(Axis(1), &parcels);
        for (mut column, &parcel) in part.columns_mut().into_iter().zip(&parcels) {
            let mean = column.sum() / column.len() as f64;
            let unit = 100.0 / run.mean_signal[parcel];
            column.mapv_inplace(|value| (value - mean) * unit);
        }
        part
    };
    let parts: Vec<Array2<f64>> = runs.iter().map(of_run).collect();
    let views: Vec<ArrayView2<'_, f64>> = parts.iter().map(|part| part.view()).collect();
    // Without runs there is nothing to stack.
    let series = concatenate(Axis(0), &views).unwrap_or_else(|_| Array2::zeros((0, parcels.len())));
    Percent { parcels, series }
}

#[cfg(test)]
mod tests;
