//! The results folders that a stack is made from: their names, and where the stack goes.
//!
//! With several folders each row has the name of its folder, so names must differ. No more of a path than the name is
//! ever written. Whether an id that stands in two folders is one child or two cannot be known from the folders, so
//! the user says it ([`SameId`]).

use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use super::error::{FoldersError, StackError};
use crate::record::files::{UNFINISHED, WriteError};
use crate::results::Layout;
use crate::tables::no_value;

/// Column of the name of a row's results folder, where there are several.
pub(crate) const RESULTS_COLUMN: &str = "results";

/// Whose results are stacked, and where the stack goes.
#[derive(Debug, Clone)]
pub struct StackFrom {
    /// Results folders, at least one. The rows of the stack are in their order.
    pub results: Vec<PathBuf>,
    /// What several folders are called in the stack, in their order; empty: as their last part is called.
    pub names: Vec<String>,
    /// Where the stack is written; none: the folder `stack` of the only results folder.
    pub out: Option<PathBuf>,
    /// Needed where a `participant_id` stands in several folders.
    pub same_id: Option<SameId>,
}

impl StackFrom {
    /// One results folder, whose stack is written into it.
    #[must_use]
    pub fn one(results: &Path) -> Self {
        Self { results: vec![results.to_owned()], names: Vec::new(), out: None, same_id: None }
    }
}

/// What it means that a `participant_id` stands in several results folders.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SameId {
    /// It is the same child, with rows in each: they belong together.
    OneChild,
    /// They are different children, whose ids get the name of their folder in front.
    TwoChildren,
}

impl SameId {
    pub const ALL: [Self; 2] = [Self::OneChild, Self::TwoChildren];

    /// The word used on the command line and in `stack.json`.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::OneChild => "one-child",
            Self::TwoChildren => "two-children",
        }
    }
}

/// The results folders, or those of tries with the same children.
#[derive(Debug, Clone)]
pub(crate) struct Folders {
    paths: Vec<PathBuf>,
    /// Empty where there is only one.
    names: Vec<String>,
    same_id: Option<SameId>,
}

impl Folders {
    /// Refuses folders without a cohort table, the same folder twice, and names that do not tell folders apart.
    pub(crate) fn of(from: &StackFrom) -> Result<Self, StackError> {
        for path in &from.results {
            let path = Layout::new(path).cohort_table();
            if !path.is_file() {
                return Err(StackError::NoCohort { path });
            }
        }
        let (paths, same_id) = (from.results.clone(), from.same_id);
        if paths.len() < 2 {
            let needless = [(!from.names.is_empty(), "--names"), (same_id.is_some(), "--same-id")];
            if let Some((_, option)) = needless.into_iter().find(|(given, _)| *given) {
                return Err(FoldersError::OnlyOne { option }.into());
            }
            return Ok(Self { paths, names: Vec::new(), same_id });
        }
        let real: Vec<PathBuf> = paths.iter().map(|path| real(path)).collect::<Result<_, _>>()?;
        if let Some((one, other)) = first_pair(&real) {
            let (one, other) = (paths[one].clone(), paths[other].clone());
            return Err(FoldersError::Twice { one, other }.into());
        }
        let names = if from.names.is_empty() { own_names(&paths, &real) } else { from.names.clone() };
        if names.len() != paths.len() {
            return Err(FoldersError::NamesCount { names: names.len(), folders: paths.len() }.into());
        }
        let unfit = |name: &&String| {
            no_value(name) || name.trim() != *name || name.contains(|c: char| c == '/' || c.is_control())
        };
        if let Some(name) = names.iter().find(unfit) {
            return Err(FoldersError::Name { name: name.clone() }.into());
        }
        if let Some((one, other)) = first_pair(&names) {
            let (name, one, other) = (names[one].clone(), paths[one].clone(), paths[other].clone());
            return Err(FoldersError::SameName { name, one, other }.into());
        }
        Ok(Self { paths, names, same_id })
    }

