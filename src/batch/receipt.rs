//! What a finished child leaves on disk beside its files: what they were made from, and its row of the cohort's table.
//!
//! A child whose own files could not be made leaves a receipt too, with a fingerprint of its own kind: its row says
//! why, and the next run that is asked for the child does it again.

use std::fs;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};
use serde_json::json;

use crate::cohort::CohortRow;
use crate::pipeline::joined::Group;
use crate::record::files::{WriteError, write_whole};
use crate::remark::Remark;
use crate::results::Layout;
use crate::study::Study;

/// The version of [`Receipt`].
const FORMAT: u32 = 7;

/// What a child's own files were made from.
#[derive(Serialize, Deserialize)]
pub(super) struct Receipt {
    format: u32,
    /// Where the files could not be made, as [`not_made`] gives it.
    pub fingerprint: String,
    pub outputs: Vec<(String, u64)>,
    pub row: CohortRow,
}

impl Receipt {
    /// A receipt for files that were made.
    pub(super) fn new(fingerprint: String, outputs: Vec<(String, u64)>, row: CohortRow) -> Self {
        Self { format: FORMAT, fingerprint, outputs, row }
    }

    /// A receipt for a child whose files could not be made.
    pub(super) fn failed(fingerprint: &str, row: CohortRow) -> Self {
        Self::new(not_made(fingerprint), Vec::new(), row)
    }

    /// Writes the receipt; the files that it vouches for must be there.
    pub(super) fn write(&self, path: &Path) -> Result<(), WriteError> {
        write_whole(path, json!(self).to_string().as_bytes())
    }
}

/// The fingerprint of a child whose files could not be made: what they would have been made from, and that they were
/// not.
pub(super) fn not_made(fingerprint: &str) -> String {
    format!("not made:{fingerprint}")
}

/// Where a child's receipt lies.
pub(super) fn path(study: &Study, group: &Group) -> PathBuf {
    Layout::new(&study.results).receipt(&group.stem())
}

/// A receipt of this version; none when it is not there or cannot be read.
pub(super) fn read(path: &Path) -> Option<Receipt> {
    let receipt: Receipt = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
    (receipt.format == FORMAT).then_some(receipt)
}

/// What an earlier run noticed about a child beside others; nothing if there was none.
pub(super) fn noticed_beside(study: &Study, group: &Group) -> Vec<Remark> {
    read(&path(study, group)).map_or(Vec::new(), |receipt| receipt.row.beside)
}
