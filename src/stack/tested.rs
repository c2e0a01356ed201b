//! `--test "z ~ age + sex"`: a linear model an edge, with the stack's children as they are in `children.tsv`.
//!
//! The formula is understood as in [`crate::group::formula`], fitted as in [`crate::group::edge_tests`]; q after Benjamini &
//! Hochberg over the edges of one coefficient, family-wise p after Freedman & Lane with the largest |t| over the same
//! edges. Children with an empty cell in a column of the formula are left out of the test, not of the stack. `z` is
//! Fisher's z of the stacked 32-bit correlations, itself as 32-bit float: the numbers of `--fisher-z`. Covariances have
//! no z and no r and are not tested. Unlike the stack itself, a test holds the edges of one atlas and measure in memory:
//! 4 bytes an edge and child.

mod written;

use std::path::Path;

use serde_json::{Value, json};

use super::StackError;
use super::found::Found;
use super::parcels::Atlas;
use super::stream::{self, has_z};
use super::tables::child_column;
use super::whole::Whole;
use crate::group::edge_tests::{EdgeTestError, Model};
use crate::group::formula::{Column, Design, Formula, FormulaError, Response};
use crate::group::multiple::benjamini_hochberg;
use crate::group::permutation::{PermutationTest, freedman_lane, permutations};
use crate::outputs::{CAUTION, pretty};
use crate::tables::nearest;

/// A test that is asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Test {
    pub formula: String,
    /// Terms, columns or coefficients to test; empty: every coefficient but the intercept.
    pub of: Vec<String>,
    pub permutations: usize,
    /// Those of them that get family-wise p; empty: all, if there are permutations.
    pub permute: Vec<String>,
    pub seed: u64,
}

/// Why there is no test.
#[derive(Debug, thiserror::Error)]
pub enum TestError {
    #[error("--test: {0}")]
    Formula(#[from] FormulaError),
    #[error("--test: {0}")]
    Model(#[from] EdgeTestError),
    #[error("--test, {name}: {source}")]
    Edges { name: String, source: EdgeTestError },
    #[error("{option} {asked}: the formula has no such term or coefficient{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoTerm { option: &'static str, asked: String, nearest: Option<String>, known: String },
    #[error("--permute {asked}: this coefficient is not tested; name it with --of too")]
    NotTested { asked: String },
    #[error(
        "--test: the stack has only {found}, and z and r are of correlations; let the study measure pearson, spearman or partial"
    )]
    NoCorrelation { found: String },
}

/// A test whose model stands.
#[derive(Debug)]
pub(super) struct Prepared {
    wanted: Test,
    formula: Formula,
    design: Design,
    model: Model,
    /// Of each coefficient, its name in names of files and columns.
    safe: Vec<String>,
    /// Places of the coefficients.
    tested: Vec<usize>,
    permuted: Vec<usize>,
    /// What to know before using the result.
    pub notes: Vec<String>,
}

/// One coefficient of one atlas and measure.
struct Tested {
    coefficient: usize,
    q: Vec<f64>,
    permuted: Option<PermutationTest>,
}

