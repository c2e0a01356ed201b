//! What can stop a synthetic cohort.

use std::io;
use std::path::{Path, PathBuf};

use crate::nifti::NiftiError;

/// What can stop a synthetic cohort.
#[derive(Debug, thiserror::Error)]
pub enum SynthError {
    /// A setting is out of range.
    #[error("synth: {name} is {given}, expected {expected}; give another value")]
    Setting { name: &'static str, given: String, expected: String },
    /// The folder has something in it.
    #[error(
        "{} exists and is not an empty folder, expected a new or empty one; give another folder or clear this one",
        .path.display()
    )]
    OutNotEmpty { path: PathBuf },
    /// The disk refused.
    #[error(
        "could not {action} {}: {source}; check the folder's permissions and free space, and start again",
        .path.display()
    )]
    Io { action: &'static str, path: PathBuf, source: io::Error },
    /// An image could not be written.
    #[error(transparent)]
    Image(#[from] NiftiError),
}

impl SynthError {
    pub(super) fn io(action: &'static str, path: &Path, source: io::Error) -> Self {
        Self::Io { action, path: path.to_owned(), source }
    }
}
