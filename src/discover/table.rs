//! Scans from a scan table: one row per run, with files named relative to the table.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::bids::BidsName;
use super::children::{bare, needed_column};
use super::paths::check_file;
use super::problem::{CohortProblem, ScanProblem, place};
use super::scan::{GivenTr, Scan, ScanId};
use super::sidecar;
use crate::remark::Remark;
use crate::study::bids_words::is_label;
use crate::tables::{TextTable, absent, nearest, read_tsv};
use crate::units::usable_tr;

/// Columns of a scan table; the first two are needed.
pub const COLUMNS: [&str; 11] = [
    "participant_id",
    "bold",
    "session_id",
    "run_id",
    "tr_s",
    "motion",
    "confounds",
    "brain_mask",
    "white_matter",
    "csf",
    "watch_log",
];

/// Reads the scans of a table, in row order.
pub(super) fn scans(path: &Path, problems: &mut Vec<CohortProblem>) -> Vec<Scan> {
    let table = match read_tsv(path) {
        Ok(table) => table,
        Err(e) => {
            problems.push(e.into());
            return Vec::new();
        }
    };
    for name in table.header.iter().flatten().filter(|name| !COLUMNS.contains(&name.as_str())) {
        problems.push(CohortProblem::UnknownColumn {
            path: path.to_owned(),
            name: name.clone(),
            near: nearest(name, COLUMNS.into_iter()).map(str::to_owned),
            known: COLUMNS.join(", "),
        });
    }
    needed_column(&table, "participant_id", "names each run's child", problems);
    needed_column(&table, "bold", "names each run's image", problems);
    if table.rows.is_empty() {
        problems.push(CohortProblem::NoRows { path: path.to_owned() });
    }
    let mut scans: Vec<Scan> = (0..table.rows.len()).map(|row| ScanRow { table: &table, row }.scan()).collect();
    refuse_same_runs(&table, &mut scans);
    scans
}

struct ScanRow<'t> {
    table: &'t TextTable,
    row: usize,
}

impl ScanRow<'_> {
    fn line(&self) -> usize {
        self.table.rows[self.row].line
    }

    fn place(&self) -> String {
        place(&self.table.path, self.line())
    }

    /// A cell that is there and not `n/a`.
    fn cell(&self, column: &str) -> Option<&str> {
        let cell = self.table.rows[self.row].cells.get(self.table.column(column)?)?;
        (!absent(cell)).then_some(cell)
    }

    fn file(&self, column: &'static str, problems: &mut Vec<ScanProblem>) -> Option<PathBuf> {
        let folder = self.table.path.parent().unwrap_or(Path::new(""));
        let path = folder.join(self.cell(column)?);
        problems.extend(check_file(column, &path, || self.place()));
        Some(path)
    }

    /// A label without its prefix. A wrong one is noted and made harmless, since ids become file names: its letters
    /// and digits with the line, so that no two rows meet by it.
    fn label(&self, column: &'static str, prefix: &str, problems: &mut Vec<ScanProblem>) -> Option<String> {
        let text = self.cell(column)?;
        let label = bare(text, prefix);
        if is_label(label) {
            return Some(label.to_owned());
        }
        problems.push(ScanProblem::Label { place: self.place(), what: column, found: text.to_owned() });
        let letters: String = label.chars().filter(char::is_ascii_alphanumeric).collect();
        Some(format!("{letters}line{}", self.line()))
    }

    fn scan(&self) -> Scan {
        let mut problems = Vec::new();
        let empty = |column, instead| {
            let (path, line) = (self.table.path.clone(), self.line());
            ScanProblem::EmptyCell { path, line, column, instead }
        };
        let participant = self.label("participant_id", "sub-", &mut problems).unwrap_or_else(|| {
            problems.push(empty("participant_id", "give the run's child"));
            format!("line{}", self.line())
        });
        let session = self.label("session_id", "ses-", &mut problems);
        let run = self.label("run_id", "run-", &mut problems);
        let bold = self.file("bold", &mut problems).unwrap_or_else(|| {
            problems.push(empty("bold", "give the run's image"));
            PathBuf::new()
        });
        // A word that is not a label is not taken from a file name: names need not follow BIDS here.
        let task = bold
            .file_name()
            .and_then(|name| name.to_str())
            .and_then(|name| BidsName::parse(name).entities.get("task").filter(|task| is_label(task)).cloned());
        let table_s = self.cell("tr_s").and_then(|cell| {
            let number = cell.parse().ok();
            let tr_s = number.and_then(usable_tr);
            if tr_s.is_none() {
                problems.push(ScanProblem::repetition_time(self.place(), format!("'{cell}'"), number));
            }
            tr_s
        });
        let (sidecar_s, fault) = match sidecar::beside(&bold) {
            Ok(tr_s) => (tr_s, None),
            Err(fault) => (None, Some(Remark::from(&fault))),
        };
        let tr = GivenTr { table_s, sidecar_s, sidecar_faults: fault.into_iter().collect(), ..GivenTr::default() };
        let mut file = |column| self.file(column, &mut problems);
        let (motion, confounds, brain_mask) = (file("motion"), file("confounds"), file("brain_mask"));
        let (white_matter, csf, watch_log) = (file("white_matter"), file("csf"), file("watch_log"));
        Scan {
            id: ScanId { participant, session, task, run },
            bold,
            tr,
            motion,
            confounds,
            brain_mask,
            white_matter,
            csf,
            watch_log,
            problems: problems.iter().map(Remark::from).collect(),
        }
    }
}

/// Rows of the same participant, session and run: the problem of each names the line of the first other one. The task
/// is left out, since it comes from a file name and not from the table.
fn refuse_same_runs(table: &TextTable, scans: &mut [Scan]) {
    let mut rows: BTreeMap<(String, Option<String>, Option<String>), Vec<usize>> = BTreeMap::new();
    for (row, scan) in scans.iter().enumerate() {
        let key = (scan.id.participant.clone(), scan.id.session.clone(), scan.id.run.clone());
        rows.entry(key).or_default().push(row);
    }
    for same in rows.values().filter(|same| same.len() > 1) {
        for &row in same {
            let other = if row == same[0] { same[1] } else { same[0] };
            let (path, line, other) = (table.path.clone(), table.rows[row].line, table.rows[other].line);
            scans[row].problems.push(Remark::from(&ScanProblem::SameRun { path, line, other }));
        }
    }
}
