//! A scan: its name, its files, and what is wrong with it.

use std::fmt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::remark::Remark;

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

/// What each source besides the image's header says of a run's repetition time, s; the first that says something is
/// taken.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct GivenTr {
    /// `tr_s` in the scan table.
    pub table_s: Option<f64>,
    /// `tr_s` in `[scans]`.
    pub study_s: Option<f64>,
    /// `RepetitionTime` in the JSON sidecar.
    pub sidecar_s: Option<f64>,
    /// What is wrong with sidecars whose value is not needed.
    #[serde(skip)]
    pub sidecar_faults: Vec<Remark>,
}

/// One run of one child: its files as found (paths joined to the folder of the table or study file they came from).
#[derive(Debug, Clone, PartialEq)]
pub struct Scan {
    pub id: ScanId,
    pub bold: PathBuf,
    /// What tables, study file and sidecar say of the repetition time; nothing: the image header decides.
    pub tr: GivenTr,
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
