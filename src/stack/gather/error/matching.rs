//! Why children cannot be matched.

use super::columns::NoColumn;
use crate::group::groups::GroupsError;
use crate::group::matching::MatchingError;
use crate::stack::gather::request::{MOST_GROUPS, MOTION_COLUMN, USUAL_GROUP};

/// Why children cannot be matched.
#[derive(Debug, thiserror::Error)]
pub enum MatchError {
    #[error(transparent)]
    NoColumn(#[from] NoColumn),
    #[error(
        "--match: cohort.tsv has no column called {USUAL_GROUP}, the default; name the column of the groups with \
         --group COLUMN, of {known}"
    )]
    NoGroupNamed { known: String },
    #[error(
        "--match --group {column}: the column has {found} different values, more than the {MOST_GROUPS} that groups \
         may have; name another with --group COLUMN"
    )]
    TooManyGroups { column: String, found: usize },
    #[error("the cohort table has no column {MOTION_COLUMN}; do `keepstill run` again to write it anew")]
    NoMotion,
    /// A child with several rows.
    #[error(
        "--match: {child} has several rows in the stack ({column} {one} and {other}), and matching would choose among \
         rows, not children; stack one row per child, as with --where {column}={one}"
    )]
    SeveralRows { child: String, column: &'static str, one: String, other: String },
    #[error("--match --group {column}: {source}")]
    Matching { column: String, source: MatchingError },
    #[error("--match --group {column}: {source}")]
    Groups { column: String, source: GroupsError },
    #[error(
        "--match --group {column}: no group has two children, so mean FD has no SD within groups to take a caliper \
         from; give --caliper MM, or a column with larger groups"
    )]
    NoSpread { column: String },
}
