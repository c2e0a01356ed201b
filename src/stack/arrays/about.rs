//! `stack.json`: what each file holds, what was asked for, and what to know before using it.

use std::collections::BTreeSet;

use serde_json::{Value, json};

use super::array_file::FileDescription;
use super::stacking::Stacking;
use crate::outputs::CAUTION;
use crate::stack::gather::blocks::StackBlocks;
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::equal::BLOCK;
use crate::stack::gather::folders::{Folders, SameId};
use crate::stack::gather::left_out::reasons;
use crate::stack::gather::matched::Matched;
use crate::stack::gather::request::{Amount, Missing, StackRequest};
use crate::stack::gather::sites;
use crate::stack::gather::who::CohortFacts;
use crate::study::settings::Measure;
use crate::tables::counted;

/// What `stack.json` is made from.
pub(crate) struct AboutStack<'a> {
    pub request: &'a StackRequest,
    pub folders: &'a Folders,
    /// Of each folder's cohort table.
    pub tables: &'a [CohortFacts],
    /// What [`chosen`] says.
    pub chosen: &'a Value,
    pub arrays: &'a [Stacking],
    pub notes: &'a [String],
}

/// What a person should know before using the stack.
pub(crate) fn notes(request: &StackRequest, found: &GatheredChildren, arrays: &[Stacking]) -> Vec<String> {
    let mut notes = Vec::new();
    for (word, means) in [
        ("disagreement", "reviewers disagree"),
        ("unsure", "reviewers are unsure"),
        ("out_of_date", "the review was of earlier results and did not exclude them"),
    ] {
        let count = found.children.iter().filter(|child| child.review == word).count();
        if count > 0 {
            notes.push(format!("{count} in the stack with review \"{word}\": {means}"));
        }
    }
    let unlooked: Vec<&str> =
        found.children.iter().filter(|child| child.unlooked).map(|child| child.stem.as_str()).collect();
    if !unlooked.is_empty() {
        notes.push(format!(
            "{} in the stack that nobody has looked at, though something was noticed: {}",
            counted(unlooked.len(), "row is", "rows are"),
            unlooked.join(", ")
        ));
    }
    if request.all {
        notes.push("verdicts were set aside: children with too little data are in the stack".to_owned());
    }
    let others = arrays.iter().map(|array| array.measure).filter(|measure| !measure.is_correlation());
    let plain: BTreeSet<&str> = others.map(Measure::key).collect();
    if request.fisher_z {
        let plain =
            plain.iter().map(|measure| format!("{measure} is not a correlation and is stacked without Fisher's z"));
        notes.extend(plain);
    }
    notes
}

