//! What to know about a test before using it: who is not in it, what its rows are, what is missing from its model.

use crate::group::edge_tests::EdgeFits;
use crate::group::formula::{Design, Formula};
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::request::TestRequest;
use crate::study::settings::Measure;

/// The cohort's columns of motion.
const MOTION: [&str; 3] = ["mean_fd_mm", "mean_fd_kept_mm", "max_fd_mm"];
/// With fewer permutations no p is below 0.05: the smallest is 1/(count + 1).
const FEWEST: usize = 20;

/// Notes of the model; `matched`: whether groups were matched in motion.
pub(super) fn before(
    wanted: &TestRequest,
    formula: &Formula,
    design: &Design,
    found: &GatheredChildren,
    permuted: bool,
    matched: bool,
) -> Vec<String> {
    let mut notes = Vec::new();
    let left_out = design.left_out.len();
    if left_out > 0 {
        notes.push(format!("not in the test because of empty cells: {left_out} of the stack (see test.json)"));
        if matched {
            notes.push(
                "groups were matched in motion with children who are not in the test, so the match need not hold in \
                 the test; fill the empty cells, or leave these children out with --where, and match again"
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
            "the test assumes that its {rows} rows are independent, but they are of {} children; \
             choose one row per child with --where",
            participants.len()
        ));
    }
    let in_model = |column: &&str| formula.variables.iter().any(|variable| variable.column == *column);
    if !matched && !formula.terms.is_empty() && !MOTION.iter().any(in_model) {
        notes.push(
            "there is no motion in the model: children who move differently differ in connectivity for that reason \
             alone; put mean_fd_mm into the formula, or match groups (--match motion)"
                .to_owned(),
        );
    }
    if permuted && wanted.permutations < FEWEST {
        notes.push(format!(
            "with {} permutations the smallest possible family-wise p is {:.3}, so none can be below 0.05; ask for \
             more, such as 1000",
            wanted.permutations,
            1.0 / (1.0 + wanted.permutations as f64)
        ));
    }
    let untested: Option<Measure> =
        found.kinds.iter().map(|kind| kind.measure).find(|measure| !measure.is_correlation());
    if let Some(measure) = untested {
        notes.push(format!("{} is not a correlation and is not tested", measure.key()));
    }
    notes
}

/// A note where children who have an edge do not determine every coefficient.
pub(super) fn in_part(name: &str, fits: &EdgeFits) -> Option<String> {
    let count = edges_in_part(fits);
    (count > 0).then(|| {
        format!(
            "{name}: on {count} of {} edges the children who have the edge do not determine every coefficient (n/a in \
             the table); test.json says how many edges were tested for each coefficient",
            fits.dof.len()
        )
    })
}

/// How many edges have some coefficients, but not all.
pub(super) fn edges_in_part(fits: &EdgeFits) -> usize {
    let columns = fits.coefficients.columns();
    columns.into_iter().zip(&fits.dof).filter(|(column, dof)| **dof > 0 && column.iter().any(|v| v.is_nan())).count()
}
