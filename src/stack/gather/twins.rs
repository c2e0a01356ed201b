//! The same image in several results folders: one scan that would count twice.
//!
//! Within a folder `keepstill run` looks for that itself. Between folders nobody has looked yet, so the digests of
//! images are compared, which each child's report has.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::children::{Child, GatheredChildren};
use super::error::{RunsError, StackError};
use super::folders::Folders;
use crate::results::Report;
use crate::tables::counted;

/// The image's role among a run's inputs.
const IMAGE: &str = "bold";

/// What to know of rows of different results folders that share an image.
pub(crate) fn note(results: &Folders, found: &GatheredChildren) -> Result<Option<String>, StackError> {
    if !results.are_several() {
        return Ok(None);
    }
    let images = |child: &Child| -> Result<Vec<String>, StackError> {
        let report = Report::read(&child.report(results)).map_err(|source| RunsError::Report { source })?;
        Ok(report.runs.iter().filter_map(|run| run.inputs.get(IMAGE).cloned()).collect())
    };
    // If there are several errors, the first child's is returned, whichever thread was faster.
    let read: Vec<Result<Vec<String>, StackError>> = found.children.par_iter().map(images).collect();
    let mut first: BTreeMap<String, &Child> = BTreeMap::new();
    let mut pairs: BTreeSet<(usize, &str, &str)> = BTreeSet::new();
    for (child, images) in found.children.iter().zip(read) {
        for image in images? {
            let one = *first.entry(image).or_insert(child);
            if one.results != child.results {
                pairs.insert((one.row, &one.stem, &child.stem));
            }
        }
    }
    Ok(pairs.first().map(|(_, one, other)| {
        let (pairs, are) = (counted(pairs.len(), "pair", "pairs"), if pairs.len() == 1 { "is" } else { "are" });
        format!(
            "{pairs} of rows in different results folders {are} made from the same image, such as {one} and {other}: \
             one scan counts twice; leave one of the rows out with --where"
        )
    }))
}
