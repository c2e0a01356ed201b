//! A test before anything is written: the formula is read, the children's columns are taken, the model is checked.

use std::collections::BTreeSet;
use std::ops::Range;

use ndarray::Array1;

use super::notes;
use super::sets;
use super::terms::{INTERCEPT, places, safe_names};
use crate::group::edge_tests::{EdgeTestError, JointFits, Model};
use crate::group::exchange::{Blocks, Exchange};
use crate::group::formula::{Design, Formula, FormulaError, Part, Response};
use crate::group::permutation::{PermutationTest, SetTest, require_few, require_permutable};
use crate::stack::arrays::columns::columns;
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::{MixedColumn, TestError};
use crate::stack::gather::request::{Level, TestRequest};

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
    /// Places of those that are permuted, each with who may be exchanged.
    pub permuted: Vec<(usize, Exchange)>,
    /// Which rows of the design belong together.
    pub blocks: Blocks,
    /// Terms of several coefficients, all of which are tested.
    pub joint: Vec<JointTerm>,
    /// What to know before using the result.
    pub notes: Vec<String>,
}

/// One coefficient of one atlas and measure.
pub(crate) struct Tested {
    pub coefficient: usize,
    pub q: Vec<f64>,
    pub permuted: Option<PermutationTest>,
    pub sets: Option<SetTest>,
}

/// A term whose coefficients are tested together.
#[derive(Debug)]
pub(crate) struct JointTerm {
    pub name: String,
    /// Its name in names of files and columns.
    pub safe: String,
    pub coefficients: Vec<usize>,
    /// Who may be exchanged, if it is permuted as a whole.
    pub exchange: Option<Exchange>,
}

/// One such term of one atlas and measure.
pub(crate) struct TestedTerm {
    /// Place among the terms.
    pub term: usize,
    pub fits: JointFits,
    pub q: Vec<f64>,
    pub permuted: Option<PermutationTest>,
}

/// Reads the formula, takes the children's columns, and makes sure of the model before anything is written; `matched`:
/// whether the stack's groups were matched in motion.
pub(crate) fn prepare(
    wanted: &TestRequest,
    header: &[String],
    found: &GatheredChildren,
    blocks: &Blocks,
    matched: bool,
) -> Result<PreparedTest, TestError> {
    let formula = Formula::parse(&wanted.formula).map_err(TestError::Formula)?;
    if !found.kinds.iter().any(|kind| formula.response.is_of(kind.measure)) {
        let measures: BTreeSet<&str> = found.kinds.iter().map(|kind| kind.measure.key()).collect();
        let found = measures.into_iter().collect::<Vec<_>>().join(", ");
        return Err(match formula.response {
            Response::FisherZ | Response::Correlation => TestError::NoCorrelation { found },
            Response::Covariance => TestError::NoCovariance { found },
        });
    }
    let design = formula.design_in_blocks(&columns(header, &found.children), blocks).map_err(|error| match error {
        FormulaError::Mixed { column, row, text } => {
            let stem = found.children[row - 1].stem.clone();
            MixedColumn { option: "--test", column, stem, text }.into()
        }
        FormulaError::NoSuchColumn { column, .. } if found.will_have(&column) => TestError::MadeHere { column },
        other => TestError::Formula(other),
    })?;
    let blocks = blocks.select(&design.rows);
    let model = Model::new(design.matrix.view(), &design.names).map_err(|error| {
        let EdgeTestError::Same { column, .. } = &error else { return error.into() };
        let Some(of) = within_of(column, &formula, &design) else { return error.into() };
        let each = if blocks.count() == blocks.children() { "child" } else { "block" };
        TestError::NothingWithin { column: column.clone(), of: of.to_owned(), each }
    })?;
    let all: Vec<usize> = (0..design.names.len()).filter(|&c| design.names[c] != INTERCEPT).collect();
    // If the model has only an intercept, the intercept is the question.
    let all = if all.is_empty() { (0..design.names.len()).collect() } else { all };
    let tested = match wanted.of.is_empty() {
        true => all,
        false => places("--of", &wanted.of, &formula, &design)?,
    };
    let permuted = permuted(wanted, &formula, &design, &blocks, &tested)?;
    refuse_sets(wanted)?;
    let mut terms = joint_terms(&formula, &design, &tested, &permuted);
    let names: Vec<String> = design.names.iter().chain(terms.iter().map(|term| &term.name)).cloned().collect();
    let mut safe = safe_names(&names);
    let of_terms = safe.split_off(design.names.len());
    terms.iter_mut().zip(of_terms).for_each(|(term, safe)| term.safe = safe);
    let mut notes = notes::before(wanted, &formula, &design, found, &blocks, &permuted, matched);
    let joint: Vec<(&str, bool)> = terms.iter().map(|term| (term.name.as_str(), term.exchange.is_some())).collect();
    notes.extend(notes::joint_in_blocks(&blocks, &joint));
    notes.extend(wanted.edge_sets.map(|_| sets::WARNING.to_owned()));
    let (wanted, joint) = (wanted.clone(), terms);
    Ok(PreparedTest { wanted, formula, design, model, safe, tested, permuted, blocks, joint, notes })
}

