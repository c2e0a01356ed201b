//! `--test "z ~ age + sex"`: a linear model an edge, with the stack's children as they are in `children.tsv`.
//!
//! The formula is understood as in [`crate::group::formula`], fitted as in [`crate::group::edge_tests`]; q after Benjamini &
//! Hochberg over the edges of one coefficient, family-wise p after Freedman & Lane with the largest |t| over the same
//! edges: each coefficient is a family of its own. Children with an empty cell in a column of the formula are left out of the
//! test, not of the stack. `z` is
//! Fisher's z of the stacked 32-bit correlations, itself as 32-bit float: the numbers of `--fisher-z`. Covariances have
//! no z and no r and are not tested. Unlike the stack itself, a test holds the edges of one atlas and measure in memory:
//! 4 bytes an edge and child.

mod notes;
mod written;

use serde_json::{Value, json};

use super::found::Found;
use super::step::Step;
use super::stream::{self, has_z};
use super::tables::child_column;
use super::whole::Whole;
use super::{StackError, Work};
use crate::group::edge_tests::{EdgeTestError, Model};
use crate::group::formula::{Column, Design, Formula, FormulaError, Response};
use crate::group::multiple::benjamini_hochberg;
use crate::group::permutation::{Draws, PermutationTest, freedman_lane, require_few, require_permutable};
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
    Formula(FormulaError),
    #[error(
        "--test: the column {column} of cohort.tsv holds numbers and, for {stem}, \"{text}\"; correct that cell in the \
         participants table, if the column is from there, and do `keepstill run` again, which carries it over into cohort.tsv; \
         or write factor({column}) to take the column as names of groups"
    )]
    Mixed { column: String, stem: String, text: String },
    #[error("--test: {0}")]
    Model(#[from] EdgeTestError),
    #[error("--test, {name}: {source}")]
    Edges { name: String, source: EdgeTestError },
    #[error("{option} {asked}: the formula has no such term or coefficient{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoTerm { option: &'static str, asked: String, nearest: Option<String>, known: String },
    #[error("--permutations {count}: {source}")]
    TooMany { count: usize, source: EdgeTestError },
    #[error("--permute {}: with --permutations 0 nothing is permuted; give a number such as --permutations 1000, or leave \
             --permute out", asked.join(", "))]
    PermuteNothing { asked: Vec<String> },
    #[error("--permutations: {source}{}", match others.as_slice() {
        [] => String::new(),
        others => format!("; the others can be permuted: {}",
            others.iter().map(|name| format!("--permute \"{name}\"")).collect::<Vec<_>>().join(" ")),
    })]
    NotPermutable { source: EdgeTestError, others: Vec<String> },
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
    notes: Vec<String>,
}

/// One coefficient of one atlas and measure.
struct Tested {
    coefficient: usize,
    q: Vec<f64>,
    permuted: Option<PermutationTest>,
}

/// Reads the formula, takes the children's columns, and makes sure of the model before anything is written; `matched`:
/// whether the stack's groups were matched in motion.
pub(super) fn prepare(wanted: &Test, header: &[String], found: &Found, matched: bool) -> Result<Prepared, TestError> {
    let formula = Formula::parse(&wanted.formula).map_err(TestError::Formula)?;
    if !found.kinds.iter().any(|kind| has_z(&kind.measure)) {
        let measures: Vec<&str> = found.kinds.iter().map(|kind| kind.measure.as_str()).collect();
        return Err(TestError::NoCorrelation { found: measures.join(", ") });
    }
    let design = formula.design(&columns(header, found)).map_err(|error| match error {
        FormulaError::Mixed { column, row, text } => {
            TestError::Mixed { column, stem: found.children[row - 1].stem.clone(), text }
        }
        other => TestError::Formula(other),
    })?;
    let model = Model::new(design.matrix.view(), &design.names)?;
    let all: Vec<usize> = (0..design.names.len()).filter(|&c| design.names[c] != INTERCEPT).collect();
    // Where there is nothing but an intercept, it is the question.
    let all = if all.is_empty() { (0..design.names.len()).collect() } else { all };
    let tested = match wanted.of.is_empty() {
        true => all,
        false => places("--of", &wanted.of, &formula, &design)?,
    };
    let permuted = permuted(wanted, &formula, &design, &tested)?;
    let safe = safe_names(&design.names);
    let notes = notes::before(wanted, &formula, &design, found, !permuted.is_empty(), matched);
    Ok(Prepared { wanted: wanted.clone(), formula, design, model, safe, tested, permuted, notes })
}

