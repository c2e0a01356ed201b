//! From terms and the table's columns to the design matrix.

use std::ops::Range;

use ndarray::Array2;

use super::parts::{Coded, part_of};
use super::{Formula, FormulaError, Part, Variable, powers};
use crate::group::exchange::Blocks;
use crate::tables::{nearest, no_value};

/// A column of the table of children, one cell per child.
#[derive(Debug, Clone, PartialEq)]
pub enum Column {
    /// Numbers; NaN where the cell is empty.
    Number(Vec<f64>),
    /// Text as it stands in the table; `None` where the cell is empty. A column in which every cell is a number is one
    /// of numbers.
    Text(Vec<Option<String>>),
}

impl Column {
    /// A column from a table's cells; those that have [`no_value`] are missing.
    pub fn from_cells<S: AsRef<str>>(cells: impl IntoIterator<Item = S>) -> Self {
        let cell = |text: S| {
            let text = text.as_ref().trim();
            (!no_value(text)).then(|| text.to_owned())
        };
        Self::Text(cells.into_iter().map(cell).collect())
    }

    /// The numbers of some rows; none where a cell is no number.
    fn numbers(&self, rows: &[usize]) -> Option<Vec<f64>> {
        match self {
            Self::Number(all) => Some(rows.iter().map(|&row| all[row]).collect()),
            Self::Text(all) => rows.iter().map(|&row| all[row].as_deref().and_then(number)).collect(),
        }
    }

    /// Every row's number, NaN where the cell is empty; none where a cell is no number.
    pub(crate) fn all_numbers(&self) -> Option<Vec<f64>> {
        match self {
            Self::Number(values) => Some(values.clone()),
            Self::Text(cells) => cells.iter().map(|cell| cell.as_deref().map_or(Some(f64::NAN), number)).collect(),
        }
    }

    fn len(&self) -> usize {
        match self {
            Self::Number(values) => values.len(),
            Self::Text(cells) => cells.len(),
        }
    }

    fn is_missing(&self, row: usize) -> bool {
        match self {
            Self::Number(values) => values[row].is_nan(),
            Self::Text(cells) => cells[row].is_none(),
        }
    }
}

/// A child that is left out because cells are missing.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Missing {
    /// Its row in the table, from 0.
    pub row: usize,
    /// The columns of the formula that are missing for it.
    pub columns: Vec<String>,
}

/// How a factor was coded.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Levels {
    pub column: String,
    /// In order; each with the number of children.
    pub levels: Vec<(String, usize)>,
    /// Whether the first level is the reference; without an intercept the first factor has none.
    pub has_reference: bool,
}

/// A design matrix and what it was made of.
#[derive(Debug, Clone, PartialEq)]
pub struct Design {
    /// Children used × coefficients.
    pub matrix: Array2<f64>,
    /// Name of each coefficient.
    pub names: Vec<String>,
    /// The row in the table of each child used, rising.
    pub rows: Vec<usize>,
    /// The others, rising.
    pub left_out: Vec<Missing>,
    /// The factors, in the order of their first mention.
    pub factors: Vec<Levels>,
    /// The columns that have powers, and the mean that is taken off first.
    pub centred: Vec<(String, f64)>,
    /// Places of each term's coefficients, in the order of the formula's terms.
    pub terms: Vec<Range<usize>>,
}

/// A variable's cells for the children used.
enum Values {
    Numbers(Vec<f64>),
    /// Level of each child, and the levels' names in order.
    Groups(Vec<usize>, Vec<String>),
}

