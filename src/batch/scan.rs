//! One scan of a run: done, written down and reported.

use std::fs;
use std::io::{Cursor, ErrorKind};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::time::Instant;

use ndarray_npy::WriteNpyExt;

use super::alike::in_common;
use super::shared::Shared;
use super::store::Store;
use super::{plan, sweep};
use crate::discover::{Scan, ScanId};
use crate::event::Event;
use crate::outputs;
use crate::pipeline::joined::RunResult;
use crate::pipeline::prepared::input_files;
use crate::pipeline::{self, Outcome};
use crate::record::failure::Failure;
use crate::record::files::{WriteError, sync_folder, write_named_later};
use crate::record::inputs::InputState;
use crate::record::{self, Provenance, RecordError};
use crate::remark::{self, Noticed, Remark};
use crate::results::layout::{self, scan_file};
use crate::results::{Contents, Form};
use crate::study::settings::SeriesFormat;

/// Writing a scan's results failed.
#[derive(Debug, thiserror::Error)]
pub(super) enum SaveError {
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error("cannot make the array of {name}: {message}")]
    Npy { name: String, message: String },
    #[error("cannot read the state of an input: {0}")]
    Input(#[from] std::io::Error),
}

/// Does a scan; none when it was interrupted.
pub(super) fn work(shared: &Shared<'_>, group: usize, position: usize) -> Option<RunResult> {
    let scan = &shared.cohort.scans[shared.groups[group].scans[position].index];
    let name = scan.id.to_string();
    let begin = Instant::now();
    let frames = crate::nifti::read_header(&scan.bold).map_or(0, |h| h.frames);
    (shared.tell)(&Event::ScanStarted { scan: name.clone(), frames });
    match attempt(shared, group, position) {
        Ok(None) => None,
        Ok(Some(outcome)) => {
            let row = &outcome.record.row;
            // Parcels that a scan lacks have columns of their own, and nearly every scan lacks some.
            for warning in row.warnings.iter().filter(|warning| warning.noticed != Some(Noticed::LowCoverage)) {
                let (about, message) = (name.clone(), warning.text.clone());
                (shared.tell)(&Event::ScanWarning { about, alike: alike(shared, scan, &message), message });
            }
            (shared.tell)(&Event::ScanDone {
                scan: name,
                minutes: row.minutes,
                minutes_kept: row.minutes_kept,
                mean_fd_mm: row.mean_fd_mm,
                verdict: row.verdict,
                noticed: remark::codes(&row.warnings),
                seconds: begin.elapsed().as_secs_f64(),
            });
            Some(RunResult::Done(Box::new(outcome.record)))
        }
        Err(mut problem) => {
            // What an earlier run said about it no longer holds.
            if let Err(error) = forget(shared, &scan.id) {
                problem = problem.reworded(|text| format!("{text}; {error}"));
            }
            let problem = problem.reworded(|text| shared.study.told_message(text, &scan.files()));
            let problem = note_failure(shared, group, position, problem);
            let alike = alike(shared, scan, &problem.text);
            (shared.tell)(&Event::ScanFailed { scan: name, problem: problem.text.clone(), alike });
            Some(RunResult::Failed { id: scan.id.clone(), problem })
        }
    }
}

/// What a message about a scan has in common with those about others.
fn alike(shared: &Shared<'_>, scan: &Scan, message: &str) -> String {
    in_common(message, scan, |path| shared.study.told_message(path, &scan.files()))
}

/// Does a scan and writes it down; none when it was interrupted, and otherwise why it could not be done.
fn attempt(shared: &Shared<'_>, group: usize, position: usize) -> Result<Option<Outcome>, Remark> {
    let scan = &shared.cohort.scans[shared.groups[group].scans[position].index];
    let name = scan.id.to_string();
    let on_frame = |read: usize| {
        (shared.tell)(&Event::Frames { scan: name.clone(), read });
        !shared.interrupt.load(Ordering::Relaxed)
    };
    // As they are before anything is read: a file that is changed meanwhile must look changed to the next run.
    let inputs: Result<Vec<InputState>, std::io::Error> =
        input_files(scan, shared.study).into_iter().map(|(role, path)| InputState::new(role, path, "")).collect();
    let child = shared.cohort.children.of_scan(&scan.id);
    let store = Store::open(shared, scan);
    // A fault of ours in one scan must not take the night's other scans with it.
    let outcome = catch_unwind(AssertUnwindSafe(|| {
        pipeline::process(scan, child.as_ref(), shared.study, shared.atlases, &store, &on_frame)
    }));
    let mut outcome = match outcome {
        Ok(Ok(outcome)) => outcome,
        Ok(Err(error)) if error.is_stop() => return Ok(None),
        Ok(Err(error)) => return Err(error.into()),
        Err(panic) => return Err(fault_of_ours(&*panic)),
    };
    for warning in &mut outcome.record.row.warnings {
        *warning = warning.reworded(|text| shared.study.told_message(text, &scan.files()));
    }
    let inputs = inputs.map_err(|e| Remark::about_data(SaveError::Input(e)))?;
    catch_unwind(AssertUnwindSafe(|| save(shared, group, position, &outcome, inputs)))
        .map_err(|panic| fault_of_ours(&*panic))?
        .map_err(Remark::about_data)?;
    Ok(Some(outcome))
}

