//! One array with a row a child, and tables in the same order: what group statistics start from.
//!
//! Each child's matrix lies in a file of its own. A stack takes the children who have enough data and puts, for each atlas
//! and measure, the upper triangle of each matrix into one row: edges i < j in the order (0,1), (0,2) … (0,P−1), (1,2) …
//! (row-major), E = P(P−1)/2 of them. The order of the rows is that of `cohort.tsv`, in every file.
//!
//! ```text
//! cohort.tsv, review/decisions.tsv ─► who: candidates, left out          (who, reviewed)
//!  candidates ─► their matrices and coverage tables on disk              (found)
//!             ─► parcels: names, networks, mean centroids, who lacks one (parcels)
//!  blocks of children, read by all cores ─► one writer a file            (stream, values, forms)
//!                     └─► sums over children: is it just motion?    (quality)
//!  all files whole ─► renamed together, stack.json last                  (whole, about)
//! ```
//!
//! What can be asked for beyond this (equal data, matched groups, reliability, tests) is told of in [`further`].
//!
//! Memory holds two blocks of [`stream::BLOCK_BYTES`], whatever the number of children (while one block is written the next
//! is read), and of each child its row of the cohort table and its shuffled motion: some 2.5 kB. Files stand under
//! unfinished names until every one is whole; `stack.json` is taken away first and written last, so it vouches for all
//! that lies beside it.

mod about;
mod equal;
mod forms;
mod found;
mod further;
mod matched;
mod parcels;
mod quality;
mod reliability;
mod reviewed;
mod runs;
mod standard_errors;
mod step;
mod stream;
mod tables;
mod tested;
mod values;
mod who;
mod whole;

use std::fs::{self, File};
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::group::reliability::ReliabilityError;
use crate::record::files::{WriteError, remove_unfinished};
use crate::record::lock::{LockError, PATIENCE, lock_results};
use crate::review::ledger::LedgerError;
use crate::tables::TableError;

pub use equal::Equal;
pub use forms::Format;
pub use further::Further;
pub use matched::{Alike, Match, MatchError, Matched};
pub use runs::RunsError;
pub use standard_errors::StandardErrors;
pub use step::{Listener, Step};
pub use tested::{Test, TestError};
pub use who::{Condition, LeftOut};

/// The folder of a stack's files, relative to the results folder.
pub const FOLDER: &str = "stack";

/// What to do about parcels that some child lacks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Missing {
    /// Edges of such a parcel are NaN in the children who lack it.
    Keep,
    /// The parcel is left out of the stack.
    DropParcel,
    /// The child is left out of the stack.
    DropChild,
}

impl Missing {
    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Keep => "keep",
            Self::DropParcel => "drop-parcel",
            Self::DropChild => "drop-child",
        }
    }
}

/// Who and what goes into a stack.
#[derive(Debug, Clone)]
pub struct Choice {
    /// Take children whatever their verdict, if they have a matrix.
    pub all: bool,
    /// Minutes kept that a child needs, instead of the study's.
    pub min_minutes: Option<f64>,
    /// All must hold.
    pub conditions: Vec<Condition>,
    pub missing: Missing,
    /// At least one; in the order of writing.
    pub formats: Vec<Format>,
    /// Fisher's z in place of r.
    pub fisher_z: bool,
    /// Equal data, matched groups, reliability, standard errors, tests.
    pub further: Further,
    /// The column of the cohort table whose groups are compared in motion and minutes; none: `group`, where there is one.
    pub group: Option<String>,
}

/// What was stacked.
#[derive(Debug)]
pub struct Stacked {
    pub folder: PathBuf,
    pub children: usize,
    /// Children in `cohort.tsv`.
    pub of: usize,
    /// In the order of `cohort.tsv`.
    pub left_out: Vec<LeftOut>,
    /// The groups' motion before and after matching.
    pub matched: Option<Matched>,
    /// What a person should know before using the stack.
    pub notes: Vec<String>,
    /// The contents of `stack.json`.
    pub about: Value,
    /// The contents of `quality.json`.
    pub quality: Value,
}

