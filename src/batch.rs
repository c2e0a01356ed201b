//! A whole cohort: many scans at once, each failure a row with its reason, and only what is missing or changed is done.
//!
//! A scan's files are written first and its record last, so a record that is there vouches for them; the same holds for
//! a child's files and its receipt. A run that is killed leaves at most files under unfinished names, which the next run
//! removes. Results do not depend on the number of threads: each scan and each child is worked on by one.

pub mod check;
mod child;
mod cores;
mod gate;
mod log;
mod machine;
mod plan;
mod scan;
mod store;
mod sweep;
pub mod tries;

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Instant;

use crate::atlas::AtlasError;
use crate::cohort::{self, CohortRow};
use crate::discover::Cohort;
use crate::event::{Event, Listener};
use crate::outputs;
use crate::pages::{self, Mode};
use crate::pipeline::joined::RunResult;
use crate::pipeline::{Atlases, memory};
use crate::record::Verdict;
use crate::record::files::{WriteError, remove_unfinished, write_whole};
use crate::record::lock::{LockError, PATIENCE, lock_results};
use crate::review::decisions::{self, Decisions};
use crate::review::standing::Standing;
use crate::review::{RowId, overview};
use crate::study::Study;
use plan::{GroupPlan, Plan};

pub use crate::record::STATE;

/// What `keepstill run` can be asked for.
#[derive(Debug, Clone)]
pub struct Options {
    /// Scans at once, at least 1.
    pub jobs: usize,
    /// Only these children (labels without `sub-`); empty: all.
    pub only: Vec<String>,
    /// Do everything again.
    pub redo: bool,
    /// Hash inputs again instead of trusting size and modification time.
    pub verify: bool,
    /// Part M of N of the children, counted from 1.
    pub part: Option<(usize, usize)>,
    /// Results folder whose digests serve, also under `redo`; it must be there. None: the study's own.
    pub digests_of: Option<PathBuf>,
    /// Bytes that the whole run may use; none: 80 % of what the machine or its control group has free.
    pub memory_bytes: Option<u64>,
}

/// Why nothing could be done.
#[derive(Debug, thiserror::Error)]
pub enum BatchError {
    #[error("{}: another run is at work in this results folder; wait for it to end, or give another `results` in the study file", path.display())]
    Locked { path: PathBuf },
    #[error("{}: is a file, where the results folder should be; give another `results` in the study file", path.display())]
    NotAFolder { path: PathBuf },
    #[error(transparent)]
    Lock(#[from] LockError),
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n"))]
    Atlases(Vec<AtlasError>),
    #[error("{}: the results folder holds a dataset that keepstill did not make; give another `results` in the study file", path.display())]
    NotOurs { path: PathBuf },
    #[error("{}: the results folder holds inputs of the study, such as {}; give another `results` in the study file", path.display(), input.display())]
    HoldsInputs { path: PathBuf, input: PathBuf },
    #[error("--only {label}: the study has no such child; it has {known}")]
    NoSuchChild { label: String, known: String },
    #[error("cannot start {jobs} threads: {message}")]
    Threads { jobs: usize, message: String },
}

/// What became of a run.
#[derive(Debug, Clone)]
pub struct Summary {
    pub scans: usize,
    pub done: usize,
    pub unchanged: usize,
    /// Scan, or child whose report could not be made, and reason.
    pub failed: Vec<(String, String)>,
    pub interrupted: bool,
    /// Children by verdict: (word, count), in the order of the verdicts.
    pub verdicts: Vec<(&'static str, usize)>,
    /// Stem and row of each finished child, in the study's order.
    pub rows: Vec<(String, CohortRow)>,
}

/// Everything that the threads of a run share.
struct Shared<'a> {
    study: &'a Study,
    cohort: &'a Cohort,
    atlases: &'a Atlases,
    groups: &'a [GroupPlan],
    work: Vec<Mutex<GroupWork>>,
    /// Where digests are found and kept.
    digests: PathBuf,
    /// Hash inputs again instead of trusting size and time.
    verify: bool,
    /// Read images again though there are digests of them.
    redo: bool,
    jobs: usize,
    /// Memory that no scan answers for, and the gate that shares out the rest.
    program_bytes: u64,
    allowed_bytes: u64,
    gate: gate::Gate,
    cores: cores::Cores,
    interrupt: &'a AtomicBool,
    tell: Listener<'a>,
}

/// A child in work.
#[derive(Default)]
struct GroupWork {
    /// One entry a scan of the group, filled as they finish.
    results: Vec<Option<RunResult>>,
    /// Scans not finished yet.
    waiting: usize,
    /// The child's row, when its report is written.
    finished: Option<CohortRow>,
}

/// Does a study. `interrupt` may be set from outside at any time; what is finished by then is kept.
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
    let state = study.results.join(STATE);
    fs::create_dir_all(&state).map_err(|source| WriteError { path: state.clone(), source })?;
    // The digests of another folder are read and written as well: no other run may sweep there meanwhile.
    let _digests_lock = match &options.digests_of {
        Some(folder) if *folder != study.results => Some(lock(folder)?),
        _ => None,
    };
    let _lock = lock(&study.results)?;
    remove_unfinished(&study.results)?;
    let atlases = Atlases::read(study).map_err(BatchError::Atlases)?;
    let log = log::RunLog::open(&study.results.join("run-log.jsonl"))?;
    let tell = |event: &Event| {
        log.note(event);
        listener(event);
    };

