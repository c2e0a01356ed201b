//! `test.json`: the model, who is not in it, and what each file holds.

use serde_json::{Value, json};

use super::prepared::PreparedTest;
use crate::group::formula::Response;
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
            let [tested, permuted] = [tested, permuted].map(|places| places.contains(&c));
            json!({ "name": name, "in_names": safe[c], "tested": tested, "permuted": permuted })
        })
        .collect();
    let factors: Vec<Value> = design
        .factors
        .iter()
        .map(|factor| {
            let levels: serde_json::Map<String, Value> =
                factor.levels.iter().map(|(level, children)| (level.clone(), json!(children))).collect();
            let reference = factor.has_reference.then(|| factor.levels.first().map(|(level, _)| level.clone()));
            json!({ "column": factor.column, "reference": reference.flatten(), "children_by_level": levels })
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
        "response": match formula.response {
            Response::FisherZ => "z: Fisher's atanh r, clipped at |r| = 1 - 1e-7, as 32-bit floats",
            Response::Correlation => "r, as stacked",
        },
        "children": model.children(),
        "coefficients": coefficients,
        "dof": model.children() - model.coefficients(),
        "factors": factors,
        "left_out": left_out,
        "permutations": if permuted.is_empty() { 0 } else { wanted.permutations },
        "seed": if permuted.is_empty() { Value::Null } else { json!(wanted.seed) },
        "p": "two-sided, of t with the edge's dof",
        "q": "Benjamini-Hochberg over the edges that have the coefficient, of one atlas and measure",
        "p_familywise": "Freedman-Lane permutation of residuals, largest |t| over the edges that every child has, of \
                         one coefficient of one atlas and measure",
        "families": "each coefficient of each atlas and measure is a family of its own; q and p_familywise are not \
                     corrected for there being several",
        "notes": notes,
        "arrays": told,
    })
}
