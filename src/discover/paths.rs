//! Paths that a study names.

use std::path::{Component, Path, PathBuf};

use super::problem::ScanProblem;

/// A full path without `.` and `..`, by its letters alone.
pub(super) fn tidy(path: &Path) -> PathBuf {
    let mut tidy = PathBuf::new();
    for component in std::path::absolute(path).unwrap_or_else(|_| path.to_owned()).components() {
        match component {
            Component::CurDir => {}
            Component::ParentDir => {
                tidy.pop();
            }
            other => tidy.push(other),
        }
    }
    tidy
}

/// What is wrong with a named file, if anything; `named_in` says where the name stands.
pub(super) fn check_file(what: &'static str, path: &Path, named_in: impl FnOnce() -> String) -> Option<ScanProblem> {
    let path_buf = || path.to_owned();
    match std::fs::metadata(path) {
        Ok(about) if about.is_dir() => Some(ScanProblem::IsFolder { what, path: path_buf() }),
        Ok(_) => None,
        Err(_) if std::fs::symlink_metadata(path).is_ok() => Some(ScanProblem::DeadLink { what, path: path_buf() }),
        Err(_) => Some(ScanProblem::NoFile { what, path: path_buf(), named_in: named_in() }),
    }
}
