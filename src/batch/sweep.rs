//! Removes stale results: those of a scan that is done again or now fails, and those of runs, atlases, measures and
//! joinings that the study no longer has. It goes by file names alone, so that nothing stale stays when records are
//! lost or a run was killed in between.

use std::fs;
use std::io::ErrorKind;
use std::path::Path;

use super::plan::GroupPlan;
use crate::record::files::WriteError;
use crate::results::{FileName, Layout};
use crate::study::Study;

/// The scan's stem, if a file of this name is one of a scan's own.
fn scan_stem(name: &str) -> Option<&str> {
    FileName::parse(name).filter(FileName::of_scan).map(|file| file.stem)
}

/// The child's stem, if a file of this name is one of a child's joined results.
fn child_stem(name: &str) -> Option<&str> {
    FileName::parse(name).filter(|file| !file.of_scan()).map(|file| file.stem)
}

/// Removes every file of a scan, whatever atlases it was done with. `folder` is relative to the results folder.
pub(super) fn scan(study: &Study, folder: &str, stem: &str) -> Result<(), WriteError> {
    remove(&study.results.join(folder), |name| scan_stem(name) == Some(stem))
}

/// Removes a child's joined results, except those just written. `folder` is relative to the results folder.
pub(super) fn child(study: &Study, folder: &str, stem: &str, written: &[(String, u64)]) -> Result<(), WriteError> {
    remove(&study.results.join(folder), |name| {
        let path = format!("{folder}/{name}");
        child_stem(name) == Some(stem) && !written.iter().any(|(kept, _)| *kept == path)
    })
}

/// Removes, in the folders of the study's children, results of runs and joinings that the study does not have. Children
/// who are not in the study keep their folders: another study file may own them.
pub(super) fn strays(study: &Study, groups: &[GroupPlan]) -> Result<(), WriteError> {
    for plan in groups {
        let of_child: Vec<&GroupPlan> =
            groups.iter().filter(|other| other.group.participant == plan.group.participant).collect();
        let stray = |name: &str| match (scan_stem(name), child_stem(name)) {
            (Some(stem), _) => !of_child.iter().any(|g| g.scans.iter().any(|scan| scan.id.to_string() == stem)),
            (None, Some(stem)) => !of_child.iter().any(|g| g.group.stem() == stem),
            (None, None) => false,
        };
        remove(&Layout::new(&study.results).folder(&plan.group.participant, None), stray)?;
        let child = study.results.join(format!("sub-{}", plan.group.participant));
        for session in entries(&child)?.into_iter().filter(|name| name.starts_with("ses-")) {
            remove(&child.join(session).join("func"), stray)?;
        }
    }
    Ok(())
}

/// Removes the files of a folder whose names are chosen; a folder that is not there holds none.
fn remove(folder: &Path, chosen: impl Fn(&str) -> bool) -> Result<(), WriteError> {
    for name in entries(folder)?.into_iter().filter(|name| chosen(name)) {
        let path = folder.join(name);
        fs::remove_file(&path).map_err(|source| WriteError { path, source })?;
    }
    Ok(())
}

fn entries(folder: &Path) -> Result<Vec<String>, WriteError> {
    let fail = |source| WriteError { path: folder.to_owned(), source };
    let listed = match fs::read_dir(folder) {
        Err(error) if error.kind() == ErrorKind::NotFound => return Ok(Vec::new()),
        listed => listed.map_err(fail)?,
    };
    listed.map(|entry| Ok(entry.map_err(fail)?.file_name().to_string_lossy().into_owned())).collect()
}
