//! One child of a run: its runs are joined, its matrices and report written.

use std::fs;
use std::panic::{AssertUnwindSafe, catch_unwind};

use super::plan::{self, ScanPlan};
use super::receipt::{self, Receipt};
use super::scan::{SaveError, fault_of_ours, npy};
use super::shared::Shared;
use super::sweep;
use crate::cohort::CohortRow;
use crate::discover::ScanId;
use crate::event::Event;
use crate::outputs;
use crate::pages;
use crate::pipeline::joined::{self, Joined, RunResult};
use crate::pipeline::prepared::input_files;
use crate::record::files::{sync_folder, write_named_later};
use crate::record::{self, Verdict, results_digest};
use crate::remark::Remark;
use crate::report;
use crate::results::layout;
use crate::results::{Contents, Form};
use crate::study::settings::MatrixFormat;

/// Joins a child whose scans are all finished; where `results` has none, the scan's record is read.
/// Gives the reason when that cannot be done.
pub(super) fn finish(shared: &Shared<'_>, group: usize, results: Vec<Option<RunResult>>) -> Option<Remark> {
    let plan = &shared.groups[group];
    let stem = plan.group.stem();
    let fingerprint = fingerprint(shared, group, &results);
    // A fault of ours in one child must not take the others with it.
    let beside = receipt::noticed_beside(shared.study, &plan.group);
    let done = catch_unwind(AssertUnwindSafe(|| try_finish(shared, group, results, beside, fingerprint.clone())))
        .unwrap_or_else(|panic| Err(fault_of_ours(&*panic)));
    match done {
        Ok(row) => {
            let (minutes_kept, verdict) = (row.row.minutes_kept, row.row.verdict);
            shared.work_of(group).receipt_holds = true;
            (shared.tell)(&Event::ChildDone { child: stem, minutes_kept, verdict });
            None
        }
        Err(problem) => {
            let mut problem = problem.reworded(|text| shared.study.told_message(text, &[]));
            // What an earlier run said about the child no longer holds.
            let path = receipt::path(shared.study, &plan.group);
            let _ = fs::remove_file(&path);
            let folder = layout::folder(&plan.group.participant, plan.group.session.as_deref());
            if let Err(error) = sweep::child(shared.study, &folder, &stem, &[]) {
                problem = problem.reworded(|text| format!("{text}; {error}"));
            }
            let row = CohortRow::without_result(&plan.group, plan.scans.len(), Verdict::Failed, problem.clone());
            let failed = Receipt::failed(&fingerprint, row);
            match failed.write(&path) {
                Ok(()) => shared.work_of(group).receipt_holds = true,
                Err(error) => problem = problem.reworded(|text| format!("{text}; {error}")),
            }
            (shared.tell)(&Event::ChildFailed { child: stem, problem: problem.text.clone() });
            Some(problem)
        }
    }
}

/// Writes a finished child's files again, with these remarks from beside other children; the rest of its row stays.
pub(super) fn write_again(
    shared: &Shared<'_>,
    group: usize,
    row: &CohortRow,
    beside: Vec<Remark>,
) -> Result<CohortRow, Remark> {
    let plan = &shared.groups[group];
    let path = receipt::path(shared.study, &plan.group);
    let receipt = receipt::read(&path).ok_or_else(|| Remark::about_data("its receipt is gone; run the study again"))?;
    let failed = |id: &ScanId| {
        let (_, problem) = row.failed.iter().find(|(run, _)| *run == id.to_string())?;
        Some(RunResult::Failed { id: id.clone(), problem: problem.clone() })
    };
    let results = plan.scans.iter().map(|scan| failed(&scan.id)).collect();
    catch_unwind(AssertUnwindSafe(|| try_finish(shared, group, results, beside, receipt.fingerprint)))
        .unwrap_or_else(|panic| Err(fault_of_ours(&*panic)))
}

/// What a child's files are made from: results of this run, or what an earlier one decided.
fn fingerprint(shared: &Shared<'_>, group: usize, results: &[Option<RunResult>]) -> String {
    let scans = &shared.groups[group].scans;
    let contents = |(scan, result): (&ScanPlan, &Option<RunResult>)| match result {
        Some(RunResult::Done(done)) => {
            let files = input_files(&shared.cohort.scans[scan.index], shared.study);
            let hash = |role: &str| done.row.inputs.get(role).cloned().unwrap_or_default();
            files.iter().map(|(role, _)| format!("{role}:{}", hash(role))).collect()
        }
        Some(RunResult::Failed { problem, .. }) => plan::failed_contents(&problem.text),
        None => scan.decided.clone().unwrap_or_default(),
    };
    let contents: Vec<Vec<String>> = scans.iter().zip(results).map(contents).collect();
    plan::child_fingerprint(shared.study, shared.atlases, scans, &contents)
}

