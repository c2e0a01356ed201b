//! The children in a stack, what each of them has on disk, and who was left out.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use super::kind::Kind;
use super::left_out::LeftOut;
use super::request::Equal;
use crate::results::{Contents, Form, Layout};

/// Which part of a child's frames is used.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FramesUsed {
    pub frames: usize,
    pub minutes: f64,
    /// Shortest and longest repetition time, s.
    pub tr_s: [f64; 2],
    /// `enough.minutes` of the study as it was for this child.
    pub enough_minutes: f64,
}

/// Where a run's own files are.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct RunFiles {
    /// Relative to the results folder.
    pub folder: String,
    pub stem: String,
}

/// A child in the stack.
#[derive(Debug)]
pub(crate) struct Child {
    pub row: usize,
    pub ids: [String; 3],
    pub stem: String,
    /// Cells of its row in `cohort.tsv`, with tabs between.
    pub cells: String,
    /// The word under `review`; `n/a` where nobody decided.
    pub review: String,
    /// Folder of its matrices, relative to the results folder.
    pub folder: String,
    /// How each of its matrices is written, one entry per kind.
    pub forms: Vec<Form>,
    /// Its runs that have coverage tables.
    pub runs: Vec<RunFiles>,
    /// What is used of it, where that is not all.
    pub used: Option<FramesUsed>,
}

impl Child {
    /// The file of its matrix of one kind.
    pub(crate) fn matrix(&self, results: &Path, kinds: &[Kind], at: usize) -> (PathBuf, Form) {
        let form = self.forms[at];
        (self.file(results, kinds[at].matrix(form)), form)
    }

    /// Its report for machines.
    pub(crate) fn report(&self, results: &Path) -> PathBuf {
        self.file(results, Contents::ReportForMachines)
    }

    /// One of its own files.
    pub(crate) fn file(&self, results: &Path, contents: Contents<'_>) -> PathBuf {
        Layout::new(results).file(&self.folder, &self.stem, contents)
    }
}

/// The children of a stack, what each of them has, and who was left out.
#[derive(Debug)]
pub(crate) struct GatheredChildren {
    /// By atlas, then measure.
    pub kinds: Vec<Kind>,
    /// In the order of `cohort.tsv`.
    pub children: Vec<Child>,
    pub left_out: Vec<LeftOut>,
    /// How much of each child is used, where that is not all.
    pub equal: Option<Equal>,
}

impl GatheredChildren {
    /// Names of the atlases, in order.
    pub(crate) fn atlases(&self) -> Vec<&str> {
        self.kinds.iter().map(|kind| kind.atlas.as_str()).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Start of the names of a kind's files: `atlas-A_desc-M`, with `Equal5` where that many minutes are used.
    pub(crate) fn name(&self, kind: &Kind) -> String {
        format!("{}{}", kind.name(), self.equal.as_ref().map_or(String::new(), Equal::suffix))
    }

    /// Takes children out, by rising place, for one reason, each with its detail.
    pub(crate) fn leave_out(&mut self, leaves: &[(usize, String)], reason: &str) {
        self.leave_out_each(leaves.iter().map(|(at, detail)| (*at, reason, detail.clone())).collect());
    }

    /// Takes children out, by rising place, each with a reason and its detail.
    pub(crate) fn leave_out_each(&mut self, leaves: Vec<(usize, &str, String)>) {
        let mut gone = leaves.into_iter().peekable();
        for (at, child) in std::mem::take(&mut self.children).into_iter().enumerate() {
            match gone.next_if(|(leaving, ..)| *leaving == at) {
                Some((_, reason, detail)) => {
                    let Child { row, stem, ids, .. } = child;
                    self.left_out.push(LeftOut { row, stem, ids, reason: reason.to_owned(), detail });
                }
                None => self.children.push(child),
            }
        }
        self.left_out.sort_by_key(|child| child.row);
    }
}
