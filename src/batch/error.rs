//! Why a run could not do anything at all.

use std::path::PathBuf;

use crate::atlas::AtlasError;
use crate::record::files::WriteError;
use crate::record::lock::LockError;
use crate::tables::counted;

/// Why nothing could be done.
#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    #[error("{}: another run is at work in this results folder; wait for it to end, or give another `results` in the \
             study file", path.display())]
    Locked { path: PathBuf },
    #[error("{}: is a file, where the results folder should be; give another `results` in the study file",
        path.display())]
    NotAFolder { path: PathBuf },
    #[error(transparent)]
    Lock(#[from] LockError),
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Atlases(Vec<AtlasError>),
    #[error("{}: the results folder holds a dataset that keepstill did not make; give another `results` in the study \
             file",
        path.display())]
    NotOurs { path: PathBuf },
    #[error("{}: the results folder holds inputs of the study, such as {}; give another `results` in the study file",
        path.display(), input.display())]
    HoldsInputs { path: PathBuf, input: PathBuf },
    #[error(
        "{}: the results folder is of the study \"{name}\" ({}), and the study \"{now}\" has {} of these; give another \
         `results` in the study file, or remove the folder if its results are no longer wanted",
        path.display(), counted(*scans, "scan", "scans"),
        if *shared == 0 { "none".to_owned() } else { shared.to_string() }
    )]
    OfAnotherStudy { path: PathBuf, name: String, scans: usize, now: String, shared: usize },
    #[error("--only {label}: the study has no such child; it has {known}")]
    NoSuchChild { label: String, known: String },
    #[error("cannot start {jobs} threads: {message}")]
    Threads { jobs: usize, message: String },
}
