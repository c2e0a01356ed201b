//! `test.json`: the model, who is not in it, and what each file holds.

use serde_json::{Value, json};

use super::prepared::PreparedTest;
use crate::group::exchange::Exchange;
use crate::group::formula::Response;
use crate::group::least_children::least_children;
use crate::outputs::CAUTION;
use crate::stack::gather::children::GatheredChildren;

/// `test.json`.
pub(crate) fn about(prepared: &PreparedTest, found: &GatheredChildren, told: &[Value], notes: &[String]) -> Value {
    let PreparedTest { wanted, formula, design, model, safe, tested, permuted, .. } = prepared;
    let coefficients: Vec<Value> = design
        .names
        .iter()
        .enumerate()
        .map(|(c, name)| {
            let exchange = permuted.iter().find(|(place, _)| *place == c).map(|(_, exchange)| exchange);
            let (tested, permuted) = (tested.contains(&c), exchange.is_some());
            let orders = exchange.map(Exchange::orders).filter(|orders| orders.is_finite());
            json!({
                "name": name, "in_names": safe[c], "tested": tested, "permuted": permuted, "orders": orders,
            })
        })
        .collect();
    let factors: Vec<Value> = design
        .factors
        .iter()
        .map(|factor| {
            let levels: serde_json::Map<String, Value> =
                factor.levels.iter().map(|(level, children)| (level.clone(), json!(children))).collect();
            let reference = factor.has_reference.then(|| factor.levels.first().map(|(level, _)| level.clone()));
            let counted = format!("{}_by_level", prepared.blocks.counted());
            json!({ "column": factor.column, "reference": reference.flatten(), counted: levels })
        })
        .collect();
    let left_out: Vec<Value> = design
        .left_out
        .iter()
        .map(|child| json!({ "stem": found.children[child.row].stem, "empty": child.columns }))
        .collect();
    json!({
        "version": env!("CARGO_PKG_VERSION"),
        "caution": CAUTION,
        "formula": wanted.formula,
        "level": wanted.level.key(),
        "response": match formula.response {
            Response::FisherZ => "z: Fisher's atanh r, clipped at |r| = 1 - 1e-7, as 32-bit floats",
            Response::Correlation => "r, as stacked",
            Response::Covariance => "covariance in percent^2, as stacked",
        },
        "children": prepared.blocks.children(),
        "rows": model.children(),
        "blocks": prepared.blocks.count(),
        "coefficients": coefficients,
        "dof": model.children() - model.coefficients(),
        "factors": factors,
        "centred_for_powers": design.centred.iter().map(|(column, mean)| (column.clone(), json!(mean)))
            .collect::<serde_json::Map<String, Value>>(),
        "left_out": left_out,
        "permutations": if permuted.is_empty() { 0 } else { wanted.permutations },
        "seed": if permuted.is_empty() { Value::Null } else { json!(wanted.seed) },
        "p": if prepared.blocks.are_single() {
            "two-sided, of t with the edge's dof"
        } else {
            "two-sided, of t from a variance that respects blocks of related rows (bias-reduced), with Satterthwaite's \
             degrees of freedom (columns ..._dof)"
        },
        "q": "Benjamini-Hochberg over the edges that have the coefficient, of one atlas and measure",
        "p_familywise": format!(
            "permutation of what is left of the column once the others are taken out of it, weighted as the fit; \
             largest |t| over the edges that at least least_children of the {counted} have, of one coefficient of one \
             atlas and measure; an edge that some lack is permuted among the others, and its |t| counts as that which \
             is as rare with the degrees of freedom of all",
            counted = prepared.blocks.counted()
        ),
        "least_children": least_children(model.children()),
        "f": "of all coefficients of a term together, against the model without them; its p and q are n/a \
              where rows belong together in blocks",
        "edge_sets_above_abs_t": wanted.edge_sets,
        "families": "each coefficient of each atlas and measure is a family of its own; q and p_familywise are not \
                     corrected for there being several",
        "notes": notes,
        "arrays": told,
    })
}
