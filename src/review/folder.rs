//! Why a results folder cannot be reviewed, in words.

use std::io;
use std::path::{Path, PathBuf};

/// Why a file of the results folder cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum FolderError {
    #[error("{}: there is no such folder; name the results folder of a study", results.display())]
    NoFolder { results: PathBuf },
    #[error("{}: is a file; name the results folder of a study", results.display())]
    IsFile { results: PathBuf },
    #[error("{}: is not there, but {} has results; name that folder", path.display(), meant.display())]
    Meant { path: PathBuf, meant: PathBuf },
    #[error("{}: is not there; run the study first (keepstill run STUDY)", path.display())]
    NotRun { path: PathBuf },
    #[error("{}: cannot read: {source}; check its permissions", path.display())]
    Read { path: PathBuf, source: io::Error },
}

impl FolderError {
    /// From the error that reading this file gave, in words for the person who named the folder.
    pub(super) fn of(results: &Path, name: &str, source: io::Error) -> Self {
        let path = results.join(name);
        // Results are often in a folder of this name inside the study's folder.
        let inside = results.join("results");
        if results.is_file() {
            Self::IsFile { results: results.to_owned() }
        } else if !results.is_dir() {
            Self::NoFolder { results: results.to_owned() }
        } else if source.kind() != io::ErrorKind::NotFound {
            Self::Read { path, source }
        } else if inside.join(name).is_file() {
            Self::Meant { path, meant: inside }
        } else {
            Self::NotRun { path }
        }
    }

    /// Whether something is missing, rather than unreadable.
    #[cfg(feature = "review")]
    pub(super) fn is_absence(&self) -> bool {
        !matches!(self, Self::Read { .. })
    }
}
