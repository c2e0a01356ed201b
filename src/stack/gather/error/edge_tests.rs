//! Why there is no test.

use super::columns::MixedColumn;
use crate::group::edge_tests::EdgeTestError;
use crate::group::formula::FormulaError;

/// Why there is no test.
#[derive(Debug, thiserror::Error)]
pub enum TestError {
    #[error("--test: {0}")]
    Formula(FormulaError),
    #[error(transparent)]
    Mixed(#[from] MixedColumn),
    #[error("--test: {column} is made by `keepstill stack` itself and cannot be a term; take it out of the formula")]
    MadeHere { column: String },
    #[error(
        "--test: the model's column {column} is 0 for every child in the test, because {of} is the same in all rows of \
         each {each}; leave its term out of the formula"
    )]
    NothingWithin { column: String, of: String, each: &'static str },
    #[error("--test: {0}")]
    Model(#[from] EdgeTestError),
    #[error("--test, {name}: {source}")]
    Edges { name: String, source: EdgeTestError },
    #[error("{option} {asked}: the formula has no such term or coefficient{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoTerm { option: &'static str, asked: String, nearest: Option<String>, known: String },
    #[error("--permutations {count}: {source}")]
    TooMany { count: usize, source: EdgeTestError },
    #[error("--permute {}: with --permutations 0 nothing is permuted; give a number such as --permutations 1000, or \
             leave out --permute", asked.join(", "))]
    PermuteNothing { asked: Vec<String> },
    #[error("--permutations: {source}{}", match others.as_slice() {
        [] => String::new(),
        others => format!("; the others can be permuted: {}",
            others.iter().map(|name| format!("--permute \"{name}\"")).collect::<Vec<_>>().join(" ")),
    })]
    NotPermutable { source: EdgeTestError, others: Vec<String> },
    #[error("--level networks: atlas {atlas} names no networks; give it a table with a column network, or test edges")]
    NoNetworks { atlas: String },
    #[error("--edge-sets: sets of edges need --level edges; leave out --level networks or --edge-sets")]
    SetsOfNetworks,
    #[error(
        "--edge-sets {threshold}: how large a set chance gives is found by permutation, and --permutations is 0; give \
         a number such as --permutations 1000"
    )]
    SetsWithoutPermutations { threshold: f64 },
    #[error("--permute {asked}: this coefficient is not tested; name it with --of too")]
    NotTested { asked: String },
    #[error(
        "--test: the stack has only {found}, and z and r are of correlations; write \"covariance ~ …\", or add \
         pearson, spearman or partial to connectivity.measures and do `keepstill run` again"
    )]
    NoCorrelation { found: String },
    #[error(
        "--test: the stack has only {found}, and no covariance; write \"z ~ …\", or add covariance to \
         connectivity.measures and do `keepstill run` again"
    )]
    NoCovariance { found: String },
}
