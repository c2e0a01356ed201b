//! `stack.json`: what each file holds, what was asked for, and what to know before using it.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::forms::About;
use super::found::Found;
use super::matched::Matched;
use super::stream::{Stacking, has_z};
use super::{Choice, Missing, further, who};
use crate::outputs::CAUTION;

/// What a stack is told by.
pub(super) struct Facts<'a> {
    pub choice: &'a Choice,
    /// BLAKE3 of `cohort.tsv`, hex.
    pub digest: &'a str,
    /// What [`chosen`] says.
    pub chosen: &'a Value,
    pub arrays: &'a [Stacking],
    pub notes: &'a [String],
}

/// What a person should know before using the stack.
pub(super) fn notes(choice: &Choice, found: &Found, arrays: &[Stacking]) -> Vec<String> {
    let mut notes = Vec::new();
    for (word, means) in [
        ("disagreement", "reviewers disagree"),
        ("unsure", "reviewers are unsure"),
        ("out_of_date", "the review is of earlier results and did not exclude them"),
    ] {
        let count = found.children.iter().filter(|child| child.review == word).count();
        if count > 0 {
            notes.push(format!("{count} in the stack with review \"{word}\": {means}"));
        }
    }
    if choice.all {
        notes.push("verdicts were set aside: children with too little data are in the stack".to_owned());
    }
    let plain: BTreeSet<&str> =
        arrays.iter().map(|array| array.measure.as_str()).filter(|measure| !has_z(measure)).collect();
    if choice.fisher_z {
        let plain =
            plain.iter().map(|measure| format!("{measure} is no correlation and is stacked without Fisher's z"));
        notes.extend(plain);
    }
    notes
}

/// `stack.json`.
pub(super) fn json(facts: &Facts<'_>) -> Value {
    let Facts { choice, digest, chosen, arrays, notes } = facts;
    let arrays: Vec<Value> = arrays
        .iter()
        .map(|array| {
            let files: Vec<Value> = array.files.iter().map(About::json).collect();
            json!({
                "atlas": array.atlas,
                "measure": array.measure,
                "values": values_words(array),
                "parcels": array.parcels,
                "edges": array.edges,
                "parcels_table": format!("atlas-{}_parcels.tsv", array.atlas),
                "edges_table": format!("atlas-{}_edges.tsv", array.atlas),
                "missing_table": format!("atlas-{}_missing.tsv", array.atlas),
                "edges_blake3": array.digest,
                "files": files,
            })
        })
        .collect();
    let mut about = json!({
        "version": env!("CARGO_PKG_VERSION"),
        "caution": CAUTION,
    });
    let rest = json!({
        "cohort_blake3": digest,
        "rows": "row k of every array and table of children is the child in row k of children.tsv (counted without the \
                 header), in the order of cohort.tsv; k counts from 0 in npy",
        "columns": "column k of an edges array is row k of atlas-A_edges.tsv: the upper triangle without the diagonal, \
                    row by row; both ways of a matrix are atlas-A_parcels.tsv; in a mat file the children are the third \
                    dimension of matrices",
        "missing_values": missing_words(choice.missing),
        "edges_digest": "edges_blake3 is BLAKE3 of the children × edges values as little-endian float32, row by row",
        "notes": notes,
        "arrays": arrays,
    });
    for part in [chosen, &rest] {
        part.as_object().into_iter().flatten().for_each(|(key, value)| about[key] = value.clone());
    }
    about
}

/// Who and what is in the stack, of so many rows of the cohort table.
pub(super) fn chosen(choice: &Choice, rows: usize, found: &Found, matched: Option<&Matched>) -> Value {
    let left_out: Vec<Value> = who::reasons(&found.left_out)
        .iter()
        .map(|(reason, count)| json!({ "reason": reason, "children": count }))
        .collect();
    let mut chosen = json!({
        "settings": {
            "all": choice.all,
            "min_minutes": choice.min_minutes,
            "where": choice.conditions.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "missing": choice.missing.key(),
            "formats": choice.formats.iter().map(|format| format.key()).collect::<Vec<_>>(),
            "fisher_z": choice.fisher_z,
        },
        "cohort_rows": rows,
        "children": found.children.len(),
        "left_out": left_out,
    });
    for (key, value) in further::tell_choice(found, matched) {
        chosen[key] = value;
    }
    chosen
}

fn values_words(array: &Stacking) -> &'static str {
    match (array.fisher_z, array.measure.as_str()) {
        (true, _) => "Fisher z = atanh r, clipped at |r| = 1 - 1e-7; no value on the diagonal",
        (false, "pearson") => "Pearson r",
        (false, "spearman") => "Spearman rank correlation",
        (false, "partial") => "partial correlation, shrunk covariance",
        (false, _) => "as in the children's own matrices",
    }
}

fn missing_words(missing: Missing) -> &'static str {
    match missing {
        Missing::Keep => "NaN (n/a in tsv) where a child lacks a parcel; atlas-A_missing.tsv tells who lacks which",
        Missing::DropParcel => {
            "parcels that some child lacks are left out; atlas-A_missing.tsv tells which, and who lacked them"
        }
        Missing::DropChild => {
            "children who lack a parcel of any atlas are left out; atlas-A_missing.tsv tells who lacked which"
        }
    }
}
