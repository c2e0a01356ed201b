//! Why there is no stack: one error for all rooms, with those of matching, records and tests inside.

mod blocks;
mod columns;
mod edge_tests;
mod folders;
mod matching;
mod records;
mod sites;

use std::path::PathBuf;

use super::left_out::{LESS_THAN_EQUAL_DOF, LESS_THAN_EQUAL_MINUTES, OF_SITES, OF_THE_CALIPER};
use crate::connectivity::percent::COVARIANCE_UNIT;
use crate::group::quality::QualityError;
use crate::group::reliability::ReliabilityError;
use crate::linalg::LinalgError;
use crate::record::files::WriteError;
use crate::record::lock::LockError;
use crate::results::CohortTableError;
use crate::review::ledger::LedgerError;
use crate::tables::TableError;

pub use blocks::BlocksError;
pub use columns::{MixedColumn, NoColumn};
pub use edge_tests::TestError;
pub use folders::FoldersError;
pub use matching::MatchError;
pub use records::RunsError;
pub use sites::SitesError;

/// Why there is no stack.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    /// A child whose degrees of freedom are not known.
    #[error(
        "{path}: {stem} has no degrees of freedom (column dof), by which children are weighted; give `keepstill run` \
         again, or let all children count alike with --weights equal"
    )]
    NoDof { path: PathBuf, stem: String },
    #[error("{}: there is no cohort table; give a results folder that `keepstill run` wrote", path.display())]
    NoCohort { path: PathBuf },
    #[error("{}: a run or another stack is at work in this results folder; wait for it to end, then stack again",
        path.display())]
    Locked { path: PathBuf },
    #[error(transparent)]
    Lock(#[from] LockError),
    #[error(transparent)]
    Table(#[from] TableError),
    #[error(transparent)]
    Cohort(#[from] CohortTableError),
    #[error(transparent)]
    NoColumn(#[from] NoColumn),
    #[error("{}: {source}", path.display())]
    Quality { path: PathBuf, source: QualityError },
    #[error("{tables}: motion and the covariates age and sex: {source}; do `keepstill run` again to write it anew")]
    Motion { tables: String, source: LinalgError },
    #[error("{}: {pair}: {found} cannot be a correlation, which lies between -1 and 1; do `keepstill run` again to \
             write it anew",
        path.display())]
    NoCorrelation { path: PathBuf, pair: String, found: f32 },
    #[error("{}: this child's covariances are not in {COVARIANCE_UNIT}, because an earlier version wrote them; do \
             `keepstill run` again to write them anew",
        path.display())]
    CovarianceUnit { path: PathBuf },
    #[error("{tables}: no child of {children} is left to stack ({reasons}); ask for {}{}",
        other_wish(reasons),
        if seen.is_empty() { String::new() } else { format!(" ({seen})") })]
    NoneLeft {
        /// The cohort tables.
        tables: String,
        children: usize,
        reasons: String,
        /// Values of the columns of conditions, in words.
        seen: String,
    },
    #[error("{}: cannot read: {message}; do `keepstill run` again to write it anew", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: line {line} fits the files of {stems}; give the runs different run_ids", path.display())]
    Ambiguous { path: PathBuf, line: usize, stems: String },
    #[error("{}: there is no such matrix, but {like}; do `keepstill run` again, or leave the child out with --where",
        path.display())]
    NoMatrix { path: PathBuf, like: String },
    #[error("{}: the matrix has {found}, expected {expected} parcels each way as in {}; do `keepstill run` again with \
             one atlas for all",
        path.display(), like.display())]
    Size { path: PathBuf, found: String, expected: usize, like: PathBuf },
    #[error("{} line {line}: parcel {position} is called \"{found}\", expected \"{expected}\" as in {}; do `keepstill \
             run` again with one atlas for all",
        path.display(), like.display())]
    OtherParcel { path: PathBuf, line: usize, position: usize, found: String, expected: String, like: PathBuf },
    #[error("{} line {line}: {cells} cells, expected {expected}: a name, and one value per parcel; do `keepstill run` \
             again to write it anew",
        path.display())]
    Ragged { path: PathBuf, line: usize, cells: usize, expected: usize },
    #[error("{} line {line}, value {position}: '{found}' is not a number; do `keepstill run` again to write it anew",
        path.display())]
    NotANumber { path: PathBuf, line: usize, position: usize, found: String },
    #[error("{}: there is no coverage table of atlas {atlas}; do `keepstill run` again to write it anew",
        path.display())]
    NoCoverage { path: PathBuf, atlas: String },
    #[error(
        "--missing drop-parcel leaves nothing of atlas {atlas}: each of its {parcels} parcels is missing in at least \
         one child; see --missing keep"
    )]
    NoParcelLeft { atlas: String, parcels: usize },
    #[error(
        "{file}: the variable \"{variable}\" would have {bytes} bytes, and one of a MATLAB 5 file must have fewer than \
         {limit}; take --as npy or --as parquet, or fewer children with --where"
    )]
    TooLargeForMat { file: String, variable: &'static str, bytes: u64, limit: u64 },
    #[error("--as parquet: this keepstill was built without the feature `parquet`; take npy, tsv or mat")]
    NoParquet,
    #[error(transparent)]
    Runs(#[from] RunsError),
    #[error("{stem}: {source}")]
    Reliability { stem: String, source: ReliabilityError },
    #[error("{stem}: {asked} gives {frames} kept frames{}, and a correlation needs {least} to have a \
             standard error; {}",
        runs_cost(*frames, *least), enough_words(enough.as_deref()))]
    FewFrames { stem: String, asked: String, frames: usize, least: usize, enough: Option<String> },
    #[error("{stem}: {asked} leaves {found} degrees of freedom, and a correlation has a standard error only with \
             more than {least}, since its variance is 1/(dof - {least}); ask for at least {enough} degrees of freedom",
        found = crate::tables::figures(*found, 2))]
    FewDof { stem: String, asked: String, found: f64, least: f64, enough: f64 },
    #[error(
        "--common-shrinkage: there are no partial correlations in the stack, and other measures are not shrunk; leave \
             it out, or add \"partial\" to connectivity.measures and do `keepstill run` again"
    )]
    NoPartial,
    #[error(transparent)]
    Folders(#[from] FoldersError),
    #[error(transparent)]
    Blocks(#[from] BlocksError),
    #[error(transparent)]
    Match(#[from] MatchError),
    #[error(transparent)]
    Sites(#[from] SitesError),
    #[error(transparent)]
    Test(#[from] TestError),
    #[error(transparent)]
    Decisions(#[from] LedgerError),
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// Why enough frames can be too few.
fn runs_cost(frames: usize, least: usize) -> &'static str {
    if frames < least { "" } else { " over several runs, each with its own mean" }
}

fn enough_words(enough: Option<&str>) -> String {
    match enough {
        Some(enough) => format!("ask for at least {enough}"),
        None => "leave the child out with --where".to_owned(),
    }
}

/// What to ask for instead when nobody is left, by the reasons.
fn other_wish(reasons: &str) -> &'static str {
    if reasons.contains(LESS_THAN_EQUAL_MINUTES) {
        "fewer --equal-minutes"
    } else if reasons.contains(LESS_THAN_EQUAL_DOF) {
        "a smaller --equal-dof"
    } else if OF_THE_CALIPER.iter().any(|reason| reasons.contains(reason)) {
        "a wider --caliper or another --group"
    } else if reasons.contains(OF_SITES) {
        "another column with --adjust-sites, or fewer with --keep"
    } else {
        "others with --all, --min-minutes, --where or --missing"
    }
}
