//! What to know about a model before using its tests: who is not in it, what its rows are, what is missing from it.

use std::collections::BTreeSet;

use crate::group::exchange::{Blocks, Exchange};
use crate::group::formula::{Design, Formula, Response};
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::request::TestRequest;
use crate::study::settings::Measure;
use crate::tables::{and, counted};

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
        "the test has {} rows of {} in {}; standard errors, t, p and q take that into account (docs/stack.md)",
        blocks.rows(),
        counted(blocks.children(), "child", "children"),
        match blocks.count() {
            1 => "1 block of related rows".to_owned(),
            several => format!("{several} blocks that are independent of each other"),
        }
    ))
}

/// A note that F has no p where rows belong together; `joint`: each term, and whether it is permuted as a whole.
pub(super) fn joint_in_blocks(blocks: &Blocks, joint: &[(&str, bool)]) -> Option<String> {
    if blocks.are_single() || joint.is_empty() {
        return None;
    }
    let names = |permuted: bool| -> Vec<&str> {
        joint.iter().filter(|(_, whole)| *whole == permuted).map(|(name, _)| *name).collect()
    };
    let (with, without) = (names(true), names(false));
    let all: Vec<&str> = joint.iter().map(|(name, _)| *name).collect();
    let instead = match (with.as_slice(), without.as_slice()) {
        (_, []) => "use its family-wise p, which takes the blocks into account".to_owned(),
        ([], _) => "permute all coefficients of the term (--permutations) for a family-wise p of F, or use their tests"
            .to_owned(),
        (with, without) => format!(
            "use its family-wise p, which takes the blocks into account, for {}, and the tests of the coefficients for \
             {}",
            and(with),
            and(without)
        ),
    };
    Some(format!("F of {} has no p and q, because the rows belong together in blocks; {instead}", and(&all)))
}

/// A note for each coefficient whose rows have few different orders.
fn few_orders(design: &Design, permuted: &[(usize, Exchange)]) -> Vec<String> {
    let few = permuted.iter().filter(|(_, exchange)| exchange.orders() < FEWEST as f64);
    let note = |(coefficient, exchange): &(usize, Exchange)| {
        let orders = exchange.orders();
        format!(
            "{}: the rows that may be exchanged have only {orders} {}, so no family-wise p is below 0.05",
            design.names[*coefficient],
            if orders < 2.0 { "order" } else { "different orders" }
        )
    };
    few.map(note).collect()
}