pub(super) fn design(
    formula: &Formula,
    table: &[(String, Column)],
    blocks: Option<&Blocks>,
) -> Result<Design, FormulaError> {
    let children = table.first().map_or(0, |(_, column)| column.len());
    let columns =
        formula.variables.iter().map(|v| find(&v.column, table, children)).collect::<Result<Vec<&Column>, _>>()?;
    let (mut rows, mut left_out) = (Vec::new(), Vec::new());
    for row in 0..children {
        let missing = formula.variables.iter().zip(&columns).filter(|(_, column)| column.is_missing(row));
        let columns: Vec<String> = missing.map(|(variable, _)| variable.column.clone()).collect();
        if columns.is_empty() {
            rows.push(row);
        } else {
            left_out.push(Missing { row, columns });
        }
    }
    if rows.is_empty() {
        let columns: Vec<&str> = formula.variables.iter().map(|v| v.column.as_str()).collect();
        return Err(FormulaError::NoRows { columns: columns.join(", ") });
    }
    let values = formula
        .variables
        .iter()
        .zip(&columns)
        .map(|(variable, column)| values(variable, column, &rows))
        .collect::<Result<Vec<Values>, _>>()?;
    // Only now: a power of words lacks no lower power, it cannot be.
    formula.require_lower_powers()?;

    // Without an intercept, the first factor among the terms of one part says which group a child is in by itself.
    let blocks = blocks.map(|blocks| blocks.select(&rows));
    let is_factor = |v: usize| matches!(values[v], Values::Groups(..)) && formula.variables[v].part == Part::Whole;
    let whole = (!formula.intercept)
        .then(|| formula.terms.iter().find(|term| term.len() == 1 && is_factor(term[0])).map(|term| term[0]))
        .flatten();
    let mut coded: Coded = Vec::new();
    if formula.intercept {
        coded.push(("(Intercept)".to_owned(), vec![1.0; rows.len()]));
    }
    let mut terms = Vec::new();
    for term in &formula.terms {
        let first = coded.len();
        require_cells(formula, term, &values)?;
        let parts = term.iter().map(|&v| {
            let every_level = term.len() == 1 && whole == Some(v);
            let coded = code(&formula.variables[v].written(), &values[v], every_level);
            part_of(&formula.variables[v], coded, blocks.as_ref())
        });
        let parts = parts.collect::<Result<Vec<Coded>, FormulaError>>()?;
        coded.extend(parts.into_iter().reduce(|a, b| multiply(&a, &b)).unwrap_or_default());
        terms.push(first..coded.len());
    }
    let names = coded.iter().map(|(name, _)| name.clone()).collect();
    let matrix = Array2::from_shape_fn((rows.len(), coded.len()), |(i, j)| coded[j].1[i]);
    let factors =
        formula.variables.iter().enumerate().zip(&values).filter_map(|((v, variable), values)| match values {
            Values::Numbers(_) => None,
            // Once, also where both parts of it are in the formula.
            Values::Groups(..) if formula.variables[..v].iter().any(|other| other.column == variable.column) => None,
            Values::Groups(groups, names) => Some(Levels {
                column: variable.column.clone(),
                levels: names
                    .iter()
                    .enumerate()
                    .map(|(level, name)| (name.clone(), groups.iter().filter(|&&g| g == level).count()))
                    .collect(),
                has_reference: whole != Some(v),
            }),
        });
    let factors = factors.collect();
    let centred = powers::means(&formula.variables, |place| columns[place].numbers(&rows));
    Ok(Design { matrix, names, rows, left_out, factors, centred, terms })
}

fn find<'a>(name: &str, table: &'a [(String, Column)], children: usize) -> Result<&'a Column, FormulaError> {
    let mut found = table.iter().filter(|(known, _)| known == name).map(|(_, column)| column);
    let Some(column) = found.next() else {
        let known: Vec<&str> = table.iter().map(|(name, _)| name.as_str()).collect();
        return Err(FormulaError::NoSuchColumn {
            column: name.to_owned(),
            nearest: nearest(name, known.iter().copied()).map(str::to_owned),
            known: known.join(", "),
        });
    };
    if found.next().is_some() {
        return Err(FormulaError::ColumnTwice { column: name.to_owned() });
    }
    if column.len() != children {
        return Err(FormulaError::Length { column: name.to_owned(), found: column.len(), expected: children });
    }
    Ok(column)
}

/// A cell's number, if it is one; words that Rust takes for numbers (inf, nan) do not count.
fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|v: &f64| v.is_finite())
}

fn values(variable: &Variable, column: &Column, rows: &[usize]) -> Result<Values, FormulaError> {
    let name = || variable.column.clone();
    match column {
        Column::Number(all) => {
            if let Some(&row) = rows.iter().find(|&&row| !all[row].is_finite()) {
                return Err(FormulaError::NotFinite { column: name(), row: row + 1 });
            }
            let numbers: Vec<f64> = rows.iter().map(|&row| all[row]).collect();
            if variable.as_factor {
                let texts: Vec<String> = numbers.iter().map(f64::to_string).collect();
                groups(variable, &texts.iter().map(String::as_str).collect::<Vec<_>>())
            } else {
                Ok(Values::Numbers(powers::raised(variable, numbers)))
            }
        }
        Column::Text(all) => {
            let cells: Vec<&str> = rows.iter().filter_map(|&row| all[row].as_deref()).collect();
            let numbers: Vec<Option<f64>> = cells.iter().map(|cell| number(cell)).collect();
            let some = numbers.iter().any(Option::is_some);
            let word = numbers.iter().position(Option::is_none);
            match (variable.as_factor, some, word) {
                (false, true, Some(word)) => {
                    Err(FormulaError::Mixed { column: name(), row: rows[word] + 1, text: cells[word].to_owned() })
                }
                (false, _, None) => {
                    Ok(Values::Numbers(powers::raised(variable, numbers.into_iter().flatten().collect())))
                }
                _ if variable.power > 1 => {
                    Err(FormulaError::PowerOfWords { written: variable.written(), column: name() })
                }
                _ => groups(variable, &cells),
            }
        }
    }
}

/// Doubles from here on leave whole numbers out, so that different codes may read as the same double.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// Whether two levels are one: the same text or, where every cell is a number, the same number.
fn same_level(a: &str, b: &str, numeric: bool) -> bool {
    let same_number = || matches!((number(a), number(b)), (Some(a), Some(b)) if a == b && a.abs() < EXACT);
    a == b || (numeric && same_number())
}