    for (name, text) in outputs::dataset_files(study) {
        write_whole(&study.results.join(name), text.as_bytes())?;
    }
    let plan = Plan::make(study, cohort, &atlases, options)?;
    sweep::strays(study, &plan.groups)?;
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

    let work = plan.groups.iter().map(|group| Mutex::new(group.new_work())).collect();
    let digests = options.digests_of.as_ref().unwrap_or(&study.results).join(STATE);
    let shared = Shared {
        study,
        cohort,
        atlases: &atlases,
        groups: &plan.groups,
        work,
        digests,
        verify: options.verify,
        // With another folder's digests, what is done again is the deciding.
        redo: options.redo && options.digests_of.is_none(),
        jobs: options.jobs,
        program_bytes,
        allowed_bytes: allowed,
        gate: gate::Gate::new(allowed.saturating_sub(program_bytes)),
        cores: cores::Cores::new(options.jobs, plan.tasks.len()),
        interrupt,
        tell: &tell,
    };
    let outcome = work_through(&shared, &plan.tasks, options.jobs)?;

    if options.digests_of.is_none() {
        store::forget_unnamed(&state)?;
    }
    let rows = shared.rows();
    write_cohort(&shared, &rows)?;
    let missing = plan.children_in_study.saturating_sub(rows.len());
    if missing > 0 {
        tell(&Event::Warning {
            about: "cohort.tsv".to_owned(),
            message: match missing {
                1 => "1 child is not done yet with these settings and has no row".to_owned(),
                n => format!("{n} children are not done yet with these settings and have no row"),
            },
        });
    }
    let interrupted = interrupt.load(Ordering::Relaxed);
    let verdicts = count_verdicts(&rows);
    let Outcomes { done, failed } = outcome;
    let unchanged = plan.groups.iter().filter(|g| g.selected).map(|g| g.unchanged_scans().count()).sum();
    let seconds = begin.elapsed().as_secs_f64();
    let peak_bytes = machine::peak_bytes();
    tell(&Event::Finished { done, unchanged, failed: failed.len(), interrupted, seconds, peak_bytes });
    Ok(Summary { scans: plan.scans(), done, unchanged, failed, interrupted, verdicts, rows })
}

struct Outcomes {
    done: usize,
    failed: Vec<(String, String)>,
}

/// Takes up tasks in order, `jobs` at a time.
fn work_through(shared: &Shared<'_>, tasks: &[(usize, usize)], jobs: usize) -> Result<Outcomes, BatchError> {
    // Children whose scans are all unchanged but whose own files are not: nothing to wait for.
    let ready: Vec<usize> = (0..shared.groups.len())
        .filter(|&g| shared.groups[g].must_join && lock_of(&shared.work[g]).waiting == 0)
        .collect();
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(jobs.min(tasks.len().max(ready.len())).max(1))
        .build()
        .map_err(|e| BatchError::Threads { jobs, message: e.to_string() })?;
    let next = AtomicUsize::new(0);
    let done = AtomicUsize::new(0);
    let failed = Mutex::new(Vec::new());
    let ready_next = AtomicUsize::new(0);
    let note_failure = |failure| failed.lock().unwrap_or_else(|e| e.into_inner()).push(failure);
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
                    note_failure((group, scan, id.to_string(), problem.clone()));
                }
            }
            let mut work = lock_of(&shared.work[group]);
            work.results[scan] = Some(result);
            work.waiting -= 1;
            if work.waiting == 0 {
                let results = std::mem::take(&mut work.results);
                drop(work);
                if let Some(problem) = child::finish(shared, group, results) {
                    note_failure((group, usize::MAX, shared.groups[group].group.stem(), problem));
                }
            }
        }
        while !shared.interrupt.load(Ordering::Relaxed) {
            let Some(&group) = ready.get(ready_next.fetch_add(1, Ordering::Relaxed)) else { break };
            let results = std::mem::take(&mut lock_of(&shared.work[group]).results);
            if let Some(problem) = child::finish(shared, group, results) {
                note_failure((group, usize::MAX, shared.groups[group].group.stem(), problem));
            }
        }
    });
    let mut failed = failed.into_inner().unwrap_or_else(|e| e.into_inner());
    failed.sort();
    let failed = failed.into_iter().map(|(_, _, id, problem)| (id, problem)).collect();
    Ok(Outcomes { done: done.into_inner(), failed })
}

