//! What `keepstill run` can be asked for.

use std::path::PathBuf;

/// How a run is to be done.
#[derive(Debug, Clone)]
pub struct Options {
    /// Scans at once, at least 1.
    pub jobs: usize,
    /// Only these children (labels without `sub-`); empty: all.
    pub only: Vec<String>,
    /// Do everything again.
    pub redo: bool,
    /// Hash inputs again instead of trusting size and modification time.
    pub verify: bool,
    /// Part M of N of the children, counted from 1.
    pub part: Option<(usize, usize)>,
    /// Results folder whose digests serve, also under `redo`; it must be there. None: the study's own.
    pub digests_of: Option<PathBuf>,
    /// Bytes that the whole run may use; none: 80 % of what the machine or its control group has free.
    pub memory_bytes: Option<u64>,
}
