//! What the pipeline asks of its surroundings: digests of earlier runs, and permission to open an image.

use super::error::ScanError;
use super::prepared::Prepared;
use crate::record::RecordError;
use crate::record::digests::ScanReading;

/// How an image is read; the digest is the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Unpacking and sums take turns in one thread.
    InTurn,
    /// Unpacking runs ahead in a thread of its own.
    Ahead,
}

/// Where digests of earlier runs are found and new ones are kept.
pub trait DigestStore {
    /// The digest of a scan whose image, masks and atlases are as they were; none: the image must be read.
    fn find(&self, prepared: &Prepared) -> Option<ScanReading>;
    /// The image is about to be opened, and how; waits until there is memory for it.
    ///
    /// # Errors
    /// [`ScanError::TooBig`], or a stop while waiting.
    fn opening(&self, prepared: &Prepared) -> Result<Reading, ScanError>;
    /// Keeps a digest that was just made.
    ///
    /// # Errors
    /// When it cannot be written.
    fn keep(&self, prepared: &Prepared, reading: &ScanReading) -> Result<(), RecordError>;
}
