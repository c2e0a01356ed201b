//! `sub-XX/sub-XX_sessions.tsv` of a BIDS dataset: what differs between a child's sessions, such as its age (BIDS
//! specification, "Sessions file").
//!
//! A cell of a session's row stands in place of the participants table's cell of the same column; columns that only
//! these tables have are carried too.

use std::fs;
use std::path::Path;

use super::problem::CohortProblem;
use crate::tables::{TextTable, read_tsv};

/// The tables of the children who have one, by participant, without `sub-`, in the order of their names.
pub(super) fn tables(root: &Path, problems: &mut Vec<CohortProblem>) -> Vec<(String, TextTable)> {
    // A dataset that cannot be listed is told of where scans are looked for.
    let mut folders: Vec<String> = fs::read_dir(root)
        .into_iter()
        .flatten()
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .filter(|name| name.starts_with("sub-"))
        .collect();
    folders.sort();
    let mut found = Vec::new();
    for folder in folders {
        let path = root.join(&folder).join(format!("{folder}_sessions.tsv"));
        let Some(participant) = folder.strip_prefix("sub-").filter(|_| path.is_file()) else { continue };
        match read_tsv(&path) {
            Ok(table) => found.push((participant.to_owned(), table)),
            Err(error) => problems.push(error.into()),
        }
    }
    found
}

/// Names of the columns of all these tables but the session, each once.
pub(super) fn columns(tables: &[(String, TextTable)]) -> Vec<String> {
    let mut all: Vec<String> = Vec::new();
    for name in tables.iter().flat_map(|(_, table)| table.header.as_deref().unwrap_or_default()) {
        if name != "session_id" && !all.contains(name) {
            all.push(name.clone());
        }
    }
    all
}
