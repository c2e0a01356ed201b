//! What to know about a test before using it: who is not in it, what its rows are, what is missing from its model.

use std::collections::BTreeSet;

use super::least::least;
use crate::group::edge_tests::EdgeFits;
use crate::group::exchange::{Blocks, Exchange};
use crate::group::formula::{Design, Formula, Response};
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
    blocks: &Blocks,
    permuted: &[(usize, Exchange)],
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
    notes.extend(in_blocks(blocks));
    let in_model = |column: &&str| formula.variables.iter().any(|variable| variable.column == *column);
    if !matched && !formula.terms.is_empty() && !MOTION.iter().any(in_model) {
        notes.push(
            "there is no motion in the model: children who move differently differ in connectivity for that reason \
             alone; put mean_fd_mm into the formula, or match groups (--match motion)"
                .to_owned(),
        );
    }
    notes.extend(few_orders(design, permuted));
    if !permuted.is_empty() && wanted.permutations < FEWEST {
        notes.push(format!(
            "with {} permutations the smallest possible family-wise p is {:.3}, so none can be below 0.05; ask for \
             more, such as 1000",
            wanted.permutations,
            1.0 / (1.0 + wanted.permutations as f64)
        ));
    }
    notes.extend(untested(formula.response, found));
    notes
}

/// Measures in the stack that the formula is not about.
fn untested(response: Response, found: &GatheredChildren) -> Option<String> {
    let others = found.kinds.iter().map(|kind| kind.measure).filter(|&measure| !response.is_of(measure));
    let others: BTreeSet<&str> = others.map(Measure::key).collect();
    let others: Vec<&str> = others.into_iter().collect();
    match (response, others.as_slice()) {
        (_, []) => None,
        (Response::Covariance, [one]) => {
            Some(format!("{one} is a correlation and is not tested; test it with \"z ~ …\""))
        }
        (Response::Covariance, several) => {
            Some(format!("{} are correlations and are not tested; test them with \"z ~ …\"", several.join(", ")))
        }
        (_, others) => Some(format!(
            "{} is not a correlation and is not tested; test it with \"covariance ~ …\"",
            others.join(", ")
        )),
    }
}

/// What the rows are, where they are not one per child, or not independent.
fn in_blocks(blocks: &Blocks) -> Option<String> {
    if blocks.are_single() {
        return None;
    }
    Some(format!(
        "the test has {} rows of {} children in {} blocks that are independent of each other; standard errors, t, p \
         and q take that into account (docs/stack.md)",
        blocks.rows(),
        blocks.children(),
        blocks.count()
    ))
}

/// A note for each coefficient whose rows have few different orders.
fn few_orders(design: &Design, permuted: &[(usize, Exchange)]) -> Vec<String> {
    let few = permuted.iter().filter(|(_, exchange)| exchange.orders() < FEWEST as f64);
    let note = |(coefficient, exchange): &(usize, Exchange)| {
        format!(
            "{}: the rows that may be exchanged have only {} different orders, so no family-wise p is below 0.05",
            design.names[*coefficient],
            exchange.orders()
        )
    };
    few.map(note).collect()
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

/// A note where too few children have some edges.
pub(super) fn few(name: &str, edges: usize, children: usize) -> Option<String> {
    (edges > 0).then(|| {
        format!(
            "{name}: {edges} edges are not tested, because fewer than {} of the {children} children in the test have \
             them",
            least(children)
        )
    })
}

/// A family of less than this share of the edges gets a note (own convention).
const SMALL_FAMILY: f64 = 0.9;

/// A note where family-wise p is of a part of the edges.
pub(super) fn small_family(name: &str, edges: usize, family: usize) -> Option<String> {
    ((family as f64) < SMALL_FAMILY * edges as f64).then(|| {
        format!(
            "{name}: family-wise p is of {family} of {edges} edges, those that every child in the test has, and is \
             corrected for these alone; the others have t, p and q; leave out parcels (--missing drop-parcel) or \
             children (--missing drop-child) to have all"
        )
    })
}

/// How many edges have some coefficients, but not all.
pub(super) fn edges_in_part(fits: &EdgeFits) -> usize {
    let columns = fits.coefficients.columns();
    columns.into_iter().zip(&fits.dof).filter(|(column, dof)| **dof > 0 && column.iter().any(|v| v.is_nan())).count()
}
