//! The work of a run: scans and children taken up in order, many at once.
//!
//! Each scan leaves a record on disk and each child a receipt; the gathering gets nothing else.

use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};

use super::error::BatchError;
use super::shared::Shared;
use super::{child, scan};
use crate::pipeline::joined::RunResult;

/// What became of the work.
pub(super) struct Outcomes {
    /// Scans that were done.
    pub done: usize,
    /// Scan and reason.
    pub failed: Vec<(String, String)>,
    /// Child whose own files could not be made, and reason.
    pub no_report: Vec<(String, String)>,
}

/// Takes up tasks in order, `jobs` at a time.
pub(super) fn work_through(shared: &Shared<'_>, tasks: &[(usize, usize)], jobs: usize) -> Result<Outcomes, BatchError> {
    // Children whose scans are all unchanged but whose own files are not: nothing to wait for.
    let ready: Vec<usize> =
        (0..shared.groups.len()).filter(|&g| shared.groups[g].must_join && shared.work_of(g).waiting == 0).collect();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs.min(tasks.len().max(ready.len())).max(1))
        .build()
        .map_err(|e| BatchError::Threads { jobs, message: e.to_string() })?;
    let next = AtomicUsize::new(0);
    let done = AtomicUsize::new(0);
    let (failed, no_report) = (Mutex::new(Vec::new()), Mutex::new(Vec::new()));
    let ready_next = AtomicUsize::new(0);
    let finish = |group: usize, results| {
        if let Some(problem) = child::finish(shared, group, results) {
            let noted = (group, shared.groups[group].group.stem(), problem.text);
            no_report.lock().unwrap_or_else(|e| e.into_inner()).push(noted);
        }
    };
    pool.broadcast(|_| {
        while !shared.interrupt.load(Ordering::Relaxed) {
            let Some(&(group, scan)) = tasks.get(next.fetch_add(1, Ordering::Relaxed)) else { break };
            let Some(result) = scan::work(shared, group, scan) else { break };
            shared.cores.finished();
            match &result {
                RunResult::Done(_) => {
                    done.fetch_add(1, Ordering::Relaxed);
                }
                RunResult::Failed { id, problem } => {
                    let noted = ((group, scan), id.to_string(), problem.text.clone());
                    failed.lock().unwrap_or_else(|e| e.into_inner()).push(noted);
                }
            }
            let mut work = shared.work_of(group);
            work.results[scan] = Some(result);
            work.waiting -= 1;
            if work.waiting == 0 {
                let results = std::mem::take(&mut work.results);
                drop(work);
                finish(group, results);
            }
        }
        while !shared.interrupt.load(Ordering::Relaxed) {
            let Some(&group) = ready.get(ready_next.fetch_add(1, Ordering::Relaxed)) else { break };
            let results = std::mem::take(&mut shared.work_of(group).results);
            finish(group, results);
        }
    });
    Ok(Outcomes { done: done.into_inner(), failed: in_order(failed), no_report: in_order(no_report) })
}

/// Names and reasons in the study's order, whatever order the threads noted them in.
fn in_order<K: Ord>(noted: Mutex<Vec<(K, String, String)>>) -> Vec<(String, String)> {
    let mut noted = noted.into_inner().unwrap_or_else(|e| e.into_inner());
    noted.sort();
    noted.into_iter().map(|(_, name, problem)| (name, problem)).collect()
}
