//! What became of a run.

use crate::cohort::CohortRow;

/// A run in numbers: of the scans and children that it was asked for, which may be fewer than the study has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Counts {
    pub scans: usize,
    pub done: usize,
    pub unchanged: usize,
    pub failed: usize,
    pub children: usize,
    /// Their rows in the cohort table: more where sessions or runs stand alone.
    pub rows: usize,
}

impl Counts {
    /// Scans that an interrupted run did not come to.
    #[must_use]
    pub fn left(&self) -> usize {
        self.scans.saturating_sub(self.done + self.unchanged + self.failed)
    }
}

/// What became of a run.
#[derive(Debug, Clone)]
pub struct Summary {
    pub counts: Counts,
    /// Scan and reason.
    pub failed: Vec<(String, String)>,
    /// Child whose own files could not be made, and reason.
    pub no_report: Vec<(String, String)>,
    pub interrupted: bool,
    /// Rows of the children asked for by verdict: (word, count), in the order of the verdicts.
    pub verdicts: Vec<(&'static str, usize)>,
    /// Stem and row of each child of the study, in its order.
    pub rows: Vec<(String, CohortRow)>,
}
