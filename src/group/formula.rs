//! Model formulas: `z ~ age + sex + mean_fd_mm`, the ordinary form of R and statsmodels.
//!
//! Wilkinson & Rogers 1973, J R Stat Soc C 22:392; Chambers & Hastie 1992, Statistical Models in S, ch. 2. These forms
//! are understood:
//!
//! | written | means |
//! |---|---|
//! | `z` or `r` before `~` | what is explained: Fisher's z of each edge, or its correlation |
//! | `a + b` | both columns; an intercept comes by itself |
//! | `- 1`, `+ 0` | no intercept |
//! | `factor(a)` | a column of numbers taken as names of groups |
//! | `` `odd name` `` | a column whose name is not letters, digits, `_` and `.` |
//! | `a:b` | the product of two terms, whose parts must be in the formula too |
//! | `a*b` | `a + b + a:b` |
//!
//! Everything else (functions, powers, parentheses, removing terms) is refused, and the message gives its place;
//! compute such terms as columns of the table. An interaction without its parts is refused because its coefficients
//! would depend on how the factors are coded.
//!
//! A column of text is a factor. It gets one 0/1 column for each level except the first, which is the reference. Levels
//! are sorted by their letters' code points (numbers by size), as R does in the C locale. Only levels that occur count,
//! and texts of one number (`1`, `1.0`) are one level. Without an intercept the first factor has a column for every
//! level, as in R. Terms are ordered by their number of parts; among the columns of an interaction the first part's
//! levels run fastest. Columns are named as in R: `sexM`, `factor(site)2`, `age:sexM`; odd names lose their backticks.

mod design;
mod parse;
#[cfg(test)]
mod tests;

pub use design::{Column, Design, Levels, Missing};

/// What the model explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Response {
    /// Fisher's z.
    FisherZ,
    /// The correlation itself.
    Correlation,
}

/// A column of the table as a formula names it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Variable {
    pub column: String,
    /// Written `factor(column)`: a factor, whatever it holds.
    pub as_factor: bool,
}

impl Variable {
    /// As it is written: `age`, `factor(site)`.
    #[must_use]
    pub fn written(&self) -> String {
        if self.as_factor { format!("factor({})", self.column) } else { self.column.clone() }
    }
}

/// A formula that was understood.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Formula {
    pub response: Response,
    pub intercept: bool,
    /// Each column once, in the order of its first mention.
    pub variables: Vec<Variable>,
    /// Each term as rising places in `variables`; terms of one part first, then of two, …
    pub terms: Vec<Vec<usize>>,
}

/// What can be wrong with a formula or with the columns it names.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FormulaError {
    /// Something stands at a place where it cannot.
    #[error("the formula \"{formula}\" has {found} at character {place}, where {expected} was expected")]
    Unexpected { formula: String, place: usize, found: String, expected: &'static str },
    /// A form of R's formulas that is not supported.
    #[error("the formula \"{formula}\" has {found} at character {place}, which is not supported; {instead}")]
    NotSupported { formula: String, place: usize, found: String, instead: &'static str },
    /// One column both as numbers and as a factor.
    #[error(
        "the formula \"{formula}\" has {column} both as it is and as factor({column}) at character {place}; write it one way only"
    )]
    TwoWays { formula: String, place: usize, column: String },
    /// An interaction whose parts are not all in the formula.
    #[error("the formula has {term} without {part}; write {whole}, which stands for the interaction and its parts")]
    PartMissing { term: String, part: String, whole: String },
    /// A column that the table does not have.
    #[error(
        "the formula names the column {column}, which the table of children does not have{}; its columns are {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)"))
    )]
    NoSuchColumn { column: String, nearest: Option<String>, known: String },
    /// Two columns of one name.
    #[error("the formula names the column {column}, which the table of children has twice; rename one of them")]
    ColumnTwice { column: String },
    /// Columns of different lengths.
    #[error("the column {column} has {found} cells, but the table of children has {expected} rows")]
    Length { column: String, found: usize, expected: usize },
    /// Numbers and words in one column.
    #[error(
        "the column {column} holds numbers and, in row {row}, \"{text}\"; correct that cell, or write \
         factor({column}) to treat the column as names of groups"
    )]
    Mixed { column: String, row: usize, text: String },
    /// Infinity in a column.
    #[error("the column {column} holds a number that is not finite in row {row}; correct that cell")]
    NotFinite { column: String, row: usize },
    /// A factor that does not vary.
    #[error(
        "the column {column} holds \"{level}\" for every child who has a value in all columns of the formula; leave it out of the formula"
    )]
    OneLevel { column: String, level: String },
    /// Levels that do not occur together.
    #[error(
        "no child with all columns of the formula has {cell}, so the interaction {term} cannot be estimated; leave it \
         out, or make one column of the combinations that occur and name it in place of {whole}"
    )]
    EmptyCell { cell: String, term: String, whole: String },
    /// No child has all columns.
    #[error("no child has a value in all columns of the formula ({columns}); leave one of them out")]
    NoRows { columns: String },
}

impl Formula {
    /// Reads a formula.
    ///
    /// # Errors
    /// [`FormulaError`] with the place, counted in characters from 1, and what was expected there.
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        parse::parse(text)
    }

    /// The design matrix of the children that have all columns. `table` is (name, column), all of one length.
    ///
    /// # Errors
    /// [`FormulaError`] when a column is not there, mixes numbers and words, does not vary as a factor, or no child has
    /// all of them.
    pub fn design(&self, table: &[(String, Column)]) -> Result<Design, FormulaError> {
        design::design(self, table)
    }

    /// A term as it is written: `age:sex`.
    fn written(&self, term: &[usize], between: &str) -> String {
        term.iter().map(|&v| self.variables[v].written()).collect::<Vec<_>>().join(between)
    }
}
