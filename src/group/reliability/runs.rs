//! A child's runs, and the edges that chosen rows of them give.

use ndarray::{Array1, ArrayView2, Axis};

use super::error::{ReliabilityError, require_time};
use crate::connectivity::percent::RunPart;
use crate::connectivity::{fisher_z, of_runs};
use crate::group::upper_triangle;
use crate::study::settings::Measure;
use crate::units::Seconds;

/// One run's cleaned, kept frames.
#[derive(Debug, Clone, Copy)]
pub struct RunSeries<'a> {
    /// Kept frames × parcels.
    pub residuals: ArrayView2<'a, f64>,
    /// Each parcel's mean signal over the whole run, of which covariances are in percent
    /// ([`crate::connectivity::percent::mean_signal`]).
    pub mean_signal: &'a [f64],
    /// The number of each kept frame in its run, rising.
    pub frames: &'a [usize],
    pub tr: Seconds,
}

/// The rows chosen from each run's kept frames.
pub type Rows = Vec<Vec<usize>>;

/// The edges of the matrix of some kept frames: each run's rows joined as the measure needs them ([`of_runs`]), its
/// upper triangle, Fisher's z of it (covariances as they are). Runs with fewer than two rows say nothing and are left
/// out.
///
/// # Errors
/// A value that is not finite, or LAPACK.
///
/// # Panics
/// When there is not one list of rows per run, or a row does not exist.
pub fn edges_of(runs: &[RunSeries<'_>], rows: &Rows, measure: Measure) -> Result<Array1<f64>, ReliabilityError> {
    assert_eq!(runs.len(), rows.len(), "one list of rows per run");
    let chosen: Vec<_> = runs
        .iter()
        .zip(rows)
        .filter(|(_, rows)| rows.len() > 1)
        .map(|(run, rows)| (run.residuals.select(Axis(0), rows), run.mean_signal))
        .collect();
    let parts: Vec<RunPart<'_>> =
        chosen.iter().map(|(rows, mean_signal)| RunPart { residuals: rows.view(), mean_signal }).collect();
    let edges = upper_triangle(of_runs(&parts, measure)?.matrix.view());
    Ok(if measure.is_correlation() { edges.mapv_into(fisher_z) } else { edges })
}

/// The runs without their values, after checking that they fit together.
pub(super) fn frames_of<'a>(runs: &[RunSeries<'a>]) -> Result<Vec<RunFrames<'a>>, ReliabilityError> {
    let expected = runs.first().map_or(0, |run| run.residuals.ncols());
    for (number, run) in runs.iter().enumerate() {
        let (rows, found) = run.residuals.dim();
        if rows != run.frames.len() {
            return Err(ReliabilityError::Frames { run: number, rows, frames: run.frames.len() });
        }
        if found != expected {
            return Err(ReliabilityError::Parcels { run: number, found, expected });
        }
        if run.mean_signal.len() != found {
            return Err(ReliabilityError::MeanSignals { run: number, found: run.mean_signal.len(), expected: found });
        }
        require_time("a repetition time", run.tr)?;
    }
    Ok(runs.iter().map(|run| RunFrames { frames: run.frames, tr: run.tr }).collect())
}

/// One run's kept frames without their values.
#[derive(Debug, Clone, Copy)]
pub struct RunFrames<'a> {
    /// The number of each kept frame in its run, rising.
    pub frames: &'a [usize],
    pub tr: Seconds,
}
