//! What all requests share.

use std::collections::HashSet;
use std::path::PathBuf;
use std::sync::{Mutex, MutexGuard};

use super::cohort::CohortCache;
use super::guard::Guard;
use super::keeper::Keeper;

/// Everything that requests share.
pub(super) struct Shared {
    pub results: PathBuf,
    pub guard: Guard,
    /// Writes must carry it, and only our own pages know it.
    pub token: String,
    pub cohort: CohortCache,
    /// Only one request writes at a time.
    pub writer: Mutex<()>,
    /// Keys of pages that show what blinding hides.
    pub keys: Mutex<HashSet<String>>,
    pub keeper: Keeper,
}

impl Shared {
    pub(super) fn write(&self) -> MutexGuard<'_, ()> {
        self.writer.lock().unwrap_or_else(|e| e.into_inner())
    }

    pub(super) fn keys(&self) -> MutexGuard<'_, HashSet<String>> {
        self.keys.lock().unwrap_or_else(|e| e.into_inner())
    }
}