/// `results` has none for a scan whose record is to be read.
fn try_finish(
    shared: &Shared<'_>,
    group: usize,
    results: Vec<Option<RunResult>>,
    beside: Vec<Remark>,
    fingerprint: String,
) -> Result<CohortRow, Remark> {
    let plan = &shared.groups[group];
    let mut runs = Vec::with_capacity(plan.scans.len());
    for (scan, result) in plan.scans.iter().zip(results) {
        runs.push(match result {
            Some(run) => run,
            None => {
                let (record, _) =
                    record::read(&plan::record_path(shared.study, &scan.id)).map_err(Remark::about_data)?;
                RunResult::Done(Box::new(record))
            }
        });
    }
    let study = shared.study;
    let mut joined =
        joined::join(&plan.group, &runs, &shared.atlases.list, &study.connectivity, &study.enough, &study.notice)
            .map_err(Remark::about_data)?;
    joined.row.warnings.extend(beside.iter().cloned());
    if joined.row.verdict == Verdict::Enough && beside.iter().any(Remark::asks_for_a_look) {
        joined.row.verdict = Verdict::LookFirst;
    }
    save(shared, group, &runs, &joined, beside, fingerprint).map_err(Remark::about_data)
}

fn save(
    shared: &Shared<'_>,
    group: usize,
    runs: &[RunResult],
    joined: &Joined,
    beside: Vec<Remark>,
    fingerprint: String,
) -> Result<CohortRow, SaveError> {
    let (study, group) = (shared.study, &shared.groups[group].group);
    let (stem, folder) = (group.stem(), layout::folder(&group.participant, group.session.as_deref()));
    let receipt = receipt::path(study, group);
    let _ = fs::remove_file(&receipt);

    let mut written: Vec<(String, u64)> = Vec::new();
    let name = |contents| layout::file(&folder, &stem, contents);
    let mut put = |name: String, bytes: &[u8]| -> Result<(), SaveError> {
        write_named_later(&study.results.join(&name), bytes)?;
        written.push((name, bytes.len() as u64));
        Ok(())
    };
    for matrix in &joined.matrices {
        let atlas = &shared.atlases.list[matrix.atlas];
        let name = |form| name(Contents::Matrix { atlas: &atlas.name, measure: matrix.measure.key(), form });
        let values = &matrix.connectivity.matrix;
        if matches!(study.output.matrices, MatrixFormat::Tsv | MatrixFormat::Both) {
            put(name(Form::Tsv), &outputs::matrix_table(&atlas.parcels, values.view()))?;
        }
        if matches!(study.output.matrices, MatrixFormat::Npy | MatrixFormat::Both) {
            let name = name(Form::Npy);
            let bytes = npy(&name, &values.mapv(|v| v as f32))?;
            put(name, &bytes)?;
        }
    }
    let results_digest = results_digest(runs.iter().map(|run| match run {
        RunResult::Done(record) => Ok(&**record),
        RunResult::Failed { id, .. } => Err(id),
    }));
    let report = report::report_json(study, &shared.atlases.list, runs, joined, &results_digest);
    put(name(Contents::ReportForMachines), outputs::pretty(&report).as_bytes())?;
    if study.output.pages {
        let atlases = &shared.atlases.list;
        let (stem, results_digest) = (stem.as_str(), results_digest.as_str());
        let page = pages::page_of_records(pages::Gathered { study, atlases, stem, results_digest, runs, joined });
        put(name(Contents::ReportPage), page.as_bytes())?;
    }
    sync_folder(&study.results.join(name(Contents::ReportForMachines)))?;
    sweep::child(study, &folder, &stem, &written)?;
    let row = CohortRow {
        participant: group.participant.clone(),
        row: joined.row.clone(),
        runs: runs.len(),
        runs_joined: joined.runs_joined.len(),
        results_digest,
        strip: pages::strip(runs, study.censor.fd_mm),
        minutes_at_limits: minutes_at_limits(runs),
        traces: joined.traces.clone(),
        failed: runs.iter().filter_map(failure).collect(),
        beside,
    };
    Receipt::new(fingerprint, written, row.clone()).write(&receipt)?;
    Ok(row)
}

/// The stem of a run that failed, and why.
fn failure(run: &RunResult) -> Option<(String, Remark)> {
    if let RunResult::Failed { id, problem } = run { Some((id.to_string(), problem.clone())) } else { None }
}

/// Minutes that other limits of displacement would keep, all runs together.
fn minutes_at_limits(runs: &[RunResult]) -> Vec<f64> {
    let mut minutes: Vec<f64> = Vec::new();
    for run in runs {
        let RunResult::Done(record) = run else { continue };
        let of_run = record.minutes_at_limits();
        minutes.resize(of_run.len(), 0.0);
        minutes.iter_mut().zip(of_run).for_each(|(sum, minutes)| *sum += minutes);
    }
    minutes
}
