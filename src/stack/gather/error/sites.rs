//! Why sites cannot be adjusted.

use crate::group::formula::FormulaError;
use crate::group::site_effects::SiteError;
use crate::linalg::LinalgError;

/// Why sites cannot be adjusted.
#[derive(Debug, thiserror::Error)]
pub enum SitesError {
    #[error("--adjust-sites {column}: cohort.tsv has no such column{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoColumn { column: String, nearest: Option<String>, known: String },
    #[error("--keep: {0}")]
    Keep(FormulaError),
    #[error(
        "--keep: the column {column} of cohort.tsv holds numbers and, for {stem}, \"{text}\"; correct that cell in the \
         participants table, if the column is from there, and do `keepstill run` again, which carries it over into \
         cohort.tsv; or write factor({column}) to take the column as names of groups"
    )]
    Mixed { column: String, stem: String, text: String },
    #[error("--adjust-sites {column}: {source}")]
    Sites { column: String, source: SiteError },
    #[error("--adjust-sites: {0}; correct that column in the participants table, and do `keepstill run` again")]
    Weights(LinalgError),
}
