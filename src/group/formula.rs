//! Model formulas: `z ~ age + sex + mean_fd_mm`, the ordinary form of R and statsmodels.
//!
//! Wilkinson & Rogers 1973, J R Stat Soc C 22:392; Chambers & Hastie 1992, Statistical Models in S, ch. 2. These forms
//! are understood:
//!
//! | written | means |
//! |---|---|
//! | `z`, `r` or `covariance` before `~` | what is explained: Fisher's z of each edge, its correlation or covariance |
//! | `a + b` | both columns; an intercept comes by itself |
//! | `- 1`, `+ 0` | no intercept |
//! | `factor(a)` | a column of numbers taken as names of groups |
//! | `between(a)`, `within(a)` | the mean of a over the row's block, and the distance from it |
//! | `factor(a, reference = "x")` | the same for any column, with x as the level that the others are compared with |
//! | `a^2`, `a^3` | powers of a column less its mean ([`powers`]); the lower ones must be in the formula too |
//! | `` `odd name` `` | a column whose name is not letters, digits, `_` and `.` |
//! | `a:b` | the product of two terms, whose parts must be in the formula too |
//! | `a*b` | `a + b + a:b` |
//!
//! Blocks are the rows of one child, or those that belong together ([`crate::group::exchange`]). Only rows that have
//! all columns count for their means. Of a factor, each 0/1 column is taken apart.
//!
//! Everything else (other functions, parentheses, removing terms) is refused, and the message gives its place;
//! compute such terms as columns of the table. An interaction without its parts is refused because its coefficients
//! would depend on how the factors are coded.
//!
//! A column of text is a factor. It gets one 0/1 column for each level except the first, which is the reference unless
//! another is named and so comes first. Levels are sorted by their letters' code points (numbers by size), as R does in
//! the C locale. Only levels that occur count, and texts of one number (`1`, `1.0`) are one level. Without an intercept
//! the first factor has a column for every level, as in R. Terms are ordered by their number of parts; among the
//! columns of an interaction the first part's levels run fastest. Columns are named as in R: `sexM`, `factor(site)2`,
//! `age:sexM`; odd names lose their backticks.

mod design;
mod error;
mod parse;
mod parts;
mod powers;
mod terms;
#[cfg(test)]
mod tests;

pub use design::{Column, Design, Levels, Missing};
pub use error::FormulaError;
pub use terms::{Formula, Part, Response, Variable};

use super::exchange::Blocks;

impl Formula {
    /// Reads a formula.
    ///
    /// # Errors
    /// [`FormulaError`] with the place, counted in characters from 1, and what was expected there.
    pub fn parse(text: &str) -> Result<Self, FormulaError> {
        parse::parse(text)
    }

    /// Reads the right side of a formula, of which nothing is explained: `age + sex`.
    ///
    /// # Errors
    /// As [`Formula::parse`].
    pub fn parse_terms(text: &str) -> Result<Self, FormulaError> {
        parse::parse_terms(text)
    }

    /// The design matrix of the children that have all columns. `table` is (name, column), all of one length.
    ///
    /// # Errors
    /// [`FormulaError`] when a column is not there, mixes numbers and words, does not vary as a factor, or no child has
    /// all of them.
    pub fn design(&self, table: &[(String, Column)]) -> Result<Design, FormulaError> {
        design::design(self, table, None)
    }

    /// The same, of rows in blocks.
    ///
    /// # Errors
    /// As [`Formula::design`].
    pub fn design_in_blocks(&self, table: &[(String, Column)], blocks: &Blocks) -> Result<Design, FormulaError> {
        design::design(self, table, Some(blocks))
    }

    /// A term as it is written: `age:sex`.
    fn written(&self, term: &[usize], between: &str) -> String {
        term.iter().map(|&v| self.variables[v].written()).collect::<Vec<_>>().join(between)
    }
}
