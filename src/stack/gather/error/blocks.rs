//! Why blocks of children cannot be told.

/// Why blocks of children cannot be told.
#[derive(Debug, thiserror::Error)]
pub enum BlocksError {
    #[error("--blocks {column}: cohort.tsv has no such column{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoColumn { column: String, nearest: Option<String>, known: String },
    #[error(
        "--blocks {column}: the rows of {participant} have {one} and {other} there, and a child can be in one block \
         only; correct the column in the participants table and do `keepstill run` again"
    )]
    TwoBlocks { column: String, participant: String, one: String, other: String },
}
