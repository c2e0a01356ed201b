//! Why a record cannot be used or made.

use std::path::PathBuf;

use super::files::WriteError;

/// Why a record cannot be used; the scan is then done again.
#[derive(Debug, thiserror::Error)]
pub enum RecordError {
    #[error("{}: cannot read the record: {message}", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: the record has format {found}, this version reads {expected}", path.display())]
    Format { path: PathBuf, found: u32, expected: u32 },
    #[error("{}: the record's checksum does not fit its contents", path.display())]
    Checksum { path: PathBuf },
    #[error("{}: cannot make the record: {message}", path.display())]
    Unwritable { path: PathBuf, message: String },
    #[error(transparent)]
    Write(#[from] WriteError),
}
