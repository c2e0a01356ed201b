//! Watch logs and confounds tables, by their names and what stands in them.

use std::path::Path;

use super::files::words;
use crate::tables::{TextTable, read_numeric, read_tsv};

/// How the words of a watch log begin: what a child does in the scanner, or who watches notes (own convention).
const WATCHED: [&str; 13] =
    ["arous", "awake", "cough", "cry", "eye", "fuss", "mov", "nois", "sigh", "startl", "stir", "talk", "wak"];
/// Larger tables are not opened, bytes.
const LARGEST: u64 = 4 * 1024 * 1024;

/// What the `trial_type` cells of an events file are.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct WatchLog {
    /// Those that a watch log would have, each once.
    pub watched: Vec<String>,
    /// Whether there are others too.
    pub others: bool,
}

/// A file of events that may be a watch log.
pub(super) fn watch_log(path: &Path) -> Option<WatchLog> {
    let name = path.file_name()?.to_str()?;
    if !(name.ends_with(".tsv") && (words(name).iter().any(|word| word == "events" || word.starts_with("watch")))) {
        return None;
    }
    let table = small(path).then(|| read_tsv(path).ok())??;
    let column = table.column("trial_type").filter(|_| table.column("onset").is_some())?;
    let mut found = WatchLog { watched: Vec::new(), others: false };
    for row in &table.rows {
        let cell = &row.cells[column];
        if !words(cell).iter().any(|word| WATCHED.iter().any(|start| word.starts_with(start))) {
            found.others = true;
        } else if !found.watched.contains(cell) {
            found.watched.push(cell.clone());
        }
    }
    found.watched.sort();
    (!found.watched.is_empty()).then_some(found)
}

/// A table of confounds with named columns and as many rows as the run has frames.
pub(super) fn confounds(path: &Path, frames: Option<usize>) -> Option<TextTable> {
    let name = path.file_name()?.to_str()?.to_ascii_lowercase();
    if !["confound", "regressor", "nuisance"].iter().any(|word| name.contains(word)) || !name.ends_with(".tsv") {
        return None;
    }
    let table = small(path).then(|| read_numeric(path).ok())??;
    let fits = frames.is_none_or(|frames| table.rows.len() == frames);
    (table.header.is_some() && fits).then_some(table)
}

fn small(path: &Path) -> bool {
    std::fs::metadata(path).is_ok_and(|data| data.len() <= LARGEST)
}