    /// The same children in other folders, such as those of tries.
    pub(crate) fn at(&self, paths: Vec<PathBuf>) -> Self {
        Self { paths, ..self.clone() }
    }

    pub(crate) fn paths(&self) -> &[PathBuf] {
        &self.paths
    }

    /// One of them, by its place.
    pub(crate) fn path(&self, at: usize) -> &Path {
        &self.paths[at]
    }

    /// The name of one of them, by its place; none where there is only one.
    pub(crate) fn name(&self, at: usize) -> Option<&str> {
        self.names.get(at).map(String::as_str)
    }

    pub(crate) fn names(&self) -> &[String] {
        &self.names
    }

    pub(crate) fn are_several(&self) -> bool {
        self.paths.len() > 1
    }

    pub(crate) fn same_id(&self) -> Option<SameId> {
        self.same_id
    }

    /// A stem or an id of one of the folders, so that it is nobody else's: with the folder's name in front, where there
    /// are several.
    pub(crate) fn own(&self, at: usize, id: &str) -> String {
        self.name(at).map_or(id.to_owned(), |name| format!("{name}_{id}"))
    }

    /// The cohort tables, for messages.
    pub(crate) fn cohort_tables(&self) -> String {
        let tables: Vec<String> =
            self.paths.iter().map(|path| Layout::new(path).cohort_table().display().to_string()).collect();
        tables.join(", ")
    }

    /// The folder of the stack. One that is named must be new, or hold nothing but an earlier stack: files are replaced
    /// there by their names.
    pub(crate) fn out(&self, asked: Option<&Path>, is_ours: fn(&str) -> bool) -> Result<PathBuf, StackError> {
        let Some(out) = asked else {
            return match self.paths.as_slice() {
                [only] => Ok(Layout::new(only).stack()),
                several => Err(FoldersError::NoOut { folders: several.len() }.into()),
            };
        };
        if Layout::new(out).cohort_table().exists() {
            return Err(FoldersError::OutIsResults { out: out.to_owned() }.into());
        }
        let fail = |source| WriteError { path: out.to_owned(), source };
        let entries = match fs::read_dir(out) {
            Err(error) if error.kind() == ErrorKind::NotFound => return Ok(out.to_owned()),
            entries => entries.map_err(fail)?,
        };
        let mut foreign = Vec::new();
        for entry in entries {
            let name = entry.map_err(fail)?.file_name().to_string_lossy().into_owned();
            if name == "stack.json" {
                return Ok(out.to_owned());
            }
            if !is_ours(&name) && !name.starts_with(UNFINISHED) {
                foreign.push(name);
            }
        }
        match foreign.into_iter().min() {
            Some(name) => Err(FoldersError::OutHolds { out: out.to_owned(), name }.into()),
            None => Ok(out.to_owned()),
        }
    }
}

/// Where a folder really is.
fn real(path: &Path) -> Result<PathBuf, StackError> {
    let fail = |error: std::io::Error| StackError::Unreadable { path: path.to_owned(), message: error.to_string() };
    fs::canonicalize(path).map_err(fail)
}

/// The last part of each path as it was given; of one without, such as `..`, the last part of where it really is.
fn own_names(paths: &[PathBuf], real: &[PathBuf]) -> Vec<String> {
    let name = |(path, real): (&PathBuf, &PathBuf)| {
        let name = path.file_name().or_else(|| real.file_name()).unwrap_or_default();
        name.to_string_lossy().into_owned()
    };
    paths.iter().zip(real).map(name).collect()
}

/// The first two that are equal.
fn first_pair<T: PartialEq>(all: &[T]) -> Option<(usize, usize)> {
    let earlier = |other: usize| all[..other].iter().position(|one| *one == all[other]);
    (0..all.len()).find_map(|other| earlier(other).map(|one| (one, other)))
}
