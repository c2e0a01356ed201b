//! From a checked study to the list of scans and children, with every problem of every scan in one pass.
//!
//! Two ways in: a scan table ([`table`]) or a BIDS dataset ([`bids`]). Both give the same [`Cohort`]. A problem that
//! belongs to one scan is kept with that scan, so that a run goes on without it and says so.

use std::collections::BTreeMap;
use std::fmt;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// Who and which run a scan is, by BIDS entities. Labels are held without their `sub-`, `ses-`, `task-`, `run-`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct ScanId {
    pub participant: String,
    pub session: Option<String>,
    pub task: Option<String>,
    pub run: Option<String>,
}

impl fmt::Display for ScanId {
    /// `sub-XX[_ses-YY][_task-T][_run-N]`, the stem of a scan's files.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "sub-{}", self.participant)?;
        for (label, value) in [("ses", &self.session), ("task", &self.task), ("run", &self.run)] {
            if let Some(value) = value {
                write!(f, "_{label}-{value}")?;
            }
        }
        Ok(())
    }
}

/// One run of one child: its files as found (paths joined to the folder of the table or study file they came from).
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    pub id: ScanId,
    pub bold: PathBuf,
    /// Repetition time, s, from the scan table or the JSON sidecar; none: the image header decides.
    pub tr_s: Option<f64>,
    pub motion: Option<PathBuf>,
    pub confounds: Option<PathBuf>,
    pub brain_mask: Option<PathBuf>,
    pub white_matter: Option<PathBuf>,
    pub csf: Option<PathBuf>,
    pub watch_log: Option<PathBuf>,
    /// What is wrong with this scan as far as tables and file names tell; empty: nothing.
    pub problems: Vec<String>,
}

/// A child's sex as far as it changes a formula.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Sex {
    Male,
    Female,
    Unknown,
}

/// One row of the participants table.
#[derive(Debug, Clone, PartialEq)]
pub struct Child {
    pub age_months: Option<f64>,
    pub sex: Sex,
    /// The row's other cells, in the order of [`Cohort::child_columns`].
    pub cells: Vec<String>,
}

/// All scans of a study, in the order participant, session, task, run, and their children.
#[derive(Debug, Clone, PartialEq)]
pub struct Cohort {
    pub scans: Vec<Scan>,
    /// By participant label without `sub-`.
    pub children: BTreeMap<String, Child>,
    /// Columns of the participants table besides `participant_id`, carried into the cohort table.
    pub child_columns: Vec<String>,
}
