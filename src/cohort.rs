//! All children together: `cohort.tsv`, its data dictionary and `cohort.html`.

use serde::{Deserialize, Serialize};

use crate::censor;
use crate::discover::Cohort;
use crate::outputs::{self, COHORT_COLUMNS, number_cell};
use crate::pages::{CohortData, CohortLine, StripRun};
use crate::record::ReportRow;
use crate::review::RowId;
use crate::review::standing::Standing;
use crate::study::Study;

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
}

impl CohortRow {
    /// What names the row, for reviewers too.
    #[must_use]
    pub fn id(&self) -> RowId {
        let row = &self.row;
        let (session_id, run_id) = (row.session_id.clone(), row.run_id.clone());
        RowId { participant_id: row.participant_id.clone(), session_id, run_id }
    }
}

/// `cohort.tsv`; the participants table's columns come last, under their own names. `standings` says what reviewers
/// decided, one a row; rows beyond it have not been reviewed.
#[must_use]
pub fn cohort_table(rows: &[CohortRow], standings: &[Standing], cohort: &Cohort) -> String {
    let carried = carried_columns(cohort);
    let mut header = vec!["participant_id".to_owned(), "session_id".to_owned()];
    header.extend(COHORT_COLUMNS.iter().map(|c| c.0.to_owned()));
    header.extend(carried.iter().cloned());
    let lines: Vec<Vec<String>> = rows
        .iter()
        .enumerate()
        .map(|(at, line)| {
            let mut cells = cells(line);
            cells.extend(standings.get(at).unwrap_or(&Standing::none()).cells());
            cells.push(line.results_digest.clone());
            match cohort.children.get(&line.participant) {
                Some(child) => cells.extend(child.cells.iter().cloned()),
                None => cells.extend(carried.iter().map(|_| "n/a".to_owned())),
            }
            cells
        })
        .collect();
    outputs::text_table(&header, &lines)
}

/// The participants table's columns; one that the cohort table has itself gets `participants_` before its name.
#[must_use]
pub fn carried_columns(cohort: &Cohort) -> Vec<String> {
    let taken = |name: &str| COHORT_COLUMNS.iter().any(|c| c.0 == name) || name == "session_id";
    cohort
        .child_columns
        .iter()
        .map(|name| if taken(name) { format!("participants_{name}") } else { name.clone() })
        .collect()
}

/// What `cohort.html` shows; `rows` are stems and rows.
#[must_use]
pub fn page_data(study: &Study, cohort: &Cohort, rows: &[(String, CohortRow)]) -> CohortData {
    let covariates = carried_columns(cohort);
    let line = |(stem, line): &(String, CohortRow)| {
        let row = &line.row;
        let session = row.session_id.as_deref().map(|s| s.trim_start_matches("ses-"));
        let page = format!("{}/{stem}_report.html", outputs::folder(&line.participant, session));
        let cells = cohort.children.get(&line.participant).map(|child| child.cells.clone());
        CohortLine {
            stem: stem.clone(),
            participant_id: row.participant_id.clone(),
            session_id: row.session_id.clone(),
            run_id: row.run_id.clone(),
            results_digest: line.results_digest.clone(),
            // A child whose report could not be made has no page.
            page: (study.output.pages && !line.results_digest.is_empty()).then_some(page),
            verdict: row.verdict,
            problem: row.problem.clone(),
            minutes: row.minutes,
            minutes_kept: row.minutes_kept,
            mean_fd_mm: row.mean_fd_mm,
            longest_stretch_s: row.longest_stretch_s,
            warnings: row.warnings.len(),
            minutes_at_limits: line.minutes_at_limits.clone(),
            strip: line.strip.clone(),
            covariates: cells.unwrap_or_else(|| vec!["n/a".to_owned(); covariates.len()]),
        }
    };
    CohortData {
        study: study.name.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        fd_limit_mm: study.censor.fd_mm,
        minutes_asked: study.enough.minutes,
        limits_mm: censor::usual_limits(&study.censor),
        rows: rows.iter().map(line).collect(),
        covariates,
    }
}

fn cells(line: &CohortRow) -> Vec<String> {
    let row = &line.row;
    let text = |t: &Option<String>| t.clone().unwrap_or_default();
    let number = number_cell;
    let count = |n: usize| n.to_string();
    vec![
        row.participant_id.clone(),
        text(&row.session_id),
        text(&row.run_id),
        row.verdict.key().to_owned(),
        text(&row.problem),
        count(line.runs),
        count(line.runs_joined),
        number(row.tr_s),
        count(row.frames),
        count(row.frames_kept),
        number(row.minutes),
        number(row.minutes_kept),
        number(row.kept_share),
        number(row.mean_fd_mm),
        number(row.mean_fd_kept_mm),
        number(row.max_fd_mm),
        number(row.median_dvars_percent),
        number(row.sphere_radius_mm),
        row.sphere_radius_from.clone(),
        count(row.dropped_settling),
        count(row.dropped_unaligned),
        count(row.dropped_moved),
        count(row.dropped_signal_jump),
        count(row.dropped_logged),
        count(row.dropped_beside_motion),
        count(row.dropped_short_stretch),
        number(row.longest_stretch_s),
        number(row.dof),
        count(row.parcels_used),
        count(row.parcels),
        number(row.tsnr_median),
        row.warnings.join("; "),
    ]
}
