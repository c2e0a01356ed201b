//! The children in a stack, what each of them has on disk, and who was left out.

use std::collections::BTreeSet;
use std::path::PathBuf;

use super::folders::Folders;
use super::kind::Kind;
use super::left_out::LeftOut;
use super::request::Equal;
use crate::group::site_effects::Sites;
use crate::results::{Contents, Form, Layout};
use crate::study::settings::Measure;

/// Which part of a child's frames is used.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FramesUsed {
    pub frames: usize,
    pub minutes: f64,
    /// Degrees of freedom of all kept frames, times the share of these that is used.
    pub dof: f64,
    /// Shortest and longest repetition time, s.
    pub tr_s: [f64; 2],
    /// `enough.minutes` and `enough.dof` of the study as it was for this child.
    pub enough_minutes: f64,
    pub enough_dof: f64,
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
    /// Row in the cohort table, or in all of them one after the other.
    pub row: usize,
    /// Place of its results folder.
    pub results: usize,
    /// `participant_id`, `session_id`, `run_id` as they are in the stack.
    pub ids: [String; 3],
    /// The same as its folder's cohort table has them.
    pub own_ids: [String; 3],
    /// What it is called in the stack, like no other row.
    pub stem: String,
    /// How the names of its files begin.
    pub own_stem: String,
    /// Cells of its row in the cohort table, with tabs between.
    pub cells: String,
    /// The word under `review`; `n/a` where nobody decided.
    pub review: String,
    /// Whether somebody should look at it first and nobody has included it.
    pub unlooked: bool,
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
    pub(crate) fn matrix(&self, results: &Folders, kinds: &[Kind], at: usize) -> (PathBuf, Form) {
        let form = self.forms[at];
        (self.file(results, kinds[at].matrix(form)), form)
    }

    /// Its report for machines.
    pub(crate) fn report(&self, results: &Folders) -> PathBuf {
        self.file(results, Contents::ReportForMachines)
    }

    /// One of its own files.
    pub(crate) fn file(&self, results: &Folders, contents: Contents<'_>) -> PathBuf {
        Layout::new(results.path(self.results)).file(&self.folder, &self.own_stem, contents)
    }
}

/// The shrinkage of one atlas's partial correlations.
#[derive(Debug, Clone)]
pub(crate) struct Shrinkage {
    pub atlas: String,
    /// Of each child in the stack; NaN where its partial correlations have none.
    pub children: Vec<f64>,
    /// Used in place of each child's own.
    pub common: Option<f64>,
}

impl Shrinkage {
    /// Name of its column in `children.tsv`.
    pub(crate) fn column(&self) -> String {
        format!("shrinkage_{}", self.atlas)
    }
}

/// The children of a stack, what each of them has, and who was left out.
#[derive(Debug)]
pub(crate) struct GatheredChildren {
    /// First line of the cohort table.
    pub header: Vec<String>,
    /// By atlas, then measure.
    pub kinds: Vec<Kind>,
    /// In the order of `cohort.tsv`.
    pub children: Vec<Child>,
    pub left_out: Vec<LeftOut>,
    /// How much of each child is used, where that is not all.
    pub equal: Option<Equal>,
    /// Of atlases with partial correlations; found once nobody leaves any more.
    pub shrinkage: Vec<Shrinkage>,
    /// Whose sites are taken out, and what is kept; known once no other child will leave.
    pub sites: Option<Sites>,
}

/// The columns of `children.tsv` that say how much each child counts, and how noisy its edges are.
pub(crate) const WEIGHT_COLUMNS: [&str; 3] = ["sampling_sd", "weight", "scatter"];

impl GatheredChildren {
    /// Whether `children.tsv` gets such a column only once the edges have been read.
    pub(crate) fn will_have(&self, column: &str) -> bool {
        WEIGHT_COLUMNS.contains(&column) || self.shrinkage.iter().any(|own| own.column() == column)
    }

    /// Names of the atlases, in order.
    pub(crate) fn atlases(&self) -> Vec<&str> {
        self.kinds.iter().map(|kind| kind.atlas.as_str()).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Start of the names of a kind's files: `atlas-A_desc-M`, with `Equal5` where that many minutes are used,
    /// `EqualDof20` where that many degrees of freedom are, `Common` where partial correlations have a common
    /// shrinkage, and `Adjusted` where effects of sites are taken out.
    pub(crate) fn name(&self, kind: &Kind) -> String {
        format!("{}{}", self.name_as_measured(kind), if self.sites.is_some() { "Adjusted" } else { "" })
    }

    /// The shrinkage that all children's matrices of a kind have.
    pub(crate) fn common_shrinkage(&self, kind: &Kind) -> Option<f64> {
        let own = self.shrinkage.iter().find(|own| kind.measure == Measure::Partial && own.atlas == kind.atlas);
        own.and_then(|own| own.common)
    }

    /// The same for what is written of the matrices as they were measured.
    pub(crate) fn name_as_measured(&self, kind: &Kind) -> String {
        let common = if self.common_shrinkage(kind).is_some() { "Common" } else { "" };
        format!("{}{common}{}", kind.name(), self.equal.as_ref().map_or(String::new(), Equal::suffix))
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
                    let Child { row, results, stem, ids, .. } = child;
                    self.left_out.push(LeftOut { row, results, stem, ids, reason: reason.to_owned(), detail });
                }
                None => self.children.push(child),
            }
        }
        self.left_out.sort_by_key(|child| child.row);
    }
}