/// Reads the formula, takes the children's columns, and makes sure of the model before anything is written.
pub(super) fn prepare(wanted: &Test, header: &[String], found: &Found) -> Result<Prepared, TestError> {
    let formula = Formula::parse(&wanted.formula)?;
    if !found.kinds.iter().any(|kind| has_z(&kind.measure)) {
        let measures: Vec<&str> = found.kinds.iter().map(|kind| kind.measure.as_str()).collect();
        return Err(TestError::NoCorrelation { found: measures.join(", ") });
    }
    let design = formula.design(&columns(header, found))?;
    let model = Model::new(design.matrix.view(), &design.names)?;
    let all: Vec<usize> = (0..design.names.len()).filter(|&c| design.names[c] != INTERCEPT).collect();
    // Where there is nothing but an intercept, it is the question.
    let all = if all.is_empty() { (0..design.names.len()).collect() } else { all };
    let tested = match wanted.of.is_empty() {
        true => all,
        false => places("--of", &wanted.of, &formula, &design)?,
    };
    let permuted = match (wanted.permutations, wanted.permute.is_empty()) {
        (0, _) => Vec::new(),
        (_, true) => tested.clone(),
        (_, false) => places("--permute", &wanted.permute, &formula, &design)?,
    };
    if let Some(&other) = permuted.iter().find(|c| !tested.contains(c)) {
        return Err(TestError::NotTested { asked: design.names[other].clone() });
    }
    let safe = safe_names(&design.names);
    let mut notes = Vec::new();
    if !design.left_out.is_empty() {
        notes.push(format!("{} of the stack not in the test: empty cells (see test.json)", design.left_out.len()));
    }
    let mut participants: Vec<&str> = design.rows.iter().map(|&row| found.children[row].ids[0].as_str()).collect();
    let rows = participants.len();
    participants.sort_unstable();
    participants.dedup();
    if participants.len() < rows {
        notes.push(format!(
            "the test takes {rows} rows of {} children as independent, which sessions and runs of one child are not; \
             choose one row a child with --where",
            participants.len()
        ));
    }
    let untested: Vec<&str> =
        found.kinds.iter().map(|kind| kind.measure.as_str()).filter(|measure| !has_z(measure)).collect();
    if let Some(measure) = untested.first() {
        notes.push(format!("{measure} is no correlation and is not tested"));
    }
    Ok(Prepared { wanted: wanted.clone(), formula, design, model, safe, tested, permuted, notes })
}

const INTERCEPT: &str = "(Intercept)";

/// `children.tsv` as columns.
fn columns(header: &[String], found: &Found) -> Vec<(String, Column)> {
    let cells: Vec<Vec<&str>> = found.children.iter().map(|child| child.cells.split('\t').collect()).collect();
    let mut columns = vec![("stem".to_owned(), Column::from_cells(found.children.iter().map(|c| c.stem.as_str())))];
    for (at, name) in header.iter().enumerate() {
        let column = Column::from_cells(cells.iter().map(|row| row.get(at).copied().unwrap_or_default()));
        columns.push((child_column(name).to_owned(), column));
    }
    if found.equal.is_some() {
        let of = |f: fn(super::equal::Used) -> f64| {
            Column::Number(found.children.iter().map(|child| child.used.map_or(f64::NAN, f)).collect())
        };
        columns.push(("frames_used".to_owned(), of(|used| used.frames as f64)));
        columns.push(("minutes_used".to_owned(), of(|used| used.minutes)));
    }
    columns
}

/// Coefficients of terms, columns or coefficients, in the order of the design.
fn places(option: &'static str, asked: &[String], formula: &Formula, design: &Design) -> Result<Vec<usize>, TestError> {
    let mut terms: Vec<(String, std::ops::Range<usize>)> = Vec::new();
    let mut next = usize::from(formula.intercept);
    for term in &formula.terms {
        let columns = |&variable: &usize| {
            let column = &formula.variables[variable].column;
            design.factors.iter().find(|factor| factor.column == *column).map_or(1, |factor| {
                // A factor with a column for every level has them where it stands alone.
                factor.levels.len() - usize::from(factor.has_reference || term.len() > 1)
            })
        };
        let count: usize = term.iter().map(columns).product();
        let written = |f: fn(&crate::group::formula::Variable) -> String| -> String {
            term.iter().map(|&v| f(&formula.variables[v])).collect::<Vec<_>>().join(":")
        };
        terms.push((written(|v| v.written()), next..next + count));
        terms.push((written(|v| v.column.clone()), next..next + count));
        next += count;
    }
    let mut places = Vec::new();
    for asked in asked {
        let term = terms.iter().find(|(name, _)| name == asked).map(|(_, places)| places.clone().collect::<Vec<_>>());
        let coefficient = || design.names.iter().position(|name| name == asked).map(|place| vec![place]);
        let Some(found) = term.or_else(coefficient) else {
            let mut known: Vec<&str> = design.names.iter().map(String::as_str).collect();
            known.extend(terms.iter().map(|(name, _)| name.as_str()));
            let near = nearest(asked, known.iter().copied()).map(str::to_owned);
            let known = design.names.join(", ");
            return Err(TestError::NoTerm { option, asked: asked.clone(), nearest: near, known });
        };
        places.extend(found);
    }
    places.sort_unstable();
    places.dedup();
    Ok(places)
}

