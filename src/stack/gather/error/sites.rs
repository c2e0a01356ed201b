//! Why sites cannot be adjusted.

use super::columns::{MixedColumn, NoColumn};
use crate::group::formula::FormulaError;
use crate::group::site_effects::SiteError;
use crate::linalg::LinalgError;

/// Why sites cannot be adjusted.
#[derive(Debug, thiserror::Error)]
pub enum SitesError {
    #[error(transparent)]
    NoColumn(#[from] NoColumn),
    #[error("--keep: {0}")]
    Keep(FormulaError),
    #[error("--keep: {column} is made by `keepstill stack` itself, from the edges, and cannot be kept; leave it out")]
    MadeHere { column: String },
    #[error(transparent)]
    Mixed(#[from] MixedColumn),
    #[error("--adjust-sites {column}: {source}")]
    Sites { column: String, source: SiteError },
    #[error("--adjust-sites: {0}; correct that column in the participants table, and do `keepstill run` again")]
    Weights(LinalgError),
}
