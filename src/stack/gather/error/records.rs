//! Why the series behind a matrix cannot be read.

use std::path::PathBuf;

use crate::linalg::LinalgError;
use crate::record::RecordError;
use crate::results::ReportError;

/// Why the series behind a matrix cannot be read.
#[derive(Debug, thiserror::Error)]
pub enum RunsError {
    #[error("{}: cannot read: {}; do `keepstill run` again to write it anew", source.path().display(), source.reason())]
    Report { source: ReportError },
    #[error("{}: the report says that the run {stem} was joined, but has no row for it; do `keepstill run` again to \
             write it anew", path.display())]
    NoRow { path: PathBuf, stem: String },
    #[error("{}: the joined run {stem} has no repetition time; do `keepstill run` again to write it anew",
        path.display())]
    NoTime { path: PathBuf, stem: String },
    #[error("{}: there is no record of this run, whose frames are needed here; do `keepstill run` again to write it \
             anew",
        path.display())]
    NoRecord { path: PathBuf },
    #[error("{source}; do `keepstill run` again to write it anew")]
    Record { source: RecordError },
    #[error("{}: the record does not belong to {}; do `keepstill run` again, then stack again",
        path.display(), report.display())]
    OtherResults { path: PathBuf, report: PathBuf },
    #[error("{}: the record has {found} parcels of atlas {atlas}, expected {expected} as in {}; do `keepstill run` \
             again, then stack again",
        path.display(), like.display())]
    Parcels { path: PathBuf, atlas: String, found: usize, expected: usize, like: PathBuf },
    #[error("{stem}: {source}")]
    Linalg { stem: String, source: LinalgError },
}
