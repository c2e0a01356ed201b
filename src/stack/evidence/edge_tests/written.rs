//! The files of one atlas and measure of a test: a table of its edges, and matrices of each tested coefficient.

use std::path::Path;

use serde_json::{Value, json};

use super::edge_notes::edges_in_part;
use super::places::{CALLED, TestedPlaces};
use super::prepared::{PreparedTest, Tested, TestedTerm};
use super::sets;
use crate::group::edge_tests::EdgeFits;
use crate::group::permutation::PermutationTest;
use crate::group::quantile;
use crate::outputs::number_cell;
use crate::record::files::WriteError;
use crate::stack::arrays::array_file::{bytes, npy_header};
use crate::stack::arrays::tables::p_cell;
use crate::stack::arrays::whole::{Unfinished, Whole};
use crate::stack::gather::kind::Kind;

/// Matrices of at most this many parcels are written as tables too (own convention: some 0.5 MB).
const AS_TABLE: usize = 250;

/// Writes the table and the matrices; returns what `test.json` says of them. `between`: τ² of each edge, where children
/// are weighted by it.
#[allow(clippy::too_many_arguments)]
pub(super) fn write(
    folder: &Path,
    name: &str,
    prepared: &PreparedTest,
    places: &TestedPlaces,
    kind: &Kind,
    fits: &EdgeFits,
    between: Option<&[f64]>,
    (tests, joint): (&[Tested], &[TestedTerm]),
    files: &mut Vec<Whole>,
) -> Result<Value, WriteError> {
    let table = format!("{name}_test.tsv");
    files.push(edges_table(&folder.join(&table), prepared, places, fits, between, (tests, joint))?);
    let mut coefficients = Vec::new();
    for test in tests {
        let start = format!("{name}_coefficient-{}", prepared.safe[test.coefficient]);
        let mut matrices = Matrices { folder, start: &start, places, files };
        let mut told = json!({ "name": prepared.design.names[test.coefficient] });
        matrices.statistic(&mut told, "t", &fits.t.row(test.coefficient).to_vec())?;
        if !prepared.blocks.are_single() {
            let mut dof: Vec<f64> = fits.t_dof.row(test.coefficient).iter().copied().filter(|v| !v.is_nan()).collect();
            dof.sort_by(f64::total_cmp);
            told["median_dof"] = json!(quantile(&dof, 0.5));
        }
        matrices.p(&mut told, &test.q, test.permuted.as_ref())?;
        if let Some(own) = &test.sets {
            told["edge_sets"] = sets::write(folder, &start, places, own, files)?;
        }
        coefficients.push(told);
    }
    let mut terms = Vec::new();
    for test in joint {
        let term = &prepared.joint[test.term];
        let start = format!("{name}_term-{}", term.safe);
        let mut matrices = Matrices { folder, start: &start, places, files };
        let mut told = json!({ "name": term.name, "dof": test.fits.numerator });
        matrices.statistic(&mut told, "f", &test.fits.f)?;
        matrices.p(&mut told, &test.q, test.permuted.as_ref())?;
        terms.push(told);
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
        "terms": terms,
    }))
}

/// The matrices of one coefficient or term.
struct Matrices<'a> {
    folder: &'a Path,
    /// What their names begin with.
    start: &'a str,
    places: &'a TestedPlaces,
    files: &'a mut Vec<Whole>,
}

impl Matrices<'_> {
    /// Writes t or F, and tells of how many edges it is.
    fn statistic(&mut self, told: &mut Value, what: &str, values: &[f64]) -> Result<(), WriteError> {
        told[what] = json!(self.put(what, values)?);
        told["edges_tested"] = json!(values.iter().filter(|value| !value.is_nan()).count());
        Ok(())
    }

    /// Writes family-wise p if there were permutations, otherwise q, and tells how many edges are called by each.
    fn p(&mut self, told: &mut Value, q: &[f64], permuted: Option<&PermutationTest>) -> Result<(), WriteError> {
        let called = |p: &[f64]| json!(p.iter().filter(|&&p| p < CALLED).count());
        match permuted {
            Some(permuted) => {
                let p = permuted.family_wise_p.to_vec();
                told["p_familywise"] = json!(self.put("p_familywise", &p)?);
                told["family"] = json!(permuted.family);
                told["edges_p_familywise_below_0.05"] = called(&p);
            }
            None => told["q"] = json!(self.put("q", q)?),
        }
        // Where rows belong together F has no q, and none below 0.05 would then be said of nothing.
        told["edges_q_below_0.05"] = if q.iter().all(|q| q.is_nan()) { Value::Null } else { called(q) };
        Ok(())
    }

    /// Writes values as matrices; returns their names.
    fn put(&mut self, what: &str, values: &[f64]) -> Result<Vec<String>, WriteError> {
        let (start, size) = (self.start, self.places.nodes.len());
        let matrix = square(self.places, values);
        let mut names = vec![format!("{start}_{what}.npy")];
        let mut file = Unfinished::create(&self.folder.join(&names[0]))?;
        file.append(&npy_header(&[size, size]))?;
        file.append(&bytes(&matrix))?;
        self.files.push(file.finish()?);
        if size <= AS_TABLE {
            let (name, text) = (format!("{start}_{what}.tsv"), square_table(&self.places.nodes, &matrix));
            self.files.push(Whole::of(&self.folder.join(&name), text.as_bytes())?);
            names.push(name);
        }
        Ok(names)
    }
}

