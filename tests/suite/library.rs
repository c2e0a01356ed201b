//! The library called as another program would: a study read, its cohort found, a run listened to and stopped.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};

use keepstill::batch::tries::Try;
use keepstill::batch::{self, BatchError, Options, Summary};
use keepstill::discover::discover;
use keepstill::event::Event;
use keepstill::study::Study;

use crate::builders::{Folder, Tiny};

fn options(jobs: usize) -> Options {
    Options { jobs, only: Vec::new(), redo: false, verify: false, part: None, digests_of: None, memory_bytes: None }
}

fn run(folder: &Folder, options: &Options, listener: &(dyn Fn(&Event) + Sync)) -> Result<Summary, BatchError> {
    run_until(folder, options, &AtomicBool::new(false), listener)
}

fn run_until(
    folder: &Folder,
    options: &Options,
    interrupt: &AtomicBool,
    listener: &(dyn Fn(&Event) + Sync),
) -> Result<Summary, BatchError> {
    let study = Study::read(&folder.join("study.toml")).unwrap();
    let cohort = discover(&study).unwrap();
    batch::run(&study, &cohort, options, interrupt, listener)
}

#[test]
fn every_scan_is_told_of_in_order() {
    let folder = Tiny { children: 2, runs: 2, ..Tiny::default() }.build();
    folder.cut("bold_02_1.nii", 3000);
    let told: Mutex<Vec<Event>> = Mutex::new(Vec::new());
    let summary = run(&folder, &options(2), &|event| told.lock().unwrap().push(event.clone())).unwrap();
    assert_eq!(
        (summary.counts.scans, summary.counts.done, summary.counts.unchanged, summary.failed.len()),
        (4, 3, 0, 1)
    );
    assert_eq!(summary.failed[0].0, "sub-02_run-1");
    let told = told.into_inner().unwrap();
    assert!(matches!(told.first(), Some(Event::Started { scans: 4, to_do: 4, jobs: 2, .. })));
    assert!(matches!(told.last(), Some(Event::Finished { done: 3, failed: 1, interrupted: false, .. })));
    // Of each scan: started, then frames that only grow, then its end, once.
    let mut scans: BTreeMap<String, Vec<(usize, usize)>> = BTreeMap::new();
    for event in &told {
        let (scan, step) = match event {
            Event::ScanStarted { scan, frames } => (scan, (0, *frames)),
            Event::Frames { scan, read } => (scan, (1, *read)),
            Event::ScanDone { scan, .. } => (scan, (2, 0)),
            Event::ScanFailed { scan, .. } => (scan, (3, 0)),
            _ => continue,
        };
        scans.entry(scan.clone()).or_default().push(step);
    }
    assert_eq!(scans.len(), 4);
    for (scan, steps) in scans {
        assert!(steps.is_sorted() && steps[0].0 == 0, "{scan}: {steps:?}");
        let end = if scan == "sub-02_run-1" { 3 } else { 2 };
        assert_eq!(steps.iter().filter(|step| step.0 >= 2).collect::<Vec<_>>(), [&(end, 0)], "{scan}");
    }
    let children = told.iter().filter(|event| matches!(event, Event::ChildDone { .. })).count();
    assert_eq!(children, 2);
}

#[test]
fn a_run_can_be_stopped_from_outside_at_any_scan() {
    let whole = Tiny::default().build();
    run(&whole, &options(1), &|_| {}).unwrap();
    for stop_after in 0..3 {
        let folder = Tiny::default().build();
        let stop = AtomicBool::new(stop_after == 0);
        let done = Mutex::new(0);
        let summary = run_until(&folder, &options(1), &stop, &|event| {
            if matches!(event, Event::ScanDone { .. }) {
                let mut done = done.lock().unwrap();
                *done += 1;
                stop.store(*done >= stop_after, Ordering::Relaxed);
            }
        })
        .unwrap();
        assert_eq!((summary.interrupted, summary.counts.done), (true, stop_after));
        let after = run(&folder, &options(1), &|_| {}).unwrap();
        assert_eq!((after.interrupted, after.counts.done, after.counts.unchanged), (false, 3 - stop_after, stop_after));
        assert!(folder.results() == whole.results());
    }
}