/// The column of which a coefficient is the part within blocks.
fn within_of<'a>(coefficient: &str, formula: &'a Formula, design: &Design) -> Option<&'a str> {
    let place = design.names.iter().position(|name| name == coefficient)?;
    let (term, _) = formula.terms.iter().zip(&design.terms).find(|(_, of)| of.contains(&place))?;
    let [variable] = term.as_slice() else { return None };
    let variable = &formula.variables[*variable];
    (variable.part == Part::Within).then_some(variable.column.as_str())
}

/// Refuses sets that cannot be.
fn refuse_sets(wanted: &TestRequest) -> Result<(), TestError> {
    match (wanted.edge_sets, wanted.level, wanted.permutations) {
        (Some(_), Level::Networks, _) => Err(TestError::SetsOfNetworks),
        (Some(threshold), _, 0) => Err(TestError::SetsWithoutPermutations { threshold }),
        _ => Ok(()),
    }
}

/// Terms of several coefficients that are all tested. Without an intercept F of a factor would ask whether all means
/// are 0, which nobody asks of correlations.
fn joint_terms(formula: &Formula, design: &Design, tested: &[usize], permuted: &[(usize, Exchange)]) -> Vec<JointTerm> {
    let terms = formula.terms.iter().zip(&design.terms);
    // A term is permuted as a whole only if the same may be exchanged for all of its coefficients.
    let exchange = |of: &Range<usize>| {
        let own = of.clone().map(|place| permuted.iter().find(|(at, _)| *at == place).map(|(_, exchange)| exchange));
        let own: Vec<&Exchange> = own.collect::<Option<_>>()?;
        own.windows(2).all(|pair| pair[0] == pair[1]).then(|| own[0].clone())
    };
    terms
        .filter(|(_, of)| formula.intercept && of.len() > 1 && (of.start..of.end).all(|place| tested.contains(&place)))
        .map(|(term, of)| JointTerm {
            name: term.iter().map(|&v| formula.variables[v].written()).collect::<Vec<_>>().join(":"),
            safe: String::new(),
            coefficients: of.clone().collect(),
            exchange: exchange(of),
        })
        .collect()
}

/// Places of the coefficients that are permuted, all of which can be.
fn permuted(
    wanted: &TestRequest,
    formula: &Formula,
    design: &Design,
    blocks: &Blocks,
    tested: &[usize],
) -> Result<Vec<(usize, Exchange)>, TestError> {
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
    let exchange = |c: usize| {
        require_permutable(design.matrix.view(), &design.names, c)?;
        let values = design.matrix.column(c);
        let no_orders = || {
            let column = design.names[c].clone();
            // Taking a column apart is no advice where its part within blocks has no orders either.
            let within = &values - &Array1::from(blocks.means(&values.to_vec()));
            match blocks.exchange(within.view()) {
                Some(_) => EdgeTestError::BothWays { column },
                None => EdgeTestError::ThreeLevels { column },
            }
        };
        blocks.exchange(values).ok_or_else(no_orders)
    };
    let allowed = |&c: &usize| exchange(c);
    if let Some(source) = permuted.iter().find_map(|c| allowed(c).err()) {
        let others = tested.iter().filter(|c| allowed(c).is_ok()).map(|&c| design.names[c].clone()).collect();
        return Err(TestError::NotPermutable { source, others });
    }
    Ok(permuted.iter().filter_map(|&c| Some((c, exchange(c).ok()?))).collect())
}
