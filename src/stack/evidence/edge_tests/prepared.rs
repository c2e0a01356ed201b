//! A test before anything is written: the formula is read, the children's columns are taken, the model is checked.

use super::notes;
use super::terms::{INTERCEPT, places, safe_names};
use crate::group::edge_tests::Model;
use crate::group::formula::{Column, Design, Formula, FormulaError};
use crate::group::permutation::{PermutationTest, require_few, require_permutable};
use crate::stack::arrays::tables::child_column;
use crate::stack::gather::children::{FramesUsed, GatheredChildren};
use crate::stack::gather::error::TestError;
use crate::stack::gather::request::TestRequest;

/// A test whose model stands.
#[derive(Debug)]
pub(crate) struct PreparedTest {
    pub wanted: TestRequest,
    pub formula: Formula,
    pub design: Design,
    pub model: Model,
    /// The name of each coefficient, as it stands in names of files and columns.
    pub safe: Vec<String>,
    /// Places of the coefficients.
    pub tested: Vec<usize>,
    pub permuted: Vec<usize>,
    /// What to know before using the result.
    pub notes: Vec<String>,
}

/// One coefficient of one atlas and measure.
pub(crate) struct Tested {
    pub coefficient: usize,
    pub q: Vec<f64>,
    pub permuted: Option<PermutationTest>,
}

/// Reads the formula, takes the children's columns, and makes sure of the model before anything is written; `matched`:
/// whether the stack's groups were matched in motion.
pub(crate) fn prepare(
    wanted: &TestRequest,
    header: &[String],
    found: &GatheredChildren,
    matched: bool,
) -> Result<PreparedTest, TestError> {
    let formula = Formula::parse(&wanted.formula).map_err(TestError::Formula)?;
    if !found.kinds.iter().any(|kind| kind.measure.is_correlation()) {
        let measures: Vec<&str> = found.kinds.iter().map(|kind| kind.measure.key()).collect();
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
    // If the model has only an intercept, the intercept is the question.
    let all = if all.is_empty() { (0..design.names.len()).collect() } else { all };
    let tested = match wanted.of.is_empty() {
        true => all,
        false => places("--of", &wanted.of, &formula, &design)?,
    };
    let permuted = permuted(wanted, &formula, &design, &tested)?;
    let safe = safe_names(&design.names);
    let notes = notes::before(wanted, &formula, &design, found, !permuted.is_empty(), matched);
    Ok(PreparedTest { wanted: wanted.clone(), formula, design, model, safe, tested, permuted, notes })
}

/// Places of the coefficients that are permuted, all of which can be.
fn permuted(
    wanted: &TestRequest,
    formula: &Formula,
    design: &Design,
    tested: &[usize],
) -> Result<Vec<usize>, TestError> {
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

/// `children.tsv` as columns.
fn columns(header: &[String], found: &GatheredChildren) -> Vec<(String, Column)> {
    let cells: Vec<Vec<&str>> = found.children.iter().map(|child| child.cells.split('\t').collect()).collect();
    let mut columns = vec![("stem".to_owned(), Column::from_cells(found.children.iter().map(|c| c.stem.as_str())))];
    for (at, name) in header.iter().enumerate() {
        let column = Column::from_cells(cells.iter().map(|row| row.get(at).copied().unwrap_or_default()));
        columns.push((child_column(name).to_owned(), column));
    }
    if found.equal.is_some() {
        let of = |f: fn(FramesUsed) -> f64| {
            Column::Number(found.children.iter().map(|child| child.used.map_or(f64::NAN, f)).collect())
        };
        columns.push(("frames_used".to_owned(), of(|used| used.frames as f64)));
        columns.push(("minutes_used".to_owned(), of(|used| used.minutes)));
    }
    columns
}
