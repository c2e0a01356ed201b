//! From the receipts of all children to the cohort's table, dictionary and page.
//!
//! Everything here is read from disk: whoever gathers need not have worked on a single child.

use super::plan::GroupPlan;
use super::receipt;
use crate::cohort::{CohortRow, carried_columns, cohort_dictionary, cohort_table, page_data};
use crate::discover::Cohort;
use crate::event::{Event, Listener};
use crate::outputs;
use crate::pages::{self, Mode};
use crate::record::Verdict;
use crate::record::files::{WriteError, write_whole};
use crate::remark::Remark;
use crate::results::Layout;
use crate::review::decisions::{self, Decisions};
use crate::review::standing::Standing;
use crate::review::{RowId, overview};
use crate::study::Study;

/// What the row of a child says that has no result of these settings: an earlier result must not pass for one.
const NOT_DONE: &str =
    "not done yet with the settings and files of this study; do `keepstill run` without --only and --part";

/// The stem and the row of every child of the study, in the study's order. A child whose receipt does not hold has a
/// row that says so.
pub(super) fn rows(
    study: &Study,
    children: &[GroupPlan],
    receipt_holds: impl Fn(usize) -> bool,
) -> Vec<(String, CohortRow)> {
    let row = |(position, child): (usize, &GroupPlan)| {
        let receipt = receipt::read(&receipt::path(study, &child.group));
        let row = match receipt {
            Some(receipt) if receipt_holds(position) => receipt.row,
            // What its images are does not depend on settings: a copy of another child's stays one.
            Some(receipt) => CohortRow { traces: receipt.row.traces, ..not_done(child) },
            None => not_done(child),
        };
        (child.group.stem(), row)
    };
    children.iter().enumerate().map(row).collect()
}

fn not_done(child: &GroupPlan) -> CohortRow {
    let problem = Remark::about_data(NOT_DONE);
    CohortRow::without_result(&child.group, child.scans.len(), Verdict::NotDone, problem)
}

/// Says how many rows have no result.
pub(super) fn warn_of_not_done(rows: &[(String, CohortRow)], tell: Listener<'_>) {
    let message = match rows.iter().filter(|(_, row)| row.row.verdict == Verdict::NotDone).count() {
        0 => return,
        1 => "1 row is not_done yet with these settings and has no numbers".to_owned(),
        n => format!("{n} rows are not_done yet with these settings and have no numbers"),
    };
    tell(&Event::Warning { about: "cohort.tsv".to_owned(), message });
}

/// Writes the cohort's table, its dictionary and its page.
pub(super) fn write_cohort(
    study: &Study,
    cohort: &Cohort,
    rows: &[(String, CohortRow)],
    tell: Listener<'_>,
) -> Result<(), WriteError> {
    let layout = Layout::new(&study.results);
    let table: Vec<CohortRow> = rows.iter().map(|(_, row)| row.clone()).collect();
    let standings = standings(study, &table, tell);
    write_whole(&layout.cohort_table(), cohort_table(&table, &standings, cohort).as_bytes())?;
    let dictionary = cohort_dictionary(&carried_columns(cohort));
    write_whole(&layout.cohort_dictionary(), outputs::pretty(&dictionary).as_bytes())?;
    let data = page_data(study, cohort, rows);
    write_whole(&layout.cohort_page(), pages::cohort_page(&data, Mode::File).as_bytes())
}

/// What reviewers decided about each row. A line that cannot be read must not cost a night's work: a warning names it,
/// and the decisions stay where they are.
fn standings(study: &Study, rows: &[CohortRow], tell: Listener<'_>) -> Vec<Standing> {
    let warn = |message| tell(&Event::Warning { about: "cohort.tsv".to_owned(), message });
    let decisions = decisions::read(&study.results).unwrap_or_else(|error| {
        warn(format!("reviewers' decisions are missing: {}", study.told_message(&error.to_string(), &[])));
        Decisions::default()
    });
    decisions.skipped.iter().for_each(|words| warn(words.clone()));
    let ids: Vec<RowId> = rows.iter().map(CohortRow::id).collect();
    let digests = rows.iter().map(|row| row.results_digest.as_str());
    overview::standings(&decisions, ids.iter().zip(digests))
}

/// Rows by verdict: (word, count), in the order of the verdicts.
pub(super) fn count_verdicts(rows: &[&CohortRow]) -> Vec<(&'static str, usize)> {
    Verdict::ALL.iter().map(|v| (v.key(), rows.iter().filter(|row| row.row.verdict == *v).count())).collect()
}
