//! What the threads of a run share.

use std::path::PathBuf;
use std::sync::atomic::AtomicBool;
use std::sync::{Mutex, MutexGuard};

use super::cores::Cores;
use super::gate::Gate;
use super::plan::GroupPlan;
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
            waiting: plan.scans.iter().filter(|s| s.unchanged.is_none()).count(),
            receipt_holds: plan.receipt_holds,
        }
    }
}

impl Shared<'_> {
    /// A child's work, held while it is changed.
    pub(super) fn work_of(&self, group: usize) -> MutexGuard<'_, GroupWork> {
        self.work[group].lock().unwrap_or_else(|e| e.into_inner())
    }
}