#[test]
fn doing_all_again_and_stopping_keeps_every_row_that_still_holds() {
    let folder = Tiny { runs: 2, ..Tiny::default() }.build();
    run(&folder, &options(1), &|_| {}).unwrap();
    let whole = folder.results();
    let again = || {
        let stop = AtomicBool::new(false);
        let redo = Options { redo: true, ..options(1) };
        run_until(&folder, &redo, &stop, &|event| {
            if matches!(event, Event::ScanDone { .. } | Event::ScanFailed { .. }) {
                stop.store(true, Ordering::Relaxed);
            }
        })
        .unwrap()
    };
    let summary = again();
    assert_eq!((summary.interrupted, summary.counts.done, summary.counts.left()), (true, 1, 5));
    assert!(folder.results() == whole, "one of a child's two scans is done again, with the same outcome");
    // While a run is at work, the table already says what is not done with its settings.
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    run(&folder, &options(1), &|event| {
        if matches!(event, Event::Started { .. }) {
            assert_eq!(folder.read("results/cohort.tsv").matches("\tnot_done\t").count(), 3);
        }
    })
    .unwrap();
    // Now the first scan fails, so that the row of its child no longer holds; those of the others do.
    folder.cut("bold_01_1.nii", 5000);
    let summary = again();
    assert_eq!((summary.interrupted, summary.counts.failed, summary.counts.left()), (true, 1, 5));
    let verdicts: Vec<&str> = summary.rows.iter().map(|(_, row)| row.row.verdict.key()).collect();
    assert_eq!(verdicts, ["not_done", "enough", "enough"]);
}

#[test]
fn a_listener_that_stops_in_the_middle_of_an_image_leaves_no_file_of_it() {
    let folder = Tiny { children: 1, frames: 400, ..Tiny::default() }.build();
    let stop = AtomicBool::new(false);
    let summary = run_until(&folder, &options(1), &stop, &|event| {
        if matches!(event, Event::Frames { .. }) {
            stop.store(true, Ordering::Relaxed);
        }
    })
    .unwrap();
    assert_eq!((summary.interrupted, summary.counts.done), (true, 0));
    assert_eq!(folder.files("results/sub-01").len(), 0);
    assert_eq!(summary.counts.left(), 1);
    let (cohort, expected) = (folder.read("results/cohort.tsv"), "\tnot_done\tnot done yet with the settings");
    assert!(cohort.lines().count() == 2 && cohort.contains(expected), "{cohort}");
}

#[test]
fn errors_are_values_with_facts() {
    let folder = Tiny::default().build();
    let unknown = Options { only: vec!["sub-9".to_owned()], ..options(1) };
    match run(&folder, &unknown, &|_| {}) {
        Err(BatchError::NoSuchChild { label, known }) => {
            assert_eq!((label.as_str(), known.as_str()), ("sub-9", "sub-01, sub-02, sub-03"))
        }
        other => panic!("{other:?}"),
    }
    folder.remove("atlas.nii");
    match run(&folder, &options(1), &|_| {}) {
        Err(BatchError::Atlases(errors)) => assert_eq!(errors.len(), 1),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_try_waits_for_nobody_and_sweeps_nothing_while_another_run_has_the_main_folder() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    run(&folder, &options(1), &|_| {}).unwrap();
    let study = Study::read(&folder.join("study.toml")).unwrap();
    let attempt = Try::new(&study, &["fd_mm=0.5".to_owned()]).unwrap();
    let options = Options { digests_of: Some(study.results.clone()), ..options(1) };
    let stop = AtomicBool::new(false);
    let go = || batch::run(&attempt.study, &attempt.cohort, &options, &stop, &|_| {});
    let other = std::fs::File::open(folder.join("results/.keepstill/lock")).unwrap();
    other.try_lock().unwrap();
    let refused = go().unwrap_err();
    assert!(matches!(&refused, BatchError::Locked { path } if *path == study.results), "{refused}");
    drop(other);
    assert_eq!(go().unwrap().counts.done, 1);
}
