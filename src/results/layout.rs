//! Where everything in a results folder lies.

use std::path::{Path, PathBuf};

use super::file_name::{Contents, FileName};
use crate::discover::ScanId;
use crate::record::STATE;

/// Name of the cohort table, as messages give it.
pub const COHORT_TABLE: &str = "cohort.tsv";
/// Name of the cohort's page, as messages give it.
pub const COHORT_PAGE: &str = "cohort.html";
/// Name of the folder of what reviewers wrote.
pub const REVIEW: &str = "review";
/// Name of the folder of what `keepstill thresholds` writes.
pub const THRESHOLDS: &str = "thresholds";
/// Name of the folder of what `keepstill stack` writes.
pub const STACK: &str = "stack";
/// Name of the folder of results under other settings.
pub const TRIES: &str = "tries";

/// Folder of a scan's or child's files, relative to the results folder.
#[must_use]
pub fn folder(participant: &str, session: Option<&str>) -> String {
    match session {
        Some(session) => format!("sub-{participant}/ses-{session}/func"),
        None => format!("sub-{participant}/func"),
    }
}

/// Path of one of a scan's files, relative to the results folder.
#[must_use]
pub fn scan_file(id: &ScanId, contents: Contents<'_>) -> String {
    file(&folder(&id.participant, id.session.as_deref()), &id.to_string(), contents)
}

/// Path of a file of a scan or a child, relative to the results folder as its own folder is.
#[must_use]
pub fn file(folder: &str, stem: &str, contents: Contents<'_>) -> String {
    format!("{folder}/{}", FileName { stem, contents })
}

/// The results folder and the place of every file in it.
#[derive(Debug, Clone, Copy)]
pub struct Layout<'a> {
    results: &'a Path,
}

impl<'a> Layout<'a> {
    #[must_use]
    pub fn new(results: &'a Path) -> Self {
        Self { results }
    }

    /// One row per child and session.
    #[must_use]
    pub fn cohort_table(&self) -> PathBuf {
        self.results.join(COHORT_TABLE)
    }

    /// What the cohort table's columns mean.
    #[must_use]
    pub fn cohort_dictionary(&self) -> PathBuf {
        self.results.join("cohort.json")
    }

    #[must_use]
    pub fn cohort_page(&self) -> PathBuf {
        self.results.join(COHORT_PAGE)
    }

    /// What marks the folder as a dataset, and as ours.
    #[must_use]
    pub fn dataset_description(&self) -> PathBuf {
        self.results.join("dataset_description.json")
    }

    #[must_use]
    pub fn run_log(&self) -> PathBuf {
        self.results.join("run-log.jsonl")
    }

    /// Folder of a child's files, or of a scan's; labels without `sub-` and `ses-`.
    #[must_use]
    pub fn folder(&self, participant: &str, session: Option<&str>) -> PathBuf {
        self.results.join(folder(participant, session))
    }

    /// A file of a scan or a child, in its folder relative to the results folder.
    #[must_use]
    pub fn file(&self, folder: &str, stem: &str, contents: Contents<'_>) -> PathBuf {
        self.results.join(file(folder, stem, contents))
    }

    /// Digests, records and receipts.
    #[must_use]
    pub fn state(&self) -> PathBuf {
        self.results.join(STATE)
    }

    /// The study that the results are of, by its name and its scans' names.
    #[must_use]
    pub fn owner(&self) -> PathBuf {
        self.state().join("study.json")
    }

    /// A finished scan's record, by the scan's stem.
    #[must_use]
    pub fn record(&self, stem: &str) -> PathBuf {
        self.state().join("scans").join(format!("{stem}.npz"))
    }

    /// Why a scan failed, by the scan's stem.
    #[must_use]
    pub fn failure(&self, stem: &str) -> PathBuf {
        self.state().join("failed").join(format!("{stem}.json"))
    }

    /// A finished child's receipt, by the child's stem.
    #[must_use]
    pub fn receipt(&self, stem: &str) -> PathBuf {
        self.state().join("children").join(format!("{stem}.json"))
    }

    /// Every decision of reviewers, one per line.
    #[must_use]
    pub fn decisions(&self) -> PathBuf {
        self.results.join(REVIEW).join("decisions.tsv")
    }

    /// The reasons that reviewers choose from.
    #[must_use]
    pub fn reasons(&self) -> PathBuf {
        self.results.join(REVIEW).join("reasons.txt")
    }

    /// Who has seen group, sex and age.
    #[must_use]
    pub fn unhidden(&self) -> PathBuf {
        self.results.join(REVIEW).join("unhidden.tsv")
    }

    /// What other limits of displacement would keep.
    #[must_use]
    pub fn thresholds(&self) -> PathBuf {
        self.results.join(THRESHOLDS)
    }

    /// The children as arrays, and what follows from them.
    #[must_use]
    pub fn stack(&self) -> PathBuf {
        self.results.join(STACK)
    }

    /// The results folders of all tries.
    #[must_use]
    pub fn attempts(&self) -> PathBuf {
        self.results.join(TRIES)
    }

    /// The results folder of a try.
    #[must_use]
    pub fn attempt(&self, name: &str) -> PathBuf {
        self.attempts().join(name)
    }

    /// The tries side by side.
    #[must_use]
    pub fn tries_table(&self) -> PathBuf {
        self.results.join("tries.tsv")
    }

    /// The same for machines.
    #[must_use]
    pub fn tries_json(&self) -> PathBuf {
        self.results.join("tries.json")
    }
}
