//! The review in `cohort.tsv`: reads which rows there are, and writes their three review columns anew.
//!
//! The table's own digests say which results are current. Everything else in it stays the same byte for byte.

use std::collections::{HashMap, VecDeque};
use std::fs;
use std::fs::File;
use std::path::Path;
use std::time::Duration;

use super::RowId;
use super::decisions;
use super::folder::FolderError;
use super::ledger::LedgerError;
use super::overview::{self, Subject};
use crate::outputs::cell;
use crate::pages;
use crate::record::files::{WriteError, write_whole};
use crate::record::lock::{LockError, lock_results};
use crate::results::layout::{COHORT_TABLE, Layout};
use crate::results::{CohortTable, CohortTableError};

/// Columns that reviews fill.
pub const COLUMNS: [&str; 3] = ["review", "reviewers", "review_reason"];

/// Why the cohort table cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    #[error(transparent)]
    Folder(#[from] FolderError),
    #[error(transparent)]
    Table(#[from] CohortTableError),
    #[error(transparent)]
    Lock(#[from] LockError),
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error(transparent)]
    Decisions(#[from] LedgerError),
}

/// What writing the review into the cohort table came to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Updated {
    Written,
    /// Nothing was to be changed.
    Same,
    /// A run is at work in the results folder; it writes the table itself when it ends.
    Busy,
}

/// Opens the cohort table; if there is none, the error says what the folder is instead.
fn open(results: &Path) -> Result<CohortTable, TableError> {
    let path = Layout::new(results).cohort_table();
    File::open(path).map_err(|source| FolderError::of(results, COHORT_TABLE, source))?;
    Ok(CohortTable::open(results)?)
}

fn subjects_of(table: &CohortTable) -> Result<Vec<Subject>, TableError> {
    let at = |name| table.need(name);
    let (participant, session, run) = (at("participant_id")?, at("session_id")?, at("run_id")?);
    let digest = at("results_digest")?;
    let mut seen: HashMap<String, usize> = HashMap::new();
    let mut subjects = Vec::new();
    for row in table.rows() {
        let cells = row?.cells;
        let row = RowId::from_cells(&cells[participant], &cells[session], &cells[run]);
        // Runs of several tasks that are not joined: the table does not name the task.
        let times = seen.entry(row.label()).and_modify(|times| *times += 1).or_insert(1);
        let stem = if *times == 1 { row.label() } else { format!("{} ({times})", row.label()) };
        subjects.push(Subject { stem, row, results_digest: digest_of(&cells[digest]) });
    }
    Ok(subjects)
}

/// A digest's cell; `n/a` becomes empty, as where results could not be made.
fn digest_of(cell: &str) -> String {
    if crate::tables::absent(cell) { String::new() } else { cell.to_owned() }
}

/// The rows of the cohort table. A row's stem is its three parts joined, with a number where several rows have the
/// same.
///
/// # Errors
/// A table that is not there, or not as this version writes it.
pub fn subjects(results: &Path) -> Result<Vec<Subject>, TableError> {
    subjects_of(&open(results)?)
}

/// Everything that reviewers decided, for the rows of the cohort table. Rows are named as on the cohort page, which
/// tells tasks apart; the table does not. Without the page they keep the names of [`subjects`], and `skipped` says so.
///
/// # Errors
/// When the cohort table or the decisions cannot be read.
pub fn overview(results: &Path) -> Result<overview::Overview, TableError> {
    let mut subjects = subjects(results)?;
    let unnamed = name_as_pages_do(results, &mut subjects);
    let mut found = overview::overview(&decisions::read(results)?, &subjects);
    found.skipped.extend(unnamed);
    Ok(found)
}

/// Gives rows the stems of the cohort page; says in words which rows it could not name.
fn name_as_pages_do(results: &Path, subjects: &mut [Subject]) -> Option<String> {
    let path = Layout::new(results).cohort_page();
    let html = fs::read_to_string(&path).map_err(|error| error.to_string());
    let data = match html.and_then(|html| pages::cohort_data(&html).map_err(|error| error.to_string())) {
        Ok(data) => data,
        Err(problem) => {
            let words = "rows are named by participant, session and run, as in cohort.tsv; run the study again";
            return Some(format!("{}: cannot be read ({problem}): {words}", path.display()));
        }
    };
    let mut stems: HashMap<(RowId, String), VecDeque<String>> = HashMap::new();
    for row in data.rows {
        let id = RowId { participant_id: row.participant_id, session_id: row.session_id, run_id: row.run_id };
        stems.entry((id, row.results_digest)).or_default().push_back(row.stem);
    }
    let mut unnamed = 0;
    for subject in subjects {
        let wanted = (subject.row.clone(), subject.results_digest.clone());
        // Rows without results share a digest; both files have them in the same order.
        match stems.get_mut(&wanted).and_then(VecDeque::pop_front) {
            Some(stem) => subject.stem = stem,
            None => unnamed += 1,
        }
    }
    (unnamed > 0).then(|| {
        let words = "they are named by participant, session and run; run the study again";
        format!("{}: does not have {unnamed} of the rows of cohort.tsv: {words}", path.display())
    })
}

/// Writes the three columns anew from the decisions as they are, unless a run is at work.
///
/// # Errors
/// When something cannot be read or written; the table then stays as it was.
pub fn update(results: &Path) -> Result<Updated, TableError> {
    // A run writes the columns itself, so there is no need to wait for it.
    let Some(_lock) = lock_results(results, Duration::ZERO)? else { return Ok(Updated::Busy) };
    let table = open(results)?;
    let subjects = subjects_of(&table)?;
    let mut places = [0; COLUMNS.len()];
    for (place, name) in places.iter_mut().zip(COLUMNS) {
        *place = table.need(name)?;
    }
    let standings = overview::standings(&decisions::read(results)?, subjects.iter().map(Subject::named));
    let cells: Vec<[String; COLUMNS.len()]> =
        standings.iter().map(|standing| standing.cells().map(|text| cell(&text))).collect();
    let rewritten = table.rewritten(places, &cells);
    if !rewritten.changed {
        return Ok(Updated::Same);
    }
    write_whole(table.path(), rewritten.text.as_bytes())?;
    Ok(Updated::Written)
}

#[cfg(test)]
mod tests {
    use super::super::Decision;
    use super::super::decisions::Line;
    use super::*;

    /// `d1` and `d2` stand for digests.
    const TABLE: &str = "participant_id\tsession_id\trun_id\tverdict\treview\treviewers\treview_reason\t\
        results_digest\tnote\n\
        sub-01\tn/a\tn/a\tenough\tn/a\tn/a\tn/a\td1\t a \"b\"\n\
        sub-02\tses-1\tn/a\tenough\tinclude\tZZ\told\td2\tn/a\n";

    fn line(participant: &str, session: &str, digest: &str) -> Line {
        Line {
            time: "2026-11-25T09:30:00Z".to_owned(),
            reviewer: "AB".to_owned(),
            row: RowId::from_cells(participant, session, "n/a"),
            decision: Decision::Exclude,
            reason: Some("cried".to_owned()),
            note: Some("twice".to_owned()),
            settles: false,
            blinded: false,
            results_digest: digest.repeat(32),
        }
    }

    fn with_digests(table: &str) -> String {
        ["d1", "d2"].iter().fold(table.to_owned(), |text, digest| text.replace(digest, &digest.repeat(32)))
    }

    #[test]
    fn three_columns_are_written_and_nothing_else() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cohort.tsv");
        fs::write(&path, with_digests(TABLE)).unwrap();
        decisions::append(folder.path(), &line("sub-01", "n/a", "d1")).unwrap();
        decisions::append(folder.path(), &line("sub-02", "ses-1", "d1")).unwrap();
        assert_eq!(update(folder.path()).unwrap(), Updated::Written);
        let expected = TABLE
            .replace("enough\tn/a\tn/a\tn/a\td1", "enough\texclude\tAB\tcried: twice\td1")
            .replace("include\tZZ\told", "out_of_date\tn/a\tn/a");
        assert_eq!(fs::read_to_string(&path).unwrap(), with_digests(&expected));
        assert_eq!(update(folder.path()).unwrap(), Updated::Same);
        let found = overview(folder.path()).unwrap();
        assert_eq!(found.children.iter().map(|child| child.0.as_str()).collect::<Vec<_>>(), ["sub-01", "sub-02_ses-1"]);
        assert!(found.skipped.iter().any(|words| words.contains("cohort.html: cannot be read")), "{:?}", found.skipped);
    }

    #[test]
    fn a_run_at_work_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cohort.tsv");
        fs::write(&path, TABLE).unwrap();
        let held = lock_results(folder.path(), Duration::ZERO).unwrap().unwrap();
        assert_eq!(update(folder.path()).unwrap(), Updated::Busy);
        assert_eq!(fs::read_to_string(&path).unwrap(), TABLE);
        drop(held);
        assert_eq!(update(folder.path()).unwrap(), Updated::Written);
    }

    #[test]
    fn tables_of_another_form_are_refused_and_left() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cohort.tsv");
        assert!(matches!(update(folder.path()), Err(TableError::Folder(FolderError::NotRun { .. }))));
        assert!(matches!(
            subjects(&folder.path().join("nowhere")),
            Err(TableError::Folder(FolderError::NoFolder { .. }))
        ));
        for (text, words) in [
            (TABLE.replace("\tresults_digest", "\tother"), "no column \"results_digest\""),
            (TABLE.replace("\treviewers", "\tother"), "no column \"reviewers\""),
            (TABLE.replace("\told\t", "\told "), "line 3: 8 cells, expected 9 as in line 1"),
        ] {
            fs::write(&path, &text).unwrap();
            let said = update(folder.path()).unwrap_err().to_string();
            assert!(said.contains(words), "{said}");
            assert_eq!(fs::read_to_string(&path).unwrap(), text);
        }
    }
}