/// Places of the coefficients that are permuted, all of which can be.
fn permuted(wanted: &Test, formula: &Formula, design: &Design, tested: &[usize]) -> Result<Vec<usize>, TestError> {
    let count = wanted.permutations;
    require_few(count).map_err(|source| TestError::TooMany { count, source })?;
    let permuted = match (count, wanted.permute.is_empty()) {
        (0, true) => return Ok(Vec::new()),
        (0, false) => return Err(TestError::PermuteNothing { asked: wanted.permute.clone() }),
        (_, true) => tested.to_vec(),
        (_, false) => places("--permute", &wanted.permute, formula, design)?,
    };
    if let Some(&other) = permuted.iter().find(|c| !tested.contains(c)) {
        return Err(TestError::NotTested { asked: design.names[other].clone() });
    }
    let allowed = |&c: &usize| require_permutable(design.matrix.view(), &design.names, c);
    if let Some(source) = permuted.iter().find_map(|c| allowed(c).err()) {
        let others = tested.iter().filter(|c| allowed(c).is_ok()).map(|&c| design.names[c].clone()).collect();
        return Err(TestError::NotPermutable { source, others });
    }
    Ok(permuted)
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

/// Names of coefficients as letters, digits, `.`, `-` and `_`: `age:sexM` is `age_x_sexM`, `factor(site)2` `site_2`. What would
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
pub(super) fn write(work: &Work<'_>, prepared: &Prepared, files: &mut Vec<Whole>) -> Result<Value, StackError> {
    let Work { results, folder, found, atlases, tell } = *work;
    let Prepared { wanted, formula, design, model, .. } = prepared;
    let z = formula.response == Response::FisherZ;
    let draws = Draws { count: wanted.permutations, seed: wanted.seed };
    let (mut told, mut notes) = (Vec::new(), prepared.notes.clone());
    for (at, kind) in found.kinds.iter().enumerate().filter(|(_, kind)| has_z(&kind.measure)) {
        let Some(atlas) = atlases.iter().find(|atlas| atlas.name == kind.atlas) else { continue };
        let name = found.name(kind);
        let data = stream::edges(results, found, at, atlas, &design.rows, z)?;
        let fail = |source| TestError::Edges { name: name.clone(), source };
        let fits = model.fit(data.view()).map_err(fail)?;
        let mut tests = Vec::new();
        for (place, &coefficient) in prepared.tested.iter().enumerate() {
            let what = format!("testing {}, {}", kind.atlas, kind.measure);
            tell(&Step { what, done: place, of: prepared.tested.len(), unit: "coefficients" });
            let permuted = prepared
                .permuted
                .contains(&coefficient)
                .then(|| freedman_lane(design.matrix.view(), &design.names, coefficient, data.view(), draws));
            let permuted = permuted.transpose().map_err(fail)?;
            let q = benjamini_hochberg(&fits.p.row(coefficient).to_vec());
            tests.push(Tested { coefficient, q, permuted });
        }
        notes.extend(notes::in_part(&name, &fits));
        told.push(written::write(folder, &name, prepared, atlas, kind, &fits, &tests, files)?);
    }
    let about = about(prepared, found, &told, &notes);
    files.push(Whole::of(&folder.join("test.json"), pretty(&about).as_bytes())?);
    Ok(about)
}

/// `test.json`.
fn about(prepared: &Prepared, found: &Found, told: &[Value], notes: &[String]) -> Value {
    let Prepared { wanted, formula, design, model, safe, tested, permuted, .. } = prepared;
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
        "q": "Benjamini-Hochberg over the edges that have the coefficient, of one atlas and measure",
        "p_familywise": "Freedman-Lane permutation of residuals, largest |t| over the edges that every child has, of one coefficient \
                         of one atlas and measure",
        "families": "each coefficient of each atlas and measure is a family of its own; q and p_familywise are not corrected for \
                     there being several",
        "notes": notes,
        "arrays": told,
    })
}

#[cfg(test)]
mod tests;
