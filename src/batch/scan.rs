//! One scan of a run: done, written down, told.

use std::cell::Cell;
use std::fs;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::Ordering;
use std::time::Instant;

use ndarray_npy::WriteNpyExt;

use super::{Shared, plan};
use crate::event::Event;
use crate::outputs::{self, scan_file};
use crate::pipeline::joined::RunResult;
use crate::pipeline::{self, Outcome, prepare};
use crate::record::files::{WriteError, write_whole};
use crate::record::inputs::InputState;
use crate::record::{self, Provenance, RecordError};
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
    let plan = &shared.groups[group].scans[position];
    let scan = &shared.cohort.scans[plan.index];
    let name = scan.id.to_string();
    let begin = Instant::now();
    let announced = Cell::new(false);
    let announce = || {
        if !announced.replace(true) {
            let frames = crate::nifti::read_header(&scan.bold).map_or(0, |h| h.frames);
            (shared.tell)(&Event::ScanStarted { scan: name.clone(), frames });
        }
    };
    let on_frame = |read: usize| {
        (shared.tell)(&Event::Frames { scan: name.clone(), read });
        !shared.interrupt.load(Ordering::Relaxed)
    };
    announce();
    forget(shared, group, position);
    let child = shared.cohort.children.get(&scan.id.participant);
    // A fault of ours in one scan must not take the night's other scans with it.
    let outcome =
        catch_unwind(AssertUnwindSafe(|| pipeline::process(scan, child, shared.study, shared.atlases, &on_frame)));
    let problem = match outcome {
        Ok(Ok(mut outcome)) => {
            outcome.record.row.warnings.iter_mut().for_each(|w| *w = relative(shared, w));
            match save(shared, group, position, &outcome) {
                Ok(()) => {
                    let row = &outcome.record.row;
                    for message in &row.warnings {
                        (shared.tell)(&Event::Warning { about: name.clone(), message: message.clone() });
                    }
                    (shared.tell)(&Event::ScanDone {
                        scan: name,
                        minutes: row.minutes,
                        minutes_kept: row.minutes_kept,
                        mean_fd_mm: row.mean_fd_mm,
                        verdict: row.verdict,
                        seconds: begin.elapsed().as_secs_f64(),
                    });
                    return Some(RunResult::Done(Box::new(outcome.record)));
                }
                Err(error) => error.to_string(),
            }
        }
        Ok(Err(error)) if error.is_stop() => return None,
        Ok(Err(error)) => error.to_string(),
        Err(panic) => {
            let text = panic.downcast_ref::<String>().map(String::as_str);
            let text = text.or_else(|| panic.downcast_ref::<&str>().copied()).unwrap_or("no message");
            format!("a fault in keepstill ({text}); please report it with the study file")
        }
    };
    let problem = relative(shared, &problem);
    (shared.tell)(&Event::ScanFailed { scan: name, problem: problem.clone() });
    Some(RunResult::Failed { id: scan.id.clone(), problem })
}

/// Paths below the study file's folder without that folder: results may be passed on, and where they were made is no
/// one's business.
fn relative(shared: &Shared<'_>, text: &str) -> String {
    let folder = shared.study.folder().display().to_string();
    if folder.is_empty() || folder == "." { text.to_owned() } else { text.replace(&format!("{folder}/"), "") }
}

/// Takes back what an earlier run said of the scan: its record, then the files that belonged to it.
fn forget(shared: &Shared<'_>, group: usize, position: usize) {
    let results = &shared.study.results;
    let path = plan::record_path(shared.study, &shared.groups[group].scans[position].id);
    if let Ok((_, provenance)) = record::read(&path) {
        let _ = fs::remove_file(&path);
        for (name, _) in provenance.outputs {
            let _ = fs::remove_file(results.join(name));
        }
    }
    let _ = fs::remove_file(&path);
}

fn save(shared: &Shared<'_>, group: usize, position: usize, outcome: &Outcome) -> Result<(), SaveError> {
    let plan = &shared.groups[group].scans[position];
    let scan = &shared.cohort.scans[plan.index];
    let mut written = Vec::new();
    let mut put = |name: String, bytes: &[u8]| -> Result<(), SaveError> {
        write_whole(&shared.study.results.join(&name), bytes)?;
        written.push((name, bytes.len() as u64));
        Ok(())
    };
    put(scan_file(&scan.id, "frames.tsv"), outputs::frames_table(outcome).as_bytes())?;
    put(scan_file(&scan.id, "frames.json"), outputs::pretty(&outputs::frames_dictionary()).as_bytes())?;
    let records = outcome.record.atlases.iter().zip(&shared.atlases.list).zip(&outcome.coverage);
    for ((record, atlas), coverage) in records {
        let name = |ending: &str| scan_file(&scan.id, &format!("atlas-{}_{ending}", atlas.name));
        put(name("coverage.tsv"), outputs::coverage_table(&atlas.parcels, coverage, &record.used).as_bytes())?;
        let Some(residuals) = &record.residuals else { continue };
        let kept = &outcome.record.kept;
        let format = shared.study.output.series;
        if matches!(format, SeriesFormat::Tsv | SeriesFormat::Both) {
            let table = outputs::parcels_table(&atlas.parcels, kept, &record.used, residuals.view());
            put(name("parcels.tsv"), table.as_bytes())?;
        }
        if matches!(format, SeriesFormat::Npy | SeriesFormat::Both) {
            let name = name("parcels.npy");
            let bytes = npy(&name, &outputs::parcels_array(kept, &record.used, residuals.view()))?;
            put(name, &bytes)?;
        }
    }
    let hashes = &outcome.record.row.inputs;
    let inputs = prepare::input_files(scan, shared.study)
        .into_iter()
        .map(|(role, path)| InputState::new(role, path, hashes.get(role).map_or("", String::as_str)))
        .collect::<Result<_, _>>()?;
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
