//! What can be wrong with gzip data.

use std::io;

use thiserror::Error;

/// What can be wrong with a stream of bytes; the caller adds which file it was.
#[derive(Debug, Error)]
pub(crate) enum Fault {
    #[error("{0}")]
    Io(#[from] io::Error),
    #[error("not gzip data")]
    NotGzip,
    #[error("the compressed data end early")]
    Truncated,
    #[error("the compressed data are damaged")]
    Damaged,
    #[error("the checksum does not match")]
    Checksum,
    #[error("other bytes follow the compressed data")]
    Trailing,
}
