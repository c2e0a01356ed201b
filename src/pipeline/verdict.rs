//! Whether a child's or a run's data are enough, and whether a person must look first.

use crate::record::{AtlasCount, ReportRow, Verdict};
use crate::remark::Remark;
use crate::study::settings::EnoughSettings;

/// The verdict on a row: whether its data are enough.
#[must_use]
pub fn verdict(row: &ReportRow, gives_series: bool, enough: &EnoughSettings) -> Verdict {
    let covered = |a: &AtlasCount| a.parcels_used as f64 >= enough.coverage * a.parcels as f64;
    if !gives_series {
        Verdict::TooFewDof
    } else if !long_enough(row.minutes_kept, enough.minutes) {
        Verdict::TooShort
    } else if row.dof < enough.dof {
        Verdict::TooFewDof
    } else if row.atlases.iter().any(|a| a.parcels_used == 0 || !covered(a)) {
        Verdict::PoorCoverage
    } else if row.warnings.iter().any(Remark::asks_for_a_look) {
        Verdict::LookFirst
    } else {
        Verdict::Enough
    }
}

/// Whether minutes kept reach a minimum. The slack allows for rounding when a sum of runs is just enough.
#[must_use]
pub fn long_enough(minutes_kept: f64, least: f64) -> bool {
    minutes_kept >= least * (1.0 - 1e-9)
}
