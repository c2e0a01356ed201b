//! The last room: evidence for and against the result of a group analysis, worked out on the children in the stack.
//!
//! ```text
//! the stack ─► --reliability, --standard-errors   (reliability, standard_errors)   from the runs' records
//!           ─► --reliability of several sessions  (sessions)                   from the stacked edges
//!           ─► --test                             (edge_tests)                     from the stacked edges
//! ```
//!
//! All work on the frames that are in the stack: with `--equal-minutes` on the frames that were chosen.

pub(super) mod edge_tests;
mod reliability;
mod sessions;
mod standard_errors;

use serde_json::Value;

use crate::stack::arrays::whole::Whole;
use crate::stack::gather::adjust::Adjusted;
use crate::stack::gather::error::StackError;
use crate::stack::gather::request::StackRequest;
use crate::stack::gather::work::Work;
use edge_tests::prepared::PreparedTest;

/// Writes the files that were asked for under unfinished names; `sampling` is 1/(dof − 2) of each child, `sites` their
/// effects on each kind of matrices. Returns what `stack.json` says of them, by key.
pub(super) fn write(
    work: &Work<'_>,
    request: &StackRequest,
    test: Option<&PreparedTest>,
    sampling: &[f64],
    sites: &[Option<Adjusted>],
    files: &mut Vec<Whole>,
) -> Result<Vec<(&'static str, Value)>, StackError> {
    let further = &request.further;
    let mut about = Vec::new();
    if further.reliability {
        about.push(("reliability", reliability::write(work, files)?));
        about.extend(sessions::write(work, files)?.map(|told| ("sessions", told)));
    }
    if let Some(wanted) = &further.standard_errors {
        about.push(("standard_errors", standard_errors::write(work, wanted, &request.formats, files)?));
    }
    if let Some(test) = test {
        about.push(("test", edge_tests::write(work, test, request.weights, sampling, sites, files)?));
    }
    Ok(about)
}

/// The notes in what [`write()`] returned of one key.
pub(super) fn notes(about: &Value) -> Vec<String> {
    let notes = about["notes"].as_array().map(Vec::as_slice).unwrap_or_default();
    notes.iter().filter_map(|note| note.as_str().map(str::to_owned)).collect()
}
