//! Whose results a folder holds: it remembers its study by name and by the names of its scans, and no path.
//!
//! A study is another one if nothing that the folder knows is in it any more, or if its name has changed and scans of
//! the folder are missing from it. So scans may come, go and be corrected under one name, and a study whose scans are
//! all still there may be renamed. Both at once cannot be told from another study.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::json;

use super::error::BatchError;
use crate::discover::Cohort;
use crate::record::files::{WriteError, write_whole};
use crate::results::Layout;
use crate::study::Study;

/// The version of [`Owner`].
const FORMAT: u32 = 1;

/// The study of a results folder.
#[derive(Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Owner {
    format: u32,
    pub name: String,
    scans: BTreeSet<String>,
}

impl Owner {
    /// The study as it is now.
    pub(super) fn of(study: &Study, cohort: &Cohort) -> Self {
        let scans = cohort.scans.iter().map(|scan| scan.id.to_string()).collect();
        Self { format: FORMAT, name: study.name.clone(), scans }
    }

    /// The study that last had the folder; none where nothing is known.
    pub(super) fn read(results: &Path) -> Option<Self> {
        let owner: Self = serde_json::from_slice(&fs::read(Layout::new(results).owner()).ok()?).ok()?;
        (owner.format == FORMAT && !owner.scans.is_empty()).then_some(owner)
    }

    pub(super) fn write(&self, results: &Path) -> Result<(), WriteError> {
        write_whole(&Layout::new(results).owner(), json!(self).to_string().as_bytes())
    }

    /// Refuses a study that is not this one.
    pub(super) fn require(&self, now: &Self, results: &Path) -> Result<(), BatchError> {
        let shared = self.scans.intersection(&now.scans).count();
        let another = if self.name == now.name { shared == 0 } else { shared < self.scans.len() };
        if !another {
            return Ok(());
        }
        Err(BatchError::OfAnotherStudy {
            path: results.to_owned(),
            name: self.name.clone(),
            scans: self.scans.len(),
            now: now.name.clone(),
            shared,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn study(name: &str, scans: &[&str]) -> Owner {
        let scans = scans.iter().map(|scan| (*scan).to_owned()).collect();
        Owner { format: FORMAT, name: name.to_owned(), scans }
    }

    #[test]
    fn what_counts_as_another_study() {
        let first = study("naps", &["sub-1", "sub-2", "sub-3"]);
        let taken = |now: &Owner| first.require(now, Path::new("results")).is_ok();
        assert!(taken(&first));
        assert!(taken(&study("naps", &["sub-3", "sub-4"])), "scans came and went");
        assert!(taken(&study("dreams", &["sub-1", "sub-2", "sub-3"])), "renamed");
        assert!(taken(&study("dreams", &["sub-1", "sub-2", "sub-3", "sub-4"])), "renamed, and a scan came");
        assert!(!taken(&study("dreams", &["sub-1", "sub-2", "sub-4"])), "another name, and a scan is gone");
        assert!(!taken(&study("naps", &["sub-4"])), "the same name, but no scan in common");
        assert!(!taken(&study("dreams", &["sub-4"])));
    }
}
