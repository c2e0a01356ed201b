//! What the threads of a run share.

use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Mutex, MutexGuard};

use super::cores::Cores;
use super::gate::Gate;
use super::plan::{self, GroupPlan};
use crate::discover::Cohort;
use crate::event::Listener;
use crate::pipeline::Atlases;
use crate::pipeline::joined::RunResult;
use crate::study::Study;

/// Everything that the threads of a run share.
pub(super) struct Shared<'a> {
    pub study: &'a Study,
    pub cohort: &'a Cohort,
    pub atlases: &'a Atlases,
    pub groups: &'a [GroupPlan],
    pub work: Vec<Mutex<GroupWork>>,
    /// Where digests are found and kept.
    pub digests: PathBuf,
    /// Hash inputs again instead of trusting size and time.
    pub verify: bool,
    /// Read images again though there are digests of them.
    pub redo: bool,
    pub jobs: usize,
    /// Memory that no scan answers for, and the gate that shares out the rest.
    pub program_bytes: u64,
    pub allowed_bytes: u64,
    pub gate: Gate,
    pub cores: Cores,
    pub interrupt: &'a AtomicBool,
    pub tell: Listener<'a>,
}

/// A child in work.
pub(super) struct GroupWork {
    /// One entry per scan of the group, filled as they finish.
    pub results: Vec<Option<RunResult>>,
    /// Scans not finished yet.
    pub waiting: usize,
    /// Whether the receipt on disk is of these settings and inputs.
    pub receipt_holds: bool,
}

impl GroupWork {
    /// What is left to do of a planned child.
    pub(super) fn of(plan: &GroupPlan) -> Self {
        Self {
            results: plan.scans.iter().map(|_| None).collect(),
            waiting: plan.scans.iter().filter(|s| s.to_do).count(),
            receipt_holds: plan.receipt_holds,
        }
    }
}

impl Shared<'_> {
    /// Whether a child's receipt is of these settings and inputs, now that no thread is at work. A child that was begun
    /// and not finished may have records that its receipt does not know.
    pub(super) fn receipt_holds_now(&self, group: usize) -> bool {
        let work = self.work_of(group);
        let half_done = work.waiting > 0 && work.results.iter().any(Option::is_some);
        work.receipt_holds
            && (!half_done || plan::receipt_holds(self.study, self.cohort, self.atlases, &self.groups[group]))
    }

    /// A child's work, held while it is changed.
    pub(super) fn work_of(&self, group: usize) -> MutexGuard<'_, GroupWork> {
        self.work[group].lock().unwrap_or_else(|e| e.into_inner())
    }
}