/// Levels in order. Where every cell is a number, those that are the same number ("1", "1.0") are one level, as tables
/// read by R or pandas have it, called by the shortest of its texts, the first of them if several are as short.
fn groups(variable: &Variable, cells: &[&str]) -> Result<Values, FormulaError> {
    let numeric = cells.iter().all(|cell| number(cell).is_some());
    let mut sorted: Vec<&str> = cells.to_vec();
    if numeric {
        let key = |cell: &str| number(cell).unwrap_or(f64::NAN) + 0.0;
        // A stable sort, so that among equally short texts the first seen stays first; beyond EXACT by letters, to part
        // the codes.
        sorted.sort_by(|a, b| {
            let letters = if key(a).abs() < EXACT { std::cmp::Ordering::Equal } else { a.cmp(b) };
            key(a).total_cmp(&key(b)).then(letters).then_with(|| a.chars().count().cmp(&b.chars().count()))
        });
    } else {
        sorted.sort_unstable();
    }
    let mut levels: Vec<String> = Vec::new();
    let mut places = std::collections::HashMap::new();
    for cell in sorted {
        if !levels.last().is_some_and(|level| same_level(level, cell, numeric)) {
            levels.push(cell.to_owned());
        }
        places.insert(cell, levels.len() - 1);
    }
    if let [level] = levels.as_slice() {
        return Err(FormulaError::OneLevel { column: variable.column.clone(), level: level.clone() });
    }
    let first = reference_place(variable, &levels, numeric)?;
    // The reference comes first; the others keep their order.
    let moved = |level: usize| if level == first { 0 } else { level + usize::from(level < first) };
    let reference = levels.remove(first);
    levels.insert(0, reference);
    let groups = cells.iter().map(|cell| moved(places[cell])).collect();
    Ok(Values::Groups(groups, levels))
}

/// The place of the level that the formula names as reference; the first if it names none.
fn reference_place(variable: &Variable, levels: &[String], numeric: bool) -> Result<usize, FormulaError> {
    let Some(reference) = &variable.reference else { return Ok(0) };
    let numeric = numeric && number(reference).is_some();
    let place = levels.iter().position(|level| same_level(level, reference.trim(), numeric));
    place.ok_or_else(|| FormulaError::NoReference {
        column: variable.column.clone(),
        reference: reference.clone(),
        levels: levels.join(", "),
    })
}

/// Every combination of the levels of an interaction of factors has a child. Its parts are in the formula, so that
/// there are as many coefficients as combinations, and one without a child has none of its own.
fn require_cells(formula: &Formula, term: &[usize], values: &[Values]) -> Result<(), FormulaError> {
    let factors: Vec<(&Vec<usize>, &Vec<String>)> = term
        .iter()
        .filter_map(|&v| match &values[v] {
            Values::Groups(groups, levels) if formula.variables[v].part == Part::Whole => Some((groups, levels)),
            Values::Groups(..) | Values::Numbers(_) => None,
        })
        .collect();
    if term.len() < 2 || factors.len() < term.len() {
        return Ok(());
    }
    // The combination as a number, the first factor's level running fastest.
    let number =
        |child: usize| factors.iter().rev().fold(0, |sum, (groups, levels)| sum * levels.len() + groups[child]);
    let there: std::collections::HashSet<usize> = (0..factors[0].0.len()).map(number).collect();
    let count = factors.iter().map(|(_, levels)| levels.len()).product();
    let Some(mut empty) = (0..count).find(|cell| !there.contains(cell)) else { return Ok(()) };
    let mut cell = Vec::new();
    for (&v, (_, levels)) in term.iter().zip(&factors) {
        cell.push(format!("{} {}", formula.variables[v].column, levels[empty % levels.len()]));
        empty /= levels.len();
    }
    Err(FormulaError::EmptyCell {
        cell: cell.join(" and "),
        term: formula.written(term, ":"),
        whole: formula.written(term, "*"),
    })
}

/// A variable's own columns; a factor's first level has none unless every level is to have one.
fn code(name: &str, values: &Values, every_level: bool) -> Coded {
    match values {
        Values::Numbers(numbers) => vec![(name.to_owned(), numbers.clone())],
        Values::Groups(groups, levels) => levels
            .iter()
            .enumerate()
            .skip(usize::from(!every_level))
            .map(|(level, text)| {
                let column = groups.iter().map(|&g| f64::from(u8::from(g == level))).collect();
                (format!("{name}{text}"), column)
            })
            .collect(),
    }
}

/// Every product of a column of `a` and one of `b`, `a`'s running fastest.
fn multiply(a: &Coded, b: &Coded) -> Coded {
    let pairs = b.iter().flat_map(|right| a.iter().map(move |left| (left, right)));
    pairs
        .map(|((left, x), (right, y))| (format!("{left}:{right}"), x.iter().zip(y).map(|(x, y)| x * y).collect()))
        .collect()
}
