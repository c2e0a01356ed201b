//! What can be wrong with a cohort as tables and file names tell: problems of one scan, and those that stop everything.

use std::path::{Path, PathBuf};

use crate::remark::Remark;
use crate::tables::TableError;
use crate::units::usable_tr;

/// Why no list of scans could be made: every such problem at once.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{}", listed(problems))]
pub struct DiscoverError {
    pub problems: Vec<CohortProblem>,
}

fn listed(problems: &[CohortProblem]) -> String {
    problems.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

/// A problem of the whole study.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CohortProblem {
    #[error(transparent)]
    Table(#[from] TableError),
    #[error("{} line 1: unknown column '{name}'; {}", path.display(), advice(near.as_deref(), known))]
    UnknownColumn { path: PathBuf, name: String, near: Option<String>, known: String },
    #[error("{} line 1: no column '{name}', which {wanted}; {}", path.display(), advice(near.as_deref(), known))]
    NoColumn { path: PathBuf, name: String, wanted: String, near: Option<String>, known: String },
    #[error("{} lists no scans; add one row per run below the header line", path.display())]
    NoRows { path: PathBuf },
    #[error("{} line {line}: participant_id is empty; give each row its child", path.display())]
    NoParticipant { path: PathBuf, line: usize },
    #[error("{} line {line}: child '{participant}'{} appears twice (first on line {first}); keep one row per child, or \
        one per child and session with a column session_id",
        path.display(), .session.as_deref().map_or_else(String::new, |session| format!(" in session '{session}'")))]
    ChildTwice { path: PathBuf, line: usize, first: usize, participant: String, session: Option<String> },
    #[error("children.age_column = \"{column}\" needs a participants table, but {} does not exist; set children.table",
        path.display())]
    NoParticipantsTable { path: PathBuf, column: String },
    #[error("{} is not a folder; scans.bids must name the root of a BIDS dataset", path.display())]
    NoDataset { path: PathBuf },
    #[error("cannot list {}: {reason}; check the permissions", path.display())]
    Unlistable { path: PathBuf, reason: String },
    #[error("{} has no file sub-*/[ses-*/]func/*_bold.nii or .nii.gz; check scans.bids", path.display())]
    NoRuns { path: PathBuf },
    #[error("none of the {count} runs in {} matches scans.where ({wanted}); in the dataset, {found}; correct \
        scans.where", path.display())]
    NothingMatches { path: PathBuf, count: usize, wanted: String, found: String },
    #[error(
        "{child} has runs of several tasks ({tasks}) that would be joined; {instead}, or set connectivity.join = \
        \"none\""
    )]
    SeveralTasks { child: String, tasks: String, instead: String },
    #[error("the results folder {} would mix with the scans in {}; set study.results to a folder of its own",
        results.display(), root.display())]
    ResultsAmongScans { results: PathBuf, root: PathBuf },
    #[error("scans.watch_log finds no file for any scan (the first one looked for was {}); correct the pattern or \
        leave it out", path.display())]
    NoWatchLogs { path: PathBuf },
}

/// A problem of one scan. The scan's name is not repeated here, since messages are listed under it.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScanProblem {
    #[error("{} line {line}: {column} is empty; {instead}", path.display())]
    EmptyCell { path: PathBuf, line: usize, column: &'static str, instead: &'static str },
    #[error("{place}: {what} '{found}' is not a label; use letters and digits only")]
    Label { place: String, what: &'static str, found: String },
    #[error("{place}: repetition time is {found}; expected seconds, above 0 and at most 100{}", milliseconds(*seconds))]
    RepetitionTime { place: String, found: String, seconds: Option<f64> },
    #[error("{what}: {} does not exist; check the name in {named_in}", path.display())]
    NoFile { what: &'static str, path: PathBuf, named_in: String },
    #[error("{what}: {} is a link that leads nowhere; fetch the file it stands for", path.display())]
    DeadLink { what: &'static str, path: PathBuf },
    #[error("{what}: {} is a folder; name the file itself", path.display())]
    IsFolder { what: &'static str, path: PathBuf },
    #[error("no {what} file, {wanted}; {instead}")]
    Needed { what: &'static str, wanted: &'static str, instead: String },
    #[error("{} line {line}: the same participant, session and run as line {other}; give each run its own run_id",
        path.display())]
    SameRun { path: PathBuf, line: usize, other: usize },
    #[error("{what} {} is also used by {other}; each run needs its own", path.display())]
    SharedFile { what: &'static str, path: PathBuf, other: String },
    #[error("{count} files are the same run ({files}); {advice}")]
    SeveralFiles { count: usize, files: String, advice: String },
    #[error("{}: '{part}' in the file name does not have the form key-label; rename the file as the BIDS standard says",
        path.display())]
    FileName { path: PathBuf, part: String },
    #[error("{}: the file name says {found}, but it lies in {folder}; move or rename it", path.display())]
    Misplaced { path: PathBuf, found: String, folder: String },
    #[error("{}: {reason}; correct the sidecar", path.display())]
    Sidecar { path: PathBuf, reason: String },
    #[error("{} and {} both give this run's repetition time ({first_s} s, {second_s} s); keep one",
        first.display(), second.display())]
    TwoSidecars { first: PathBuf, second: PathBuf, first_s: f64, second_s: f64 },
    #[error("{} has rows of sub-{participant} for the sessions {known}, but none for its scan's session, {session}; \
        correct session_id, or add the row",
        path.display())]
    NoSession { path: PathBuf, participant: String, session: String, known: String },
    #[error("{} line {line}: {column} is {found}; expected an age from 0 to 120 years in {unit}", path.display())]
    Age { path: PathBuf, line: usize, column: String, found: String, unit: &'static str },
}

impl ScanProblem {
    /// A repetition time that cannot be one; `number` is its value if it is a number.
    pub(super) fn repetition_time(place: String, found: String, number: Option<f64>) -> Self {
        let seconds = number.map(|milliseconds| milliseconds / 1000.0).and_then(usable_tr);
        Self::RepetitionTime { place, found, seconds }
    }

    /// Whether its words tell the child's age, or what the participants table says of the child. There is no other arm,
    /// so that a new problem must be sorted too.
    fn tells_child(&self) -> bool {
        match self {
            Self::NoSession { .. } | Self::Age { .. } => true,
            Self::EmptyCell { .. }
            | Self::Label { .. }
            | Self::RepetitionTime { .. }
            | Self::NoFile { .. }
            | Self::DeadLink { .. }
            | Self::IsFolder { .. }
            | Self::Needed { .. }
            | Self::SameRun { .. }
            | Self::SharedFile { .. }
            | Self::SeveralFiles { .. }
            | Self::FileName { .. }
            | Self::Misplaced { .. }
            | Self::Sidecar { .. }
            | Self::TwoSidecars { .. } => false,
        }
    }
}

impl From<&ScanProblem> for Remark {
    fn from(problem: &ScanProblem) -> Self {
        Self { tells_child: problem.tells_child(), ..Self::about_data(problem) }
    }
}

/// What a number in milliseconds would be.
fn milliseconds(seconds: Option<f64>) -> String {
    seconds.map_or_else(String::new, |seconds| format!("; divide milliseconds by 1000, which gives {seconds}"))
}

/// Says the place of a cell.
pub(super) fn place(path: &Path, line: usize) -> String {
    format!("{} line {line}", path.display())
}

fn advice(near: Option<&str>, known: &str) -> String {
    match near {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("the columns are {known}"),
    }
}
