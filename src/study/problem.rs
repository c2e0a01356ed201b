//! What can be wrong with a study file, one value a problem, so that all are listed in one pass.

use std::fmt;
use std::path::{Path, PathBuf};

/// Why a study file could not be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum StudyError {
    #[error("cannot read the study file {}: {reason}; check the path", path.display())]
    Unreadable { path: PathBuf, reason: String },
    #[error("{} line {line}: bytes that are not UTF-8; save the study file as UTF-8 text", path.display())]
    NotUtf8 { path: PathBuf, line: usize },
    /// Every problem of the file, in line order.
    #[error("{}", listed(path, problems))]
    Problems { path: PathBuf, problems: Vec<Problem> },
}

/// One problem and the line it stands on (from 1); none for what is missing altogether.
#[derive(Debug, Clone, PartialEq)]
pub struct Problem {
    pub line: Option<usize>,
    pub fault: Fault,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}: {}", self.fault),
            None => self.fault.fmt(f),
        }
    }
}

/// The problem itself. Keys are named with their section, as in `censor.fd_mm`.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    #[error("not valid TOML: {reason}")]
    Syntax { reason: String },
    #[error("unknown section '{name}'; {}", advice(near.as_deref(), "the sections are", known))]
    UnknownSection { name: String, near: Option<String>, known: String },
    #[error("key '{key}' is outside its section; move it below [{section}]")]
    OutsideSection { key: String, section: String },
    #[error("unknown key '{key}'; {}", advice(near.as_deref(), "keys allowed here are", known))]
    UnknownKey { key: String, near: Option<String>, known: String },
    #[error("'{key}' is not a key of [{found}]; move it below [{section}]")]
    WrongSection { key: String, found: String, section: String },
    #[error("{key} is {found}; expected {allowed}")]
    Value { key: String, found: String, allowed: String },
    #[error("{key} is {found}; expected {allowed}; did you mean '{near}'?")]
    ValueNear { key: String, found: String, allowed: String, near: String },
    #[error("{key} is missing; give {allowed}")]
    Missing { key: String, allowed: String },
    #[error(
        "{seconds_key} stands beside {key} (line {line}), but a study gives this either in frames or in seconds; leave \
        one out"
    )]
    BothForms { key: String, line: usize, seconds_key: String },
    #[error("[scans] has both 'table' and 'bids'; keep the one that lists your scans")]
    BothSources,
    #[error("[scans] has neither 'table' nor 'bids'; name a scan table or a BIDS dataset")]
    NoSource,
    #[error("scans.{key} works only with 'bids'; with a scan table, the files are columns of the table")]
    OnlyWithBids { key: String },
    #[error(
        "{key} is {found}; expected seconds, above 0 and at most 100; divide milliseconds by 1000, which gives \
        {seconds}"
    )]
    Milliseconds { key: String, found: String, seconds: f64 },
    #[error("{key} names a column, but children.table is not given; add the participants table")]
    ColumnWithoutTable { key: String },
    #[error("motion.sphere_radius = \"by-age\" needs children.age_column; name the column with the children's ages")]
    RadiusWithoutAge,
    #[error(
        "motion.respiration = \"notch\" with breathing rates by age needs children.age_column; name the column with \
        the children's ages, or give motion.breaths_per_min = [low, high]"
    )]
    BreathsWithoutAge,
    #[error(
        "the data dictionary beside the participants table says that ages are in '{words}'{}",
        if *given { ", but children.age_unit says otherwise; correct the one that is wrong" }
        else { "; give children.age_unit, one of months, years, days, weeks" }
    )]
    AgeUnit { words: String, given: bool },
    #[error(
        "motion.realign works only with motion.from = \"images\"; images that come with a motion table are taken as \
        already aligned, so leave the key out"
    )]
    RealignWithTable,
    #[error("parcels.name '{name}' appears twice (first on line {first}); give each atlas its own name")]
    NameTwice { name: String, first: usize },
}

fn advice(near: Option<&str>, introduction: &str, known: &str) -> String {
    match near {
        Some(near) => format!("did you mean '{near}'?"),
        None => format!("{introduction} {known}"),
    }
}

fn listed(path: &Path, problems: &[Problem]) -> String {
    let lines: Vec<String> = problems
        .iter()
        .map(|problem| match problem.line {
            Some(_) => format!("{} {problem}", path.display()),
            None => format!("{}: {problem}", path.display()),
        })
        .collect();
    lines.join("\n")
}
