//! What became of a run.

use crate::cohort::CohortRow;

/// A run in numbers.
#[derive(Debug, Clone)]
pub struct Summary {
    pub scans: usize,
    pub done: usize,
    pub unchanged: usize,
    /// Scan, or child whose report could not be made, and reason.
    pub failed: Vec<(String, String)>,
    pub interrupted: bool,
    /// Children by verdict: (word, count), in the order of the verdicts.
    pub verdicts: Vec<(&'static str, usize)>,
    /// Stem and row of each finished child, in the study's order.
    pub rows: Vec<(String, CohortRow)>,
}