fn lock_of(work: &Mutex<GroupWork>) -> std::sync::MutexGuard<'_, GroupWork> {
    work.lock().unwrap_or_else(|e| e.into_inner())
}

/// Results are swept and written over, so their folder must hold nothing else.
///
/// # Errors
/// When it is a file, another program's dataset, or holds inputs of the study.
pub fn require_own_folder(study: &Study, cohort: &Cohort) -> Result<(), BatchError> {
    let results = &study.results;
    if results.is_file() {
        return Err(BatchError::NotAFolder { path: results.clone() });
    }
    let made_by = |path: &Path| -> Option<bool> {
        let description: serde_json::Value = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
        let tools = description["GeneratedBy"].as_array();
        Some(tools.is_some_and(|tools| tools.iter().any(|tool| tool["Name"] == "keepstill")))
    };
    if made_by(&results.join("dataset_description.json")) == Some(false) {
        return Err(BatchError::NotOurs { path: results.clone() });
    }
    let Ok(real) = results.canonicalize() else { return Ok(()) };
    for scan in &cohort.scans {
        for input in scan.files() {
            if input.canonicalize().is_ok_and(|file| file.starts_with(&real)) {
                return Err(BatchError::HoldsInputs { path: results.clone(), input: input.to_owned() });
            }
        }
    }
    Ok(())
}

fn lock(results: &Path) -> Result<File, BatchError> {
    lock_results(results, PATIENCE)?.ok_or_else(|| BatchError::Locked { path: results.to_owned() })
}

impl Shared<'_> {
    /// Rows of all finished children, in the study's order.
    fn rows(&self) -> Vec<(String, CohortRow)> {
        let finished = |g: usize| lock_of(&self.work[g]).finished.clone();
        (0..self.groups.len()).filter_map(|g| Some((self.groups[g].group.stem(), finished(g)?))).collect()
    }
}

fn write_cohort(shared: &Shared<'_>, rows: &[(String, CohortRow)]) -> Result<(), WriteError> {
    let results = &shared.study.results;
    let table: Vec<CohortRow> = rows.iter().map(|(_, row)| row.clone()).collect();
    let standings = standings(shared, &table);
    write_whole(&results.join("cohort.tsv"), cohort::cohort_table(&table, &standings, shared.cohort).as_bytes())?;
    let dictionary = outputs::cohort_dictionary(&cohort::carried_columns(shared.cohort));
    write_whole(&results.join("cohort.json"), outputs::pretty(&dictionary).as_bytes())?;
    let data = cohort::page_data(shared.study, shared.cohort, rows);
    write_whole(&results.join("cohort.html"), pages::cohort_page(&data, Mode::File).as_bytes())
}

/// What reviewers decided about each row. A night's work does not end in nothing because of a line that cannot be read: it
/// is told of, and the decisions stay where they are.
fn standings(shared: &Shared<'_>, rows: &[CohortRow]) -> Vec<Standing> {
    let warn = |message| (shared.tell)(&Event::Warning { about: "cohort.tsv".to_owned(), message });
    let decisions = decisions::read(&shared.study.results).unwrap_or_else(|error| {
        warn(format!("reviewers' decisions are missing: {}", shared.study.told_message(&error.to_string(), &[])));
        Decisions::default()
    });
    decisions.skipped.iter().for_each(|words| warn(words.clone()));
    let ids: Vec<RowId> = rows.iter().map(CohortRow::id).collect();
    let digests = rows.iter().map(|row| row.results_digest.as_str());
    overview::standings(&decisions, ids.iter().zip(digests))
}

fn count_verdicts(rows: &[(String, CohortRow)]) -> Vec<(&'static str, usize)> {
    let all = [Verdict::Enough, Verdict::TooShort, Verdict::TooFewDof, Verdict::PoorCoverage, Verdict::Failed];
    all.iter().map(|v| (v.key(), rows.iter().filter(|(_, r)| r.row.verdict == *v).count())).collect()
}
