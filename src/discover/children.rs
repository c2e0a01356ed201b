//! The participants table: age and sex as formulas need them, and every other column carried along.
//!
//! A child has one row or, with a column `session_id`, one per session; a BIDS dataset may also have a table of each
//! child's sessions ([`super::sessions`]). An age that is not known is no problem here. A wrong age is a problem of
//! the scans that it is of, not of the study. A table in which a child (and session) appears twice, or which lacks a
//! column that the study file names, stops everything.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::problem::{CohortProblem, ScanProblem};
use super::sessions;
use super::{Child, Children, Scan, ScanId, Sex};
use crate::remark::Remark;
use crate::study::settings::{AgeUnit, ChildrenSettings};
use crate::study::{ScanSource, Study};
use crate::tables::{TextRow, TextTable, absent, nearest, read_tsv};

/// Days in a month: a Julian year of 365.25 days by twelve.
const DAYS_A_MONTH: f64 = 30.4375;
/// No age is above this; a larger one has a wrong unit.
const OLDEST_MONTHS: f64 = 120.0 * 12.0;

/// The participants table as read.
#[derive(Default)]
pub(super) struct ParticipantsTable {
    pub children: Children,
    pub columns: Vec<String>,
    table: Option<PathBuf>,
    /// What is wrong with a row, by participant and session.
    faults: BTreeMap<(String, Option<String>), ScanProblem>,
}

impl ParticipantsTable {
    /// Reads the study's participants table, or the dataset's own; without either, an empty one.
    pub(super) fn read(study: &Study, problems: &mut Vec<CohortProblem>) -> Self {
        let settings = &study.children;
        let sessions = match &study.scans {
            ScanSource::Table(_) => Vec::new(),
            ScanSource::Bids { root, .. } => sessions::tables(root, problems),
        };
        let path = match (&settings.table, &study.scans) {
            (Some(path), _) => path.clone(),
            (None, ScanSource::Table(_)) => return Self::default(),
            (None, ScanSource::Bids { root, .. }) => {
                let path = root.join("participants.tsv");
                if !path.exists() {
                    let in_sessions = |column: &String| sessions::columns(&sessions).contains(column);
                    if let Some(column) = settings.age_column.clone().filter(|column| !in_sessions(column)) {
                        problems.push(CohortProblem::NoParticipantsTable { path, column });
                    }
                    let mut read = Self::default();
                    read.add_sessions(&sessions, settings, problems);
                    return read;
                }
                path
            }
        };
        match read_tsv(&path) {
            Ok(table) => {
                let mut read = Self::from_table(&table, settings, &sessions::columns(&sessions), problems);
                read.add_sessions(&sessions, settings, problems);
                read
            }
            Err(e) => {
                problems.push(e.into());
                Self::default()
            }
        }
    }

    fn from_table(
        table: &TextTable,
        settings: &ChildrenSettings,
        in_sessions: &[String],
        problems: &mut Vec<CohortProblem>,
    ) -> Self {
        let participant_column = needed_column(table, "participant_id", "names each row's child", problems);
        let named = |column: &Option<String>, wanted: &str, problems: &mut Vec<CohortProblem>| {
            let name = column.as_ref()?;
            let elsewhere = table.column(name).is_none() && in_sessions.contains(name);
            if elsewhere { None } else { needed_column(table, name, wanted, problems) }
        };
        let age_column = named(&settings.age_column, "children.age_column names", problems);
        let sex_column = named(&settings.sex_column, "children.sex_column names", problems);
        let Some(participant_column) = participant_column else { return Self::default() };

        let session_column = table.column("session_id");

        let header = table.header.as_deref().unwrap_or_default();
        let others = |cells: &[String]| -> Vec<String> {
            let keys = [Some(participant_column), session_column];
            let others = cells.iter().enumerate().filter(|(i, _)| !keys.contains(&Some(*i)));
            others.map(|(_, cell)| cell.clone()).collect()
        };
        let mut read = Self { columns: others(header), table: Some(table.path.clone()), ..Self::default() };
        let mut lines: BTreeMap<(String, Option<String>), usize> = BTreeMap::new();
        for (row, TextRow { line, cells }) in table.rows.iter().enumerate() {
            let line = *line;
            let path = table.path.clone();
            if absent(&cells[participant_column]) {
                problems.push(CohortProblem::NoParticipant { path, line });
                continue;
            }
            let participant = bare(&cells[participant_column], "sub-").to_owned();
            let session = session_column.map(|at| &cells[at]).filter(|cell| !absent(cell));
            let session = session.map(|cell| bare(cell, "ses-").to_owned());
            let key = (participant, session);
            if let Some(&first) = lines.get(&key) {
                let (participant, session) = key;
                problems.push(CohortProblem::ChildTwice { path, line, first, participant, session });
                continue;
            }
            lines.insert(key.clone(), line);
            let age = age_column.map(|col| age_months(table, row, col, settings.age_unit));
            let age_months = match age {
                Some(Ok(months)) => months,
                Some(Err(fault)) => {
                    read.faults.insert(key.clone(), fault);
                    None
                }
                None => None,
            };
            let sex = sex_column.map_or(Sex::Unknown, |col| Sex::of_cell(&cells[col]));
            read.children.insert(&key.0, key.1.as_deref(), Child { age_months, sex, cells: others(cells) });
        }
        read
    }

