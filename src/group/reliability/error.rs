//! Why reliability cannot be computed.

use crate::linalg::LinalgError;
use crate::units::Seconds;

/// What can be wrong with a child's frames.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ReliabilityError {
    /// Not one frame number per row.
    #[error("run {run} (from 0) has {rows} kept frames but {frames} frame numbers; read both from one record")]
    Frames { run: usize, rows: usize, frames: usize },
    /// Different parcels.
    #[error("run {run} (from 0) has {found} parcels, but the first run has {expected}; join runs of one atlas")]
    Parcels { run: usize, found: usize, expected: usize },
    /// Not one mean signal per parcel.
    #[error("run {run} (from 0) has {found} mean signals for {expected} parcels; read both from one record")]
    MeanSignals { run: usize, found: usize, expected: usize },
    /// A time that is not a number above 0.
    #[error("{what} is {found} s, but must be a number above 0")]
    Time { what: &'static str, found: f64 },
    /// An SD needs two.
    #[error("standard errors were asked for from {found} replicates; ask for at least 2, or better a few hundred")]
    Replicates { found: usize },
    /// Fewer than two frames.
    #[error("the child has {found} kept frames, too few to split; each half needs at least 2")]
    TooShort { found: usize },
    /// A value that is not finite, or LAPACK.
    #[error(transparent)]
    Linalg(#[from] LinalgError),
}

pub(super) fn require_time(what: &'static str, time: Seconds) -> Result<(), ReliabilityError> {
    if time.0.is_finite() && time.0 > 0.0 { Ok(()) } else { Err(ReliabilityError::Time { what, found: time.0 }) }
}
