//! A whole cohort: many scans at once. Each failure is a row with its reason, and only what is missing or changed is
//! done.
//!
//! ```text
//! study, records, receipts ─► what must be done             (plan)
//!                    tasks ─► records and receipts on disk  (work, scan, child)
//!     receipts of children ─► cohort.tsv, .json, .html      (gather)
//! ```
//!
//! A scan's files are written first and its record last, so a record that is there vouches for them; the same holds for
//! a child's files and its receipt. A run that is killed leaves at most files under unfinished names, which the next
//! run removes. Results do not depend on the number of threads: each scan and each child is worked on by one.

pub mod alike;
mod beside;
pub mod check;
mod child;
mod cores;
mod error;
mod folder;
pub mod forecast;
mod gate;
mod gather;
mod log;
mod machine;
mod options;
mod owner;
mod plan;
mod receipt;
mod scan;
mod shared;
mod store;
mod summary;
mod sweep;
pub mod tries;
mod work;

use std::collections::BTreeSet;
use std::fs;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Instant;

use crate::cohort::CohortRow;
use crate::discover::Cohort;
use crate::event::{Event, Listener};
use crate::outputs;
use crate::pipeline::{Atlases, memory};
use crate::record::files::{WriteError, remove_unfinished, write_whole};
use crate::results::Layout;
use crate::study::Study;
use cores::Cores;
use gate::Gate;
use owner::Owner;
use plan::Plan;
use shared::{GroupWork, Shared};
use work::{Outcomes, work_through};

pub use crate::record::STATE;
pub use error::BatchError;
pub use folder::require_own_folder;
pub use options::Options;
pub use summary::{Counts, Summary};

/// Runs a study. `interrupt` may be set from outside at any time; what is finished by then is kept.
///
/// # Errors
/// [`BatchError`] when nothing could be done; a scan's failure is in the [`Summary`].
pub fn run(
    study: &Study,
    cohort: &Cohort,
    options: &Options,
    interrupt: &AtomicBool,
    listener: Listener<'_>,
) -> Result<Summary, BatchError> {
    let begin = Instant::now();
    require_own_folder(study, cohort)?;
    let layout = Layout::new(&study.results);
    let state = layout.state();
    fs::create_dir_all(&state).map_err(|source| WriteError { path: state.clone(), source })?;
    // The digests of another folder are read and written as well, so no other run may sweep there meanwhile.
    let _digests_lock = match &options.digests_of {
        Some(other) if *other != study.results => Some(folder::lock(other)?),
        _ => None,
    };
    let _lock = folder::lock(&study.results)?;
    remove_unfinished(&study.results)?;
    let atlases = Atlases::read(study).map_err(BatchError::Atlases)?;
    let log = log::RunLog::open(&layout.run_log())?;
    let tell = |event: &Event| {
        log.note(event);
        listener(event);
    };

    for (name, text) in outputs::dataset_files(study) {
        write_whole(&study.results.join(name), text.as_bytes())?;
    }
    let (before, owner) = (Owner::read(&study.results), Owner::of(study, cohort));
    if let Some(before) = before.filter(|before| before.name != owner.name) {
        let message = format!("these were the results of the study \"{}\" until now", before.name);
        tell(&Event::Warning { about: "results folder".to_owned(), message });
    }
    owner.write(&study.results)?;
    let plan = Plan::make(study, cohort, &atlases, options)?;
    sweep::strays(study, &plan.groups)?;
    if layout.cohort_table().exists() && plan.groups.iter().any(|group| !group.receipt_holds) {
        // A run that is killed must not leave a table whose rows are of other settings.
        let rows = gather::rows(study, &plan.groups, |child| plan.groups[child].receipt_holds);
        gather::write_cohort(study, cohort, &rows, &|_| {})?;
    }
    let program_bytes = memory::process_bytes(&atlases);
    let allowed = options.memory_bytes.or_else(machine::default_budget).unwrap_or(u64::MAX);
    tell(&Event::Started {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        study: study.name.clone(),
        scans: plan.scans(),
        to_do: plan.tasks.len(),
        jobs: options.jobs,
        memory_bytes: allowed,
    });
    for group in &plan.groups {
        for scan in group.unchanged_scans() {
            tell(&Event::ScanUnchanged { scan: scan.to_string() });
        }
    }

    let work = plan.groups.iter().map(|group| Mutex::new(GroupWork::of(group))).collect();
    let digests = Layout::new(options.digests_of.as_ref().unwrap_or(&study.results)).state();
    let shared = Shared {
        study,
        cohort,
        atlases: &atlases,
        groups: &plan.groups,
        work,
        digests,
        verify: options.verify,
        // With another folder's digests, only the decisions are made again.
        redo: options.redo && options.digests_of.is_none(),
        jobs: options.jobs,
        program_bytes,
        allowed_bytes: allowed,
        gate: Gate::new(allowed.saturating_sub(program_bytes)),
        cores: Cores::new(options.jobs, plan.tasks.len()),
        interrupt,
        tell: &tell,
    };
    let Outcomes { done, failed, no_report } = work_through(&shared, &plan.tasks, options.jobs)?;

    if options.digests_of.is_none() {
        store::forget_unnamed(&state)?;
    }
    let mut rows = gather::rows(study, &plan.groups, |child| shared.receipt_holds_now(child));
    beside::tell_children(&shared, &mut rows);
    gather::write_cohort(study, cohort, &rows, &tell)?;
    gather::warn_of_not_done(&rows, &tell);
    let interrupted = interrupt.load(Ordering::Relaxed);
    let asked: Vec<&CohortRow> =
        rows.iter().zip(&plan.groups).filter(|(_, group)| group.selected).map(|((_, row), _)| row).collect();
    let children: BTreeSet<&str> = asked.iter().map(|row| row.participant.as_str()).collect();
    let (children, rows_asked, verdicts) = (children.len(), asked.len(), gather::count_verdicts(&asked));
    let unchanged = plan.groups.iter().map(|group| group.unchanged_scans().count()).sum();
    let seconds = begin.elapsed().as_secs_f64();
    let peak_bytes = machine::peak_bytes();
    let (scans, failed_scans, reports) = (plan.scans(), failed.len(), no_report.len());
    tell(&Event::Finished { done, unchanged, failed: failed_scans + reports, interrupted, seconds, peak_bytes });
    let counts = Counts { scans, done, unchanged, failed: failed_scans, children, rows: rows_asked };
    Ok(Summary { counts, failed, no_report, interrupted, verdicts, rows })
}
