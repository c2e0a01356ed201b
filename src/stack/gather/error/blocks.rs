//! Why blocks of children cannot be told.

use super::columns::NoColumn;

/// Why blocks of children cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum BlocksError {
    #[error(transparent)]
    NoColumn(#[from] NoColumn),
    #[error(
        "--blocks {column}: the rows of {participant} have {one} and {other} there, and a child can be in one block \
         only; correct the column in the participants table and do `keepstill run` again"
    )]
    TwoBlocks { column: String, participant: String, one: String, other: String },
}
