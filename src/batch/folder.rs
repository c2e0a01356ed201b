//! The results folder: a run's own, held by one run at a time.

use std::fs::{self, File};
use std::path::Path;

use super::error::BatchError;
use super::owner::Owner;
use crate::discover::Cohort;
use crate::record::lock::{PATIENCE, lock_results};
use crate::results::Layout;
use crate::study::Study;

/// Results are swept and written over, so their folder must hold nothing else.
///
/// # Errors
/// When it is a file, another program's dataset, another study's folder, or holds inputs of the study.
pub fn require_own_folder(study: &Study, cohort: &Cohort) -> Result<(), BatchError> {
    let results = &study.results;
    if results.is_file() {
        return Err(BatchError::NotAFolder { path: results.clone() });
    }
    let made_by = |path: &Path| -> Option<bool> {
        let description: serde_json::Value = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
        let tools = description["GeneratedBy"].as_array();
        Some(tools.is_some_and(|tools| tools.iter().any(|tool| tool["Name"] == "keepstill")))
    };
    if made_by(&Layout::new(results).dataset_description()) == Some(false) {
        return Err(BatchError::NotOurs { path: results.clone() });
    }
    if let Some(owner) = Owner::read(results) {
        owner.require(&Owner::of(study, cohort), results)?;
    }
    let Ok(real) = results.canonicalize() else { return Ok(()) };
    for scan in &cohort.scans {
        for input in scan.files() {
            if input.canonicalize().is_ok_and(|file| file.starts_with(&real)) {
                return Err(BatchError::HoldsInputs { path: results.clone(), input: input.to_owned() });
            }
        }
    }
    Ok(())
}

/// Holds a results folder until the file is dropped.
pub(super) fn lock(results: &Path) -> Result<File, BatchError> {
    lock_results(results, PATIENCE)?.ok_or_else(|| BatchError::Locked { path: results.to_owned() })
}
