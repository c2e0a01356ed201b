//! `…_coefficient-C_edge_sets.tsv`: one row per connected set of edges above the threshold.

use std::path::Path;

use serde_json::{Value, json};

use super::places::{CALLED, TestedPlaces};
use crate::group::permutation::{SetTest, TestedSet};
use crate::outputs::{number_cell, text_table};
use crate::record::files::WriteError;
use crate::stack::arrays::tables::p_cell;
use crate::stack::arrays::whole::Whole;

/// What a set does not say.
pub(super) const WARNING: &str = "an edge set differs as a whole: its single edges are not shown to differ, and with \
                                  another threshold the sets are others";

const COLUMNS: [&str; 10] =
    ["set", "sign", "edges", "parcels", "excess", "peak_t", "p_excess", "p_edges", "edge_list", "parcel_list"];

/// The table of a coefficient's sets; `start` is that of its name. Returns what `test.json` says of it.
pub(super) fn write(
    folder: &Path,
    start: &str,
    places: &TestedPlaces,
    test: &SetTest,
    files: &mut Vec<Whole>,
) -> Result<Value, WriteError> {
    let join = |words: Vec<String>| words.join("; ");
    let line = |(place, tested): (usize, &TestedSet)| {
        let set = &tested.set;
        let sign = if set.positive { "positive" } else { "negative" };
        vec![
            (place + 1).to_string(),
            sign.to_owned(),
            set.edges.len().to_string(),
            set.parcels.len().to_string(),
            number_cell(set.excess),
            number_cell(set.peak),
            p_cell(tested.p_excess),
            p_cell(tested.p_edges),
            join(set.edges.iter().map(usize::to_string).collect()),
            join(set.parcels.iter().map(|&parcel| places.nodes[parcel].clone()).collect()),
        ]
    };
    let rows: Vec<Vec<String>> = test.sets.iter().enumerate().map(line).collect();
    let name = format!("{start}_edge_sets.tsv");
    files.push(Whole::of(&folder.join(&name), text_table(&COLUMNS.map(str::to_owned), &rows).as_bytes())?);
    let count = |of: fn(&TestedSet) -> f64| test.sets.iter().filter(|set| of(set) < CALLED).count();
    Ok(json!({
        "table": name,
        "sets": test.sets.len(),
        "sets_p_excess_below_0.05": count(|set| set.p_excess),
        "sets_p_edges_below_0.05": count(|set| set.p_edges),
        "caution": WARNING,
    }))
}

/// The number of the set that each edge is in, from 1; 0: none.
pub(super) fn of_edges(test: &SetTest, edges: usize) -> Vec<usize> {
    let mut of = vec![0; edges];
    for (place, tested) in test.sets.iter().enumerate() {
        tested.set.edges.iter().for_each(|&edge| of[edge] = place + 1);
    }
    of
}