impl Stacked {
    /// How many children were left out for each reason, in the order of first appearance.
    #[must_use]
    pub fn reasons(&self) -> Vec<(&str, usize)> {
        who::reasons(&self.left_out)
    }
}

/// Why there is no stack.
#[derive(Debug, thiserror::Error)]
pub enum StackError {
    #[error("{}: there is no cohort table; give a results folder that `keepstill run` wrote", path.display())]
    NoCohort { path: PathBuf },
    #[error("{}: a run or another stack is at work in this results folder; wait for it to end, then stack again",
        path.display())]
    Locked { path: PathBuf },
    #[error(transparent)]
    Lock(#[from] LockError),
    #[error(transparent)]
    Table(#[from] TableError),
    #[error("{}: the cohort table has no column \"{column}\"; do `keepstill run` again to write it anew", path.display())]
    NoColumn { path: PathBuf, column: &'static str },
    #[error("--where {column}: cohort.tsv has no such column{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    UnknownColumn { column: String, nearest: Option<String>, known: String },
    #[error("--group {column}: cohort.tsv has no such column{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    UnknownGroup { column: String, nearest: Option<String>, known: String },
    #[error("{}: {source}", path.display())]
    Quality { path: PathBuf, source: crate::group::quality::QualityError },
    #[error("{}: motion and the covariates age and sex: {source}; do `keepstill run` again to write it anew", path.display())]
    Motion { path: PathBuf, source: crate::linalg::LinalgError },
    #[error("{}: {pair}: a correlation of {found} is none, it lies between -1 and 1; do `keepstill run` again to write it anew",
        path.display())]
    NoCorrelation { path: PathBuf, pair: String, found: f32 },
    #[error("{}: no child of {rows} is left to stack ({reasons}); ask for {}{}", path.display(), other_wish(reasons),
        if seen.is_empty() { String::new() } else { format!(" ({seen})") })]
    NoneLeft {
        path: PathBuf,
        rows: usize,
        reasons: String,
        /// Values of the columns of conditions, in words.
        seen: String,
    },
    #[error("{}: cannot read: {message}; do `keepstill run` again to write it anew", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: the files {stems} could each be this row's, in line {line}; give the runs run_ids that differ", path.display())]
    Ambiguous { path: PathBuf, line: usize, stems: String },
    #[error("{}: there is no such matrix, though {like}; do `keepstill run` again, or leave the child out with --where",
        path.display())]
    NoMatrix { path: PathBuf, like: String },
    #[error("{}: the matrix has {found}, expected {expected} parcels each way as in {}; do `keepstill run` again with one atlas for all",
        path.display(), like.display())]
    Size { path: PathBuf, found: String, expected: usize, like: PathBuf },
    #[error("{} line {line}: parcel {position} is called \"{found}\", expected \"{expected}\" as in {}; do `keepstill run` again with one atlas for all",
        path.display(), like.display())]
    OtherParcel { path: PathBuf, line: usize, position: usize, found: String, expected: String, like: PathBuf },
    #[error("{} line {line}: {cells} cells, expected {expected}: a name and a value a parcel; do `keepstill run` again to write it anew",
        path.display())]
    Ragged { path: PathBuf, line: usize, cells: usize, expected: usize },
    #[error("{} line {line}, value {position}: '{found}' is not a number; do `keepstill run` again to write it anew", path.display())]
    NotANumber { path: PathBuf, line: usize, position: usize, found: String },
    #[error("{}: there is no coverage table of atlas {atlas}; do `keepstill run` again to write it anew", path.display())]
    NoCoverage { path: PathBuf, atlas: String },
    #[error(
        "--missing drop-parcel leaves nothing of atlas {atlas}: each of its {parcels} parcels is lacking in some child; see --missing keep"
    )]
    NoParcelLeft { atlas: String, parcels: usize },
    #[error(
        "{file}: the variable \"{variable}\" would have {bytes} bytes, and one of a MATLAB 5 file must have fewer than {limit}; take --as npy or --as parquet, or fewer children with --where"
    )]
    TooLargeForMat { file: String, variable: &'static str, bytes: u64, limit: u64 },
    #[error("--as parquet: this keepstill was built without the feature `parquet`; take npy, tsv or mat")]
    NoParquet,
    #[error(transparent)]
    Runs(#[from] RunsError),
    #[error("{stem}: {source}")]
    Reliability { stem: String, source: ReliabilityError },
    #[error("{stem}: --equal-minutes {asked} gives {frames} kept frames{}, and a correlation needs {least} to have a spread; {}",
        runs_cost(*frames, *least), enough_minutes(*minutes))]
    FewFrames { stem: String, asked: f64, frames: usize, least: usize, minutes: Option<f64> },
    #[error(transparent)]
    Match(#[from] MatchError),
    #[error(transparent)]
    Test(#[from] TestError),
    #[error(transparent)]
    Decisions(#[from] LedgerError),
    #[error(transparent)]
    Write(#[from] WriteError),
}

/// Why enough frames can be too few.
fn runs_cost(frames: usize, least: usize) -> &'static str {
    if frames < least { "" } else { " of several runs, each with a mean of its own" }
}

fn enough_minutes(minutes: Option<f64>) -> String {
    match minutes {
        Some(minutes) => format!("ask for at least {minutes} minutes"),
        None => "leave the child out with --where".to_owned(),
    }
}

/// What to ask for instead when nobody is left, by the reasons.
fn other_wish(reasons: &str) -> &'static str {
    if reasons.contains(equal::REASON) {
        "fewer --equal-minutes"
    } else if matched::REASONS.iter().any(|reason| reasons.contains(reason)) {
        "a wider --caliper or another --group"
    } else {
        "others with --all, --min-minutes, --where or --missing"
    }
}

/// Stacks a results folder's matrices into `RESULTS/stack/`; `tell` hears how far it has come.
///
/// # Errors
/// [`StackError`]; what an earlier stack wrote is then still there, whole.
pub fn stack(results: &Path, choice: &Choice, tell: Listener<'_>) -> Result<Stacked, StackError> {
    if cfg!(not(feature = "parquet")) && choice.formats.contains(&Format::Parquet) {
        return Err(StackError::NoParquet);
    }
    let cohort = results.join("cohort.tsv");
    if !cohort.is_file() {
        return Err(StackError::NoCohort { path: cohort });
    }
    let _lock = lock(results)?;
    let folder = results.join(FOLDER);
    if folder.is_dir() {
        remove_unfinished(&folder)?;
    }
    let chosen = who::choose(results, choice)?;
    let rows = chosen.rows;
    let header = chosen.header.clone();
    let digest = chosen.digest.clone();
    let skipped = chosen.skipped.clone();
    let seen = chosen.seen.join("; ");
    let mut found = found::find(results, chosen)?;
    if let Some(equal) = &choice.further.equal {
        equal::leave_out_short(results, equal, &mut found)?;
    }
    let mut atlases = parcels::reference(results, &found)?;
    // Children are matched when no other will leave, and parcels dropped by those who stay.
    let mut lacking = None;
    if choice.missing == Missing::DropChild {
        lacking = Some(drop_missing(results, choice, &mut atlases, &mut found)?);
    }
    let matching = choice.further.matching.as_ref();
    let matched = matching.map(|wanted| matched::leave_out_unlike(wanted, &header, &mut found)).transpose()?;
    if choice.missing == Missing::DropParcel {
        lacking = Some(drop_missing(results, choice, &mut atlases, &mut found)?);
    }
    if found.children.is_empty() {
        let reasons = who::counted(&found.left_out);
        return Err(StackError::NoneLeft { path: cohort, rows, reasons, seen });
    }
    let test = choice.further.test.as_ref();
    let prepared = test.map(|wanted| tested::prepare(wanted, &header, &found, matched.is_some())).transpose()?;
    parcels::centroids(results, &found, &mut atlases)?;

    let said = about::chosen(choice, rows, &found, matched.as_ref());
    let work = Work { results, folder: &folder, found: &found, atlases: &atlases, tell };
    let written = write(&work, choice, &header, lacking, &said).and_then(|(mut files, arrays, quality)| {
        let told = further::write(&work, choice, prepared.as_ref(), &mut files)?;
        Ok((files, arrays, quality, told))
    });
    if written.is_err() {
        // Of a folder with nothing in it, nothing is to be seen.
        let _ = fs::remove_dir(&folder);
    }
    let (files, arrays, quality, told) = written?;
    let mut notes = about::notes(choice, &found, &arrays);
    notes.extend(told.iter().flat_map(|(_, about)| further::notes(about)));
    notes.extend(equal::notes(&found));
    notes.extend(quality.notes);
    notes.extend(skipped);
    let mut about =
        about::json(&about::Facts { choice, digest: &digest, chosen: &said, arrays: &arrays, notes: &notes });
    for (key, value) in told {
        about[key] = value;
    }
    whole::put_all_in_place(&folder, files, &about)?;
    Ok(Stacked {
        folder,
        children: found.children.len(),
        of: rows,
        left_out: found.left_out,
        matched,
        notes,
        about,
        quality: quality.json,
    })
}

/// Leaves out what some child lacks, and tells who lacks what.
fn drop_missing(
    results: &Path,
    choice: &Choice,
    atlases: &mut [parcels::Atlas],
    found: &mut found::Found,
) -> Result<parcels::Lacking, StackError> {
    let lacking = stream::lacking(results, found, atlases)?;
    parcels::drop_missing(choice.missing, atlases, found, &lacking)?;
    Ok(lacking)
}

/// What every part of a stack works on.
#[derive(Clone, Copy)]
struct Work<'a> {
    results: &'a Path,
    folder: &'a Path,
    found: &'a found::Found,
    atlases: &'a [parcels::Atlas],
    tell: Listener<'a>,
}

