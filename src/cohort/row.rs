//! One child of the cohort table, as its receipt keeps it.

use serde::{Deserialize, Serialize};

use crate::discover::ScanId;
use crate::pages::StripRun;
use crate::pipeline::joined::Group;
use crate::pipeline::twins::RunTrace;
use crate::record::{ReportRow, Verdict};
use crate::remark::Remark;
use crate::review::RowId;

/// A child (and session, as `join` says) in the cohort table.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct CohortRow {
    /// Label without `sub-`.
    pub participant: String,
    pub row: ReportRow,
    pub runs: usize,
    pub runs_joined: usize,
    /// [`crate::record::results_digest`]; empty where there is no result.
    pub results_digest: String,
    /// The runs at a glance, and the minutes that [`crate::censor::usual_limits`] would keep.
    pub strip: Vec<StripRun>,
    pub minutes_at_limits: Vec<f64>,
    /// What each of its runs that could be read is known by.
    pub traces: Vec<RunTrace>,
    /// Runs that failed, by their stems, and why.
    pub failed: Vec<(String, Remark)>,
    /// What was noticed beside other children; `row.warnings` has it too.
    pub beside: Vec<Remark>,
}

impl CohortRow {
    /// The row of a child that has no result: it says why, and has no numbers.
    #[must_use]
    pub fn without_result(group: &Group, runs: usize, verdict: Verdict, problem: Remark) -> Self {
        let run = group.only.as_ref().and_then(|id| id.run.clone());
        let id = ScanId { participant: group.participant.clone(), session: group.session.clone(), task: None, run };
        Self {
            participant: group.participant.clone(),
            row: ReportRow { verdict, ..ReportRow::failed(&id, Some(problem)) },
            runs,
            runs_joined: 0,
            results_digest: String::new(),
            strip: Vec::new(),
            minutes_at_limits: Vec::new(),
            traces: Vec::new(),
            failed: Vec::new(),
            beside: Vec::new(),
        }
    }

    /// What names the row, for reviewers too.
    #[must_use]
    pub fn id(&self) -> RowId {
        let row = &self.row;
        let (session_id, run_id) = (row.session_id.clone(), row.run_id.clone());
        RowId { participant_id: row.participant_id.clone(), session_id, run_id }
    }
}