/// Names of coefficients as letters, digits, `.`, `-` and `_`: `age:sexM` is `age_x_sexM`, `C(site)2` `site_2`. What would
/// be the same name, in upper or lower case, gets its place behind.
fn safe_names(names: &[String]) -> Vec<String> {
    let mut safe: Vec<String> = Vec::new();
    for (place, name) in names.iter().enumerate() {
        let plain = name.replace(INTERCEPT, "intercept").replace(':', "_x_");
        let letters = plain.chars().map(|c| if c.is_ascii_alphanumeric() || ".-_".contains(c) { c } else { '_' });
        let letters: String = letters.collect();
        let mut own = letters.split('_').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("_");
        // Names of files have at most 255 bytes on most systems.
        own.truncate(100);
        let taken = |own: &str, safe: &[String]| safe.iter().any(|other| other.eq_ignore_ascii_case(own));
        while own.is_empty() || taken(&own, &safe) {
            own = format!("{own}-{place}");
        }
        safe.push(own);
    }
    safe
}

/// Fits every atlas and measure and writes tables, matrices and `test.json`; returns what is in the last.
pub(super) fn write(
    results: &Path,
    folder: &Path,
    prepared: &Prepared,
    found: &Found,
    atlases: &[Atlas],
    files: &mut Vec<Whole>,
) -> Result<Value, StackError> {
    let Prepared { wanted, formula, design, model, .. } = prepared;
    let z = formula.response == Response::FisherZ;
    let drawn =
        permutations(model.children(), if prepared.permuted.is_empty() { 0 } else { wanted.permutations }, wanted.seed);
    let mut told = Vec::new();
    for (at, kind) in found.kinds.iter().enumerate().filter(|(_, kind)| has_z(&kind.measure)) {
        let Some(atlas) = atlases.iter().find(|atlas| atlas.name == kind.atlas) else { continue };
        let name = found.name(kind);
        let data = stream::edges(results, found, at, atlas, &design.rows, z)?;
        let fail = |source| TestError::Edges { name: name.clone(), source };
        let fits = model.fit(data.view()).map_err(fail)?;
        let mut tests = Vec::new();
        for &coefficient in &prepared.tested {
            let permuted = prepared
                .permuted
                .contains(&coefficient)
                .then(|| freedman_lane(design.matrix.view(), &design.names, coefficient, data.view(), drawn.view()));
            let permuted = permuted.transpose().map_err(fail)?;
            let q = benjamini_hochberg(&fits.p.row(coefficient).to_vec());
            tests.push(Tested { coefficient, q, permuted });
        }
        told.push(written::write(folder, &name, prepared, atlas, kind, &fits, &tests, files)?);
    }
    let about = about(prepared, found, &told);
    files.push(Whole::of(&folder.join("test.json"), pretty(&about).as_bytes())?);
    Ok(about)
}

/// `test.json`.
fn about(prepared: &Prepared, found: &Found, told: &[Value]) -> Value {
    let Prepared { wanted, formula, design, model, safe, tested, permuted, notes } = prepared;
    let coefficients: Vec<Value> = design
        .names
        .iter()
        .enumerate()
        .map(|(c, name)| {
            json!({ "name": name, "in_names": safe[c], "tested": tested.contains(&c), "permuted": permuted.contains(&c) })
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
        "q": "Benjamini-Hochberg over the edges of one coefficient",
        "p_familywise": "Freedman-Lane permutation of residuals, largest |t| over the edges that every child has",
        "notes": notes,
        "arrays": told,
    })
}

#[cfg(test)]
mod tests;