/// Writes every file but `stack.json` under unfinished names.
fn write(
    work: &Work<'_>,
    choice: &Choice,
    header: &[String],
    lacking: Option<parcels::Lacking>,
    chosen: &Value,
) -> Result<(Vec<whole::Whole>, Vec<stream::Stacking>, quality::Told), StackError> {
    let Work { results, folder, found, atlases, tell } = *work;
    stream::refuse_what_cannot_be(choice, found, atlases)?;
    let text = |name: &str, text: &str| whole::Whole::of(&folder.join(name), text.as_bytes());
    let mut files = vec![
        tables::children(&folder.join("children.tsv"), header, found)?,
        text("left_out.tsv", &tables::left_out(&found.left_out))?,
    ];
    for atlas in atlases {
        files.push(text(&format!("atlas-{}_parcels.tsv", atlas.name), &tables::parcels(atlas))?);
        files.push(text(&format!("atlas-{}_edges.tsv", atlas.name), &tables::edges(atlas))?);
    }
    let mut quality = quality::Quality::begin(results, choice, header, found, atlases, chosen.clone(), tell)?;
    let (arrays, seen) = stream::write(work, choice, &mut files, &mut quality)?;
    let told = quality.finish(folder, &mut files)?;
    let lacking = lacking.unwrap_or(seen);
    for (atlas, lacking) in atlases.iter().zip(&lacking.atlases) {
        files.push(text(&format!("atlas-{}_missing.tsv", atlas.name), &tables::missing(atlas, lacking, found))?);
    }
    Ok((files, arrays, told))
}

/// Keeps runs out while a stack is read, and stacks out while a run writes.
fn lock(results: &Path) -> Result<File, StackError> {
    lock_results(results, PATIENCE)?.ok_or_else(|| StackError::Locked { path: results.to_owned() })
}