/// `stack.json`.
pub(crate) fn json(facts: &AboutStack<'_>) -> Value {
    let AboutStack { request, folders, tables, chosen, arrays, notes } = facts;
    let adjusted = if request.further.sites.is_some() { ", without the effects of sites" } else { "" };
    let arrays: Vec<Value> = arrays
        .iter()
        .map(|array| {
            let files: Vec<Value> = array.files.iter().map(FileDescription::json).collect();
            json!({
                "atlas": array.atlas,
                "measure": array.measure.key(),
                "values": format!("{}{adjusted}", values_words(array)),
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
    let order = if folders.are_several() {
        "in the order of results, and of each folder's cohort.tsv"
    } else {
        "in the order of cohort.tsv"
    };
    let rest = json!({
        "rows": format!(
            "row k of every array and table of children is the child in row k of children.tsv (counted without the \
             header), {order}; k counts from 0 in npy"
        ),
        "columns": "column k of an edges array is row k of atlas-A_edges.tsv: the upper triangle without the diagonal, \
                    row by row; both ways of a matrix are atlas-A_parcels.tsv; in a mat file the children are the \
                    third dimension of matrices",
        "missing_values": missing_words(request.missing),
        "edges_digest": "edges_blake3 is BLAKE3 of the children × edges values as little-endian float32, row by row",
        "notes": notes,
        "arrays": arrays,
    });
    let mut add = |part: &Value| {
        part.as_object().into_iter().flatten().for_each(|(key, value)| about[key] = value.clone());
    };
    add(chosen);
    if let ([table], false) = (tables, folders.are_several()) {
        add(&json!({ "cohort_blake3": table.digest }));
    }
    add(&rest);
    about
}

/// Who and what is in the stack, of so many rows of the cohort table.
pub(crate) fn chosen(
    request: &StackRequest,
    (folders, tables): (&Folders, &[CohortFacts]),
    rows: usize,
    found: &GatheredChildren,
    blocks: &StackBlocks,
    matched: Option<&Matched>,
) -> Value {
    let left_out: Vec<Value> = reasons(&found.left_out)
        .iter()
        .map(|of| json!({ "reason": of.reason, "children": of.children, "rows": of.rows }))
        .collect();
    let mut chosen = json!({
        "settings": {
            "all": request.all,
            "min_minutes": request.min_minutes,
            "where": request.conditions.iter().map(ToString::to_string).collect::<Vec<_>>(),
            "missing": request.missing.key(),
            "formats": request.formats.iter().map(|format| format.key()).collect::<Vec<_>>(),
            "fisher_z": request.fisher_z,
            "weights": request.weights.key(),
        },
        "cohort_rows": rows,
        "children": blocks.blocks.children(),
        "rows_in_stack": found.children.len(),
        "blocks": blocks.told(),
        "left_out": left_out,
    });
    if folders.are_several() {
        chosen["results"] = folders.names().iter().zip(tables).map(|(name, table)| table.told(name)).collect();
        chosen["settings"]["same_id"] = json!(folders.same_id().map(SameId::key));
    }
    for (key, value) in beyond(found, matched) {
        chosen[key] = value;
    }
    let sites = request.further.sites.as_ref();
    if let Some(told) = sites.and_then(|wanted| sites::told(wanted, found, request.weights.key())) {
        chosen["adjust_sites"] = told;
    }
    chosen
}

/// What `stack.json` says of the choice of children and frames.
fn beyond(found: &GatheredChildren, matched: Option<&Matched>) -> Vec<(&'static str, Value)> {
    let mut told = Vec::new();
    if let Some(equal) = &found.equal {
        let from = match equal.draw {
            None => "the earliest kept frames".to_owned(),
            Some(_) => {
                format!("blocks of {} s of kept frames, drawn for each child by the seed", BLOCK.0)
            }
        };
        let used = || found.children.iter().filter_map(|child| child.used.map(|used| used.frames));
        let frames = [used().min(), used().max()];
        let (key, unit, amount) = match equal.amount {
            Amount::Minutes(minutes) => ("equal_minutes", "minutes", minutes),
            Amount::Dof(dof) => ("equal_dof", "dof", dof),
        };
        told.push((key, json!({ unit: amount, "from": from, "draw": equal.draw, "frames_per_child": frames })));
    }
    let shrunk = found.shrinkage.iter().filter(|own| own.common.is_some());
    let shrunk: Vec<Value> = shrunk.map(|own| json!({ "atlas": own.atlas, "shrinkage": own.common })).collect();
    if !shrunk.is_empty() {
        told.push(("common_shrinkage", json!(shrunk)));
    }
    if let Some(matched) = matched {
        told.push(("match", matched.json()));
    }
    told
}

fn values_words(array: &Stacking) -> &'static str {
    match (array.fisher_z, array.measure) {
        (true, _) => "Fisher z = atanh r, clipped at |r| = 1 - 1e-7; no value on the diagonal",
        (false, Measure::Pearson) => "Pearson r",
        (false, Measure::Spearman) => "Spearman rank correlation",
        (false, Measure::Partial) => "partial correlation, shrunk covariance",
        (false, Measure::Covariance) => {
            "covariance in percent^2, of series in percent of the parcel's mean signal in the run"
        }
    }
}

fn missing_words(missing: Missing) -> &'static str {
    match missing {
        Missing::Keep => {
            "NaN (n/a in tsv) where a child lacks a parcel; atlas-A_missing.tsv lists which child lacks which"
        }
        Missing::DropParcel => {
            "parcels that are missing in at least one child are left out; atlas-A_missing.tsv lists them and the \
             children"
        }
        Missing::DropChild => {
            "children who lack a parcel of any atlas are left out; atlas-A_missing.tsv lists which child lacked which"
        }
    }
}
