//! What to know of a test before using it: who is not in it, what its rows are, what its model lacks.

use super::super::found::Found;
use super::super::stream::has_z;
use super::Test;
use crate::group::edge_tests::EdgeFits;
use crate::group::formula::{Design, Formula};

/// The cohort's columns of motion.
const MOTION: [&str; 3] = ["mean_fd_mm", "mean_fd_kept_mm", "max_fd_mm"];
/// With fewer permutations no p is below 0.05: the smallest is 1/(count + 1).
const FEWEST: usize = 20;

/// Notes of the model; `matched`: whether groups were matched in motion.
pub(super) fn before(
    wanted: &Test,
    formula: &Formula,
    design: &Design,
    found: &Found,
    permuted: bool,
    matched: bool,
) -> Vec<String> {
    let mut notes = Vec::new();
    let left_out = design.left_out.len();
    if left_out > 0 {
        notes.push(format!("{left_out} of the stack not in the test: empty cells (see test.json)"));
        if matched {
            notes.push(
                "groups were matched in motion with the children who are not in the test, so that in the test the match need \
                 not hold; fill the empty cells, or leave these children out with --where, and match again"
                    .to_owned(),
            );
        }
    }
    let mut participants: Vec<&str> = design.rows.iter().map(|&row| found.children[row].ids[0].as_str()).collect();
    let rows = participants.len();
    participants.sort_unstable();
    participants.dedup();
    if participants.len() < rows {
        notes.push(format!(
            "the test takes {rows} rows of {} children as independent, which sessions and runs of one child are not; \
             choose one row a child with --where",
            participants.len()
        ));
    }
    let in_model = |column: &&str| formula.variables.iter().any(|variable| variable.column == *column);
    if !matched && !formula.terms.is_empty() && !MOTION.iter().any(in_model) {
        notes.push(
            "there is no motion in the model: children who move differently differ in connectivity, whatever else they differ \
             in; put mean_fd_mm into the formula, or match groups (--match motion)"
                .to_owned(),
        );
    }
    if permuted && wanted.permutations < FEWEST {
        notes.push(format!(
            "of {} permutations the smallest family-wise p is {:.3}, and none can be below 0.05; ask for more, such as 1000",
            wanted.permutations,
            1.0 / (1.0 + wanted.permutations as f64)
        ));
    }
    let untested: Vec<&str> =
        found.kinds.iter().map(|kind| kind.measure.as_str()).filter(|measure| !has_z(measure)).collect();
    if let Some(measure) = untested.first() {
        notes.push(format!("{measure} is no correlation and is not tested"));
    }
    notes
}

/// A note where children who have an edge do not determine every coefficient.
pub(super) fn in_part(name: &str, fits: &EdgeFits) -> Option<String> {
    let count = edges_in_part(fits);
    (count > 0).then(|| {
        format!(
            "{name}: on {count} of {} edges the children who have them do not determine every coefficient (n/a in the table); \
             test.json says how many edges were tested for each",
            fits.dof.len()
        )
    })
}

/// How many edges have some coefficients, but not all.
pub(super) fn edges_in_part(fits: &EdgeFits) -> usize {
    let columns = fits.coefficients.columns();
    columns.into_iter().zip(&fits.dof).filter(|(column, dof)| **dof > 0 && column.iter().any(|v| v.is_nan())).count()
}
