//! The files of one atlas and measure of a test: a table of its edges, and matrices of each tested coefficient.

use std::path::Path;

use serde_json::{Value, json};

use super::notes::edges_in_part;
use super::prepared::{PreparedTest, Tested};
use crate::group;
use crate::group::edge_tests::EdgeFits;
use crate::outputs::{cell, number_cell};
use crate::record::files::WriteError;
use crate::stack::arrays::array_file::{bytes, npy_header};
use crate::stack::arrays::tables::p_cell;
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::kind::Kind;
use crate::stack::gather::parcels::{Parcel, StackedAtlas};

/// Matrices of at most this many parcels are written as tables too (own convention: some 0.5 MB).
const AS_TABLE: usize = 250;
/// A share of tests or a family-wise p that `stack.json` counts edges by (common practice).
const CALLED: f64 = 0.05;

/// Writes the table and the matrices; returns what `test.json` says of them.
#[allow(clippy::too_many_arguments)]
pub(super) fn write(
    folder: &Path,
    name: &str,
    prepared: &PreparedTest,
    atlas: &StackedAtlas,
    kind: &Kind,
    fits: &EdgeFits,
    tests: &[Tested],
    files: &mut Vec<Whole>,
) -> Result<Value, WriteError> {
    let parcels = atlas.stacked();
    let table = format!("{name}_test.tsv");
    files.push(edges_table(&folder.join(&table), prepared, &parcels, fits, tests)?);
    let mut coefficients = Vec::new();
    for test in tests {
        let safe = &prepared.safe[test.coefficient];
        let mut put = |what: &str, values: &[f64]| -> Result<Vec<String>, WriteError> {
            let start = format!("{name}_coefficient-{safe}_{what}");
            let matrix = square(parcels.len(), values);
            let mut file = Unfinished::create(&folder.join(format!("{start}.npy")))?;
            file.append(&npy_header(&[parcels.len(), parcels.len()]))?;
            file.append(&bytes(&matrix))?;
            files.push(file.finish()?);
            let mut names = vec![format!("{start}.npy")];
            if parcels.len() <= AS_TABLE {
                let text = square_table(&parcels, &matrix);
                files.push(Whole::of(&folder.join(format!("{start}.tsv")), text.as_bytes())?);
                names.push(format!("{start}.tsv"));
            }
            Ok(names)
        };
        let t = fits.t.row(test.coefficient).to_vec();
        let mut told = json!({ "name": prepared.design.names[test.coefficient], "t": put("t", &t)? });
        told["edges_tested"] = json!(t.iter().filter(|t| !t.is_nan()).count());
        let count = |p: &[f64]| p.iter().filter(|&&p| p < CALLED).count();
        match &test.permuted {
            Some(permuted) => {
                let p = permuted.family_wise_p.to_vec();
                told["p_familywise"] = json!(put("p_familywise", &p)?);
                told["family"] = json!(permuted.family);
                told["edges_p_familywise_below_0.05"] = json!(count(&p));
            }
            None => told["q"] = json!(put("q", &test.q)?),
        }
        told["edges_q_below_0.05"] = json!(count(&test.q));
        coefficients.push(told);
    }
    let without = fits.dof.iter().filter(|&&dof| dof == 0).count();
    Ok(json!({
        "atlas": kind.atlas,
        "measure": kind.measure.key(),
        "table": table,
        "edges": fits.dof.len(),
        "edges_not_available": without,
        "edges_in_part": edges_in_part(fits),
        "coefficients": coefficients,
    }))
}

/// One row per edge.
fn edges_table(
    path: &Path,
    prepared: &PreparedTest,
    parcels: &[&Parcel],
    fits: &EdgeFits,
    tests: &[Tested],
) -> Result<Whole, WriteError> {
    let mut file = Unfinished::create(path)?;
    let mut text = "edge\tname_1\tname_2\tchildren\tdof".to_owned();
    for (coefficient, safe) in prepared.safe.iter().enumerate() {
        let mut column = |what: &str| text.push_str(&format!("\t{safe}_{what}"));
        ["estimate", "se"].into_iter().for_each(&mut column);
        if let Some(test) = tests.iter().find(|test| test.coefficient == coefficient) {
            ["t", "p", "q"].into_iter().for_each(&mut column);
            if test.permuted.is_some() {
                column("p_familywise");
            }
        }
    }
    text.push('\n');
    for (edge, (i, j)) in group::edges(parcels.len()).enumerate() {
        let mut cells = vec![edge.to_string(), cell(&parcels[i].name), cell(&parcels[j].name)];
        cells.extend([fits.children[edge], fits.dof[edge]].map(|n| n.to_string()));
        for coefficient in 0..prepared.safe.len() {
            let at = [coefficient, edge];
            cells.extend([fits.coefficients[at], fits.standard_errors[at]].map(number_cell));
            if let Some(test) = tests.iter().find(|test| test.coefficient == coefficient) {
                cells.extend([number_cell(fits.t[at]), p_cell(fits.p[at]), p_cell(test.q[edge])]);
                cells.extend(test.permuted.iter().map(|permuted| p_cell(permuted.family_wise_p[edge])));
            }
        }
        text.push_str(&cells.join("\t"));
        text.push('\n');
        if text.len() > 1 << 20 {
            file.append(text.as_bytes())?;
            text.clear();
        }
    }
    file.append(text.as_bytes())?;
    file.finish()
}

/// Both ways of each edge; NaN on the diagonal.
fn square(parcels: usize, edges: &[f64]) -> Vec<f32> {
    let mut matrix = vec![f32::NAN; parcels * parcels];
    for ((i, j), &value) in group::edges(parcels).zip(edges) {
        matrix[i * parcels + j] = value as f32;
        matrix[j * parcels + i] = value as f32;
    }
    matrix
}

/// With names above and before, as children's matrices.
fn square_table(parcels: &[&Parcel], matrix: &[f32]) -> String {
    let names: Vec<String> = parcels.iter().map(|parcel| cell(&parcel.name)).collect();
    let mut text = format!("name\t{}\n", names.join("\t"));
    for (name, row) in names.iter().zip(matrix.chunks(names.len().max(1))) {
        text.push_str(name);
        row.iter().for_each(|&value| text.push_str(&format!("\t{}", number_cell(f64::from(value)))));
        text.push('\n');
    }
    text
}
