//! A scan: its name, its files, and what is wrong with it.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::remark::Remark;

/// A repetition time above this, in s, must have a wrong unit (own convention).
pub(super) const LONGEST_TR_S: f64 = 100.0;

/// Which child and run a scan is, by BIDS entities. Labels are held without their `sub-`, `ses-`, `task-`, `run-`.
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
    /// What tables and file names show to be wrong with this scan; empty: nothing.
    pub problems: Vec<Remark>,
}

impl Scan {
    /// Every file that a message about the scan may name.
    #[must_use]
    pub fn files(&self) -> Vec<&Path> {
        let others = [&self.motion, &self.confounds, &self.brain_mask, &self.white_matter, &self.csf, &self.watch_log];
        others.into_iter().flatten().chain([&self.bold]).map(PathBuf::as_path).collect()
    }
}

/// A repetition time in seconds, if it can be one.
pub(super) fn usable_tr(tr_s: f64) -> Option<f64> {
    (tr_s > 0.0 && tr_s <= LONGEST_TR_S).then_some(tr_s)
}
