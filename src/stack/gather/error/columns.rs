//! What is wrong with a column of the cohort table that an option names: the same words for all options.

use crate::tables::nearest;

/// There is no such column.
#[derive(Debug, thiserror::Error)]
#[error("{option} {column}: cohort.tsv has no such column{}; it has {known}",
    nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
pub struct NoColumn {
    option: &'static str,
    column: String,
    nearest: Option<String>,
    known: String,
}

impl NoColumn {
    /// `header`: the names of the columns that there are.
    pub(crate) fn new(option: &'static str, column: &str, header: &[String]) -> Self {
        Self {
            option,
            column: column.to_owned(),
            nearest: nearest(column, header.iter().map(String::as_str)).map(str::to_owned),
            known: header.join(", "),
        }
    }
}

/// A column of a formula holds numbers and other words.
#[derive(Debug, thiserror::Error)]
#[error(
    "{option}: the column {column} of cohort.tsv holds numbers and, for {stem}, \"{text}\"; correct that cell in the \
     participants table, if the column is from there, and do `keepstill run` again, which carries it over into \
     cohort.tsv; or write factor({column}) to take the column as names of groups"
)]
pub struct MixedColumn {
    pub(crate) option: &'static str,
    pub(crate) column: String,
    pub(crate) stem: String,
    pub(crate) text: String,
}