/// What a panic says, and what to do. Nobody knows which values its words hold, so a blinded reviewer does not see
/// them.
pub(super) fn fault_of_ours(panic: &(dyn std::any::Any + Send)) -> Remark {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    let text = text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no message");
    Remark::about_child(format!("a fault in keepstill ({text}); please report it with the study file"))
}

/// Writes down why a scan failed, so that the failure counts as decided. Gives back the problem, with what else went
/// wrong.
fn note_failure(shared: &Shared<'_>, group: usize, position: usize, problem: Remark) -> Remark {
    let plan = &shared.groups[group].scans[position];
    let scan = &shared.cohort.scans[plan.index];
    let fingerprint = plan::failure_fingerprint(scan, &plan.fingerprint);
    let failure = Failure::new(fingerprint, &input_files(scan, shared.study), problem.text.clone());
    match failure.write(&plan::failure_path(shared.study, &scan.id)) {
        Ok(()) => problem,
        Err(error) => problem.reworded(|text| shared.study.told_message(&format!("{text}; {error}"), &[])),
    }
}

/// Takes back what an earlier run said about the scan: its record or why it failed, then the files that belonged to it.
fn forget(shared: &Shared<'_>, id: &ScanId) -> Result<(), WriteError> {
    for path in [plan::record_path(shared.study, id), plan::failure_path(shared.study, id)] {
        match fs::remove_file(&path) {
            Err(source) if source.kind() != ErrorKind::NotFound => return Err(WriteError { path, source }),
            _ => {}
        }
    }
    sweep::scan(shared.study, &layout::folder(&id.participant, id.session.as_deref()), &id.to_string())
}

fn save(
    shared: &Shared<'_>,
    group: usize,
    position: usize,
    outcome: &Outcome,
    mut inputs: Vec<InputState>,
) -> Result<(), SaveError> {
    let plan = &shared.groups[group].scans[position];
    let scan = &shared.cohort.scans[plan.index];
    forget(shared, &scan.id)?;
    let mut written = Vec::new();
    let mut put = |name: String, bytes: &[u8]| -> Result<(), SaveError> {
        write_named_later(&shared.study.results.join(&name), bytes)?;
        written.push((name, bytes.len() as u64));
        Ok(())
    };
    put(scan_file(&scan.id, Contents::FramesTable), &outputs::frames_table(outcome))?;
    let dictionary = outputs::pretty(&outputs::frames_dictionary(outcome.image_motion.as_ref()));
    put(scan_file(&scan.id, Contents::FramesDictionary), dictionary.as_bytes())?;
    let records = outcome.record.atlases.iter().zip(&shared.atlases.list).zip(&outcome.parcels);
    for ((record, atlas), coverage) in records {
        let name = atlas.name.as_str();
        put(
            scan_file(&scan.id, Contents::Parcels { atlas: name }),
            &outputs::parcels_table(&atlas.parcels, coverage, &record.used),
        )?;
        let Some(residuals) = &record.residuals else { continue };
        let kept = &outcome.record.kept;
        let format = shared.study.output.series;
        if matches!(format, SeriesFormat::Tsv | SeriesFormat::Both) {
            let table = outputs::series_table(&atlas.parcels, kept, &record.used, residuals.view());
            put(scan_file(&scan.id, Contents::Series { atlas: name, form: Form::Tsv }), &table)?;
        }
        if matches!(format, SeriesFormat::Npy | SeriesFormat::Both) {
            let name = scan_file(&scan.id, Contents::Series { atlas: name, form: Form::Npy });
            let bytes = npy(&name, &outputs::parcels_array(kept, &record.used, residuals.view()))?;
            put(name, &bytes)?;
        }
    }
    sync_folder(&shared.study.results.join(scan_file(&scan.id, Contents::FramesTable)))?;
    let hashes = &outcome.record.row.inputs;
    for input in &mut inputs {
        input.content = hashes.get(&input.role).cloned().unwrap_or_default();
    }
    let provenance = Provenance { fingerprint: plan.fingerprint.clone(), inputs, outputs: written };
    record::write(&plan::record_path(shared.study, &scan.id), &outcome.record, &provenance)?;
    Ok(())
}

/// An array as the bytes of an `.npy` file.
pub(super) fn npy(name: &str, array: &ndarray::Array2<f32>) -> Result<Vec<u8>, SaveError> {
    let mut bytes = Cursor::new(Vec::new());
    array.write_npy(&mut bytes).map_err(|e| SaveError::Npy { name: name.to_owned(), message: e.to_string() })?;
    Ok(bytes.into_inner())
}
