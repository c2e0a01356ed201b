//! What can go wrong in cleaning.

use crate::linalg::LinalgError;

/// What can go wrong in cleaning.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CleanError {
    #[error(
        "clean.band_hz ends at {high_hz} Hz, but frames {tr_s} s apart show only frequencies below {nyquist_hz:.4} \
         Hz; lower the upper edge, or set band_hz = [] for no filter"
    )]
    BandAboveNyquist { high_hz: f64, tr_s: f64, nyquist_hz: f64 },
    #[error(transparent)]
    Linalg(#[from] LinalgError),
}
