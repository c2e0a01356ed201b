//! All children together: `cohort.tsv`, its data dictionary and `cohort.html`.

mod columns;
mod row;

use crate::censor;
use crate::discover::{Child, Cohort};
use crate::outputs;
use crate::pages::{CohortData, CohortLine};
use crate::results::layout;
use crate::results::{Contents, FileName};
use crate::review::standing::Standing;
use crate::study::Study;
use columns::Line;

pub use columns::{COHORT_COLUMNS, CohortColumn, cohort_dictionary};
pub use row::CohortRow;

/// `cohort.tsv`. The participants table's columns come last, under their own names. `standings` says what reviewers
/// decided, one entry per row; rows beyond it have not been reviewed.
#[must_use]
pub fn cohort_table(rows: &[CohortRow], standings: &[Standing], cohort: &Cohort) -> String {
    let carried = carried_columns(cohort);
    let mut header: Vec<String> = COHORT_COLUMNS.iter().map(|column| column.name.to_owned()).collect();
    header.extend(carried.iter().cloned());
    let nobody = Standing::none();
    let lines: Vec<Vec<String>> = rows
        .iter()
        .enumerate()
        .map(|(at, child)| {
            let standing = standings.get(at).unwrap_or(&nobody);
            let line = Line { child, row: &child.row, standing };
            let mut cells: Vec<String> = COHORT_COLUMNS.iter().map(|column| column.cell(line)).collect();
            match described(cohort, child) {
                Some(child) => cells.extend(child.cells),
                None => cells.extend(carried.iter().map(|_| "n/a".to_owned())),
            }
            cells
        })
        .collect();
    outputs::text_table(&header, &lines)
}

/// The child of a row, as the participants table describes it.
fn described(cohort: &Cohort, line: &CohortRow) -> Option<Child> {
    cohort.children.of(&line.participant, line.row.session_id.as_deref().map(|id| id.trim_start_matches("ses-")))
}

/// The participants table's columns; one that the cohort table has itself gets `participants_` before its name.
#[must_use]
pub fn carried_columns(cohort: &Cohort) -> Vec<String> {
    let taken = |name: &str| COHORT_COLUMNS.iter().any(|column| column.name == name);
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
        let page = format!(
            "{}/{}",
            layout::folder(&line.participant, session),
            FileName { stem, contents: Contents::ReportPage }
        );
        let cells = described(cohort, line).map(|child| child.cells);
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