/// One row per edge.
fn edges_table(
    path: &Path,
    prepared: &PreparedTest,
    places: &TestedPlaces,
    fits: &EdgeFits,
    between: Option<&[f64]>,
    (tests, joint): (&[Tested], &[TestedTerm]),
) -> Result<Whole, WriteError> {
    let mut file = Unfinished::create(path)?;
    let blocks = &prepared.blocks;
    let in_blocks = !blocks.are_single();
    let mut text = format!("{}\t{}\tdof", places.columns(), blocks.counted());
    text.push_str(between.map_or("", |_| "\tbetween_variance"));
    for (coefficient, safe) in prepared.safe.iter().enumerate() {
        let mut column = |what: &str| text.push_str(&format!("\t{safe}_{what}"));
        ["estimate", "se"].into_iter().for_each(&mut column);
        if let Some(test) = tests.iter().find(|test| test.coefficient == coefficient) {
            column("t");
            if in_blocks {
                column("dof");
            }
            ["p", "q"].into_iter().for_each(&mut column);
            if test.permuted.is_some() {
                column("p_familywise");
            }
            if test.sets.is_some() {
                column("set");
            }
        }
    }
    for test in joint {
        let safe = &prepared.joint[test.term].safe;
        let more = test.permuted.as_ref().map(|_| "f_p_familywise");
        ["f", "f_dof", "f_p", "f_q"]
            .into_iter()
            .chain(more)
            .for_each(|what| text.push_str(&format!("\t{safe}_{what}")));
    }
    let of_sets: Vec<Option<Vec<usize>>> =
        tests.iter().map(|test| test.sets.as_ref().map(|own| sets::of_edges(own, places.pairs.len()))).collect();
    text.push('\n');
    for (edge, &(i, j)) in places.pairs.iter().enumerate() {
        let mut cells = vec![edge.to_string(), places.nodes[i].clone(), places.nodes[j].clone()];
        cells.extend([fits.children[edge], fits.dof[edge]].map(|n| n.to_string()));
        cells.extend(between.map(|between| number_cell(between[edge])));
        for coefficient in 0..prepared.safe.len() {
            let at = [coefficient, edge];
            cells.extend([fits.coefficients[at], fits.standard_errors[at]].map(number_cell));
            if let Some((test, sets)) = tests.iter().zip(&of_sets).find(|(test, _)| test.coefficient == coefficient) {
                cells.push(number_cell(fits.t[at]));
                cells.extend(in_blocks.then(|| number_cell(fits.t_dof[at])));
                cells.extend([p_cell(fits.p[at]), p_cell(test.q[edge])]);
                cells.extend(test.permuted.iter().map(|permuted| p_cell(permuted.family_wise_p[edge])));
                let number = |of: &Vec<usize>| if of[edge] == 0 { "n/a".to_owned() } else { of[edge].to_string() };
                cells.extend(sets.iter().map(number));
            }
        }
        for test in joint {
            cells.extend([number_cell(test.fits.f[edge]), test.fits.numerator.to_string()]);
            cells.extend([test.fits.p[edge], test.q[edge]].map(p_cell));
            cells.extend(test.permuted.iter().map(|permuted| p_cell(permuted.family_wise_p[edge])));
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

/// Both ways of each edge; NaN on the diagonal of parcels.
fn square(places: &TestedPlaces, values: &[f64]) -> Vec<f32> {
    let size = places.nodes.len();
    let mut matrix = vec![f32::NAN; size * size];
    for (&(i, j), &value) in places.pairs.iter().zip(values) {
        matrix[i * size + j] = value as f32;
        matrix[j * size + i] = value as f32;
    }
    matrix
}

/// With names above and before, as children's matrices.
fn square_table(names: &[String], matrix: &[f32]) -> String {
    let mut text = format!("name\t{}\n", names.join("\t"));
    for (name, row) in names.iter().zip(matrix.chunks(names.len().max(1))) {
        text.push_str(name);
        row.iter().for_each(|&value| text.push_str(&format!("\t{}", number_cell(f64::from(value)))));
        text.push('\n');
    }
    text
}
