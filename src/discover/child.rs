//! A child, as the participants table describes it: for all sessions, or for each.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::ScanId;

/// A child's sex, as far as it changes a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sex {
    Male,
    Female,
    Unknown,
}

impl Sex {
    /// What a table's cell says, by its first letter, in either case.
    #[must_use]
    pub fn of_cell(cell: &str) -> Self {
        match cell.trim().chars().next() {
            Some('m' | 'M') => Self::Male,
            Some('f' | 'F') => Self::Female,
            _ => Self::Unknown,
        }
    }
}

/// One row of the participants table.
#[derive(Debug, Clone, PartialEq)]
pub struct Child {
    pub age_months: Option<f64>,
    pub sex: Sex,
    /// The row's other cells, in the order of [`crate::discover::Cohort::child_columns`].
    pub cells: Vec<String>,
}

/// The rows of the participants table, by child and session.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Children(BTreeMap<String, ChildRows>);

/// The rows of one child.
#[derive(Debug, Clone, PartialEq, Default)]
struct ChildRows {
    /// The row without a session.
    whole: Option<Child>,
    /// By label without `ses-`.
    sessions: BTreeMap<String, Child>,
}

impl Children {
    /// Adds a row; labels are without `sub-` and `ses-`.
    pub(super) fn insert(&mut self, participant: &str, session: Option<&str>, child: Child) {
        let rows = self.0.entry(participant.to_owned()).or_default();
        match session {
            Some(session) => drop(rows.sessions.insert(session.to_owned(), child)),
            None => rows.whole = Some(child),
        }
    }

    /// Gives every row so many cells, with `n/a` in new ones.
    pub(super) fn widen(&mut self, cells: usize) {
        for rows in self.0.values_mut() {
            for child in rows.whole.iter_mut().chain(rows.sessions.values_mut()) {
                child.cells.resize(cells, "n/a".to_owned());
            }
        }
    }

    /// The child in a session: its row of the session, or else the one for all sessions. Without a session, and without
    /// a row for all, what the rows of its sessions have in common.
    #[must_use]
    pub fn of(&self, participant: &str, session: Option<&str>) -> Option<Child> {
        let rows = self.0.get(participant)?;
        match session {
            Some(session) => rows.sessions.get(session).or(rows.whole.as_ref()).cloned(),
            None => rows.whole.clone().or_else(|| common(rows.sessions.values())),
        }
    }

    /// The child that a scan is of.
    #[must_use]
    pub fn of_scan(&self, id: &ScanId) -> Option<Child> {
        self.of(&id.participant, id.session.as_deref())
    }

    /// The sessions that a child has rows of.
    pub(super) fn sessions(&self, participant: &str) -> Vec<&str> {
        self.0.get(participant).into_iter().flat_map(|rows| rows.sessions.keys().map(String::as_str)).collect()
    }

    /// Whether a child has a row for all its sessions.
    pub(super) fn has_whole(&self, participant: &str) -> bool {
        self.0.get(participant).is_some_and(|rows| rows.whole.is_some())
    }

    /// Labels of the children who have a row, without `sub-`.
    pub fn participants(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }

    /// How many children have a row.
    #[must_use]
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether none has.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

/// What several rows of a child have in common; `n/a` where they differ.
fn common<'a>(mut rows: impl Iterator<Item = &'a Child>) -> Option<Child> {
    let mut common = rows.next()?.clone();
    for row in rows {
        common.age_months = common.age_months.filter(|age| row.age_months == Some(*age));
        if row.sex != common.sex {
            common.sex = Sex::Unknown;
        }
        for (cell, other) in common.cells.iter_mut().zip(&row.cells) {
            if cell != other {
                "n/a".clone_into(cell);
            }
        }
    }
    Some(common)
}