    /// Adds a row for each session of the tables of sessions: that of the whole child, with the cells of the session.
    fn add_sessions(
        &mut self,
        tables: &[(String, TextTable)],
        settings: &ChildrenSettings,
        problems: &mut Vec<CohortProblem>,
    ) {
        for name in sessions::columns(tables) {
            if !self.columns.contains(&name) {
                self.columns.push(name);
                self.children.widen(self.columns.len());
            }
        }
        for (participant, table) in tables {
            let Some(session_column) = needed_column(table, "session_id", "names each row's session", problems) else {
                continue;
            };
            self.table.get_or_insert_with(|| table.path.clone());
            let of_setting = |column: &Option<String>| column.as_ref().and_then(|name| table.column(name));
            let (age_column, sex_column) = (of_setting(&settings.age_column), of_setting(&settings.sex_column));
            let whole = self.children.of(participant, None);
            for (row, TextRow { cells, .. }) in table.rows.iter().enumerate() {
                let session = bare(&cells[session_column], "ses-");
                if absent(session) {
                    continue;
                }
                let unknown = || Child { age_months: None, sex: Sex::Unknown, cells: Vec::new() };
                let own = self.children.of(participant, Some(session)).or_else(|| whole.clone());
                let mut child = own.unwrap_or_else(unknown);
                child.cells.resize(self.columns.len(), "n/a".to_owned());
                for (at, name) in table.header.as_deref().unwrap_or_default().iter().enumerate() {
                    let place = self.columns.iter().position(|column| column == name);
                    if let Some(place) = place.filter(|_| !absent(&cells[at])) {
                        child.cells[place].clone_from(&cells[at]);
                    }
                }
                match age_column.map(|col| age_months(table, row, col, settings.age_unit)) {
                    Some(Ok(Some(months))) => child.age_months = Some(months),
                    Some(Err(fault)) => {
                        child.age_months = None;
                        self.faults.insert((participant.clone(), Some(session.to_owned())), fault);
                    }
                    Some(Ok(None)) | None => {}
                }
                if let Some(cell) = sex_column.map(|col| &cells[col]).filter(|cell| !absent(cell)) {
                    child.sex = Sex::of_cell(cell);
                }
                self.children.insert(participant, Some(session), child);
            }
        }
    }

    /// Adds to a scan what is wrong with its child's row.
    pub(super) fn judge(&self, scan: &mut Scan) {
        let ScanId { participant, session, .. } = &scan.id;
        let Some(path) = self.table.clone() else { return };
        let sessions = self.children.sessions(participant);
        let own = session.clone().filter(|session| sessions.contains(&session.as_str()));
        let (has_row, participant) = (own.is_some() || self.children.has_whole(participant), participant.clone());
        let problem = if let Some(fault) = self.faults.get(&(participant.clone(), own)) {
            Remark::from(fault)
        } else if !has_row && !sessions.is_empty() {
            let (known, session) = (sessions.join(", "), session.clone().unwrap_or_else(|| "n/a".to_owned()));
            Remark::from(&ScanProblem::NoSession { path, participant, session, known })
        } else {
            return;
        };
        scan.problems.push(problem);
    }
}

/// A label without its `sub-`, `ses-` or `run-`.
pub(super) fn bare<'a>(label: &'a str, prefix: &str) -> &'a str {
    label.strip_prefix(prefix).unwrap_or(label)
}

/// The column of this name; notes one that is not there, with the nearest that is.
pub(super) fn needed_column(
    table: &TextTable,
    name: &str,
    wanted: &str,
    problems: &mut Vec<CohortProblem>,
) -> Option<usize> {
    let column = table.column(name);
    if column.is_none() {
        let header = table.header.as_deref().unwrap_or_default();
        problems.push(CohortProblem::NoColumn {
            path: table.path.clone(),
            name: name.to_owned(),
            wanted: wanted.to_owned(),
            near: nearest(name, header.iter().map(String::as_str)).map(str::to_owned),
            known: header.join(", "),
        });
    }
    column
}

fn age_months(table: &TextTable, row: usize, col: usize, unit: AgeUnit) -> Result<Option<f64>, ScanProblem> {
    let (unit, months_a_unit) = match unit {
        AgeUnit::Months => ("months", 1.0),
        AgeUnit::Years => ("years", 12.0),
        AgeUnit::Weeks => ("weeks", 7.0 / DAYS_A_MONTH),
        AgeUnit::Days => ("days", 1.0 / DAYS_A_MONTH),
    };
    let (path, line, column): (&Path, _, _) = (&table.path, table.rows[row].line, table.column_label(col));
    let wrong = || {
        let found = format!("'{}'", table.rows[row].cells[col]);
        ScanProblem::Age { path: path.to_owned(), line, column: column.clone(), found, unit }
    };
    match table.number(row, col) {
        Ok(Some(age)) => {
            let months = age * months_a_unit;
            if (0.0..=OLDEST_MONTHS).contains(&months) { Ok(Some(months)) } else { Err(wrong()) }
        }
        Ok(None) => Ok(None),
        Err(_) => Err(wrong()),
    }
}
