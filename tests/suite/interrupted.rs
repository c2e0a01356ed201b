//! A run that is stopped, killed or refused loses nothing that is finished and spoils nothing that is there.

use std::fs::{self, File};
use std::process::{Child, Command, Stdio};
use std::thread;
use std::time::Duration;

use crate::builders::{Folder, Tiny, motion_table};
use crate::resume::{assert_did, did, finished, log};

#[test]
fn a_table_changed_while_a_run_is_at_work_is_seen_by_the_next() {
    let tiny = Tiny { children: 1, frames: 6000, ..Tiny::default() };
    let (folder, fresh) = (tiny.build(), tiny.build());
    fresh.write("motion_01.tsv", &motion_table(6000, 77));
    fresh.run(&[]).expect(0);
    let mut child = start(&folder);
    while !fs::read_to_string(folder.join("results/run-log.jsonl")).unwrap_or_default().contains("scan_started") {
        assert!(child.try_wait().unwrap().is_none(), "the run is over");
        thread::sleep(Duration::from_millis(1));
    }
    // The tables have been read by now, the image hardly; the result must be right in any case.
    thread::sleep(Duration::from_millis(40));
    folder.write("new.tsv", &motion_table(6000, 77));
    fs::rename(folder.join("new.tsv"), folder.join("motion_01.tsv")).unwrap();
    assert!(child.wait().unwrap().success());
    folder.run(&[]).expect(0);
    assert!(folder.results() == fresh.results());
}

#[test]
fn a_second_run_at_once_is_refused() {
    let folder = finished();
    let before = folder.files("results");
    folder.write("motion_02.tsv", &motion_table(40, 77));
    let lock = File::options().write(true).open(folder.join("results/.keepstill/lock")).unwrap();
    lock.lock().unwrap();
    let said = folder.run(&[]).expect(1).stderr;
    assert!(said.contains("another run is at work in this results folder"), "{said}");
    assert_eq!(folder.files("results"), before);
    drop(lock);
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-02"], &["sub-01", "sub-03"], &["sub-02"]);
}

/// Waits until a run has logged so many finished scans; gives up when the run has ended.
fn wait_for_scans(folder: &Folder, child: &mut Child, count: usize) {
    while child.try_wait().unwrap().is_none() {
        let log = fs::read_to_string(folder.join("results/run-log.jsonl")).unwrap_or_default();
        if log.matches("\"event\":\"scan_done\"").count() >= count {
            return;
        }
        thread::sleep(Duration::from_millis(1));
    }
}

fn start(folder: &Folder) -> Child {
    let study = folder.join("study.toml").display().to_string();
    folder.command(&["run", &study, "--jobs", "2"]).stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap()
}

#[test]
fn a_killed_run_loses_nothing_finished_and_goes_on_to_the_same_results() {
    let tiny = Tiny { children: 5, runs: 4, frames: 200, ..Tiny::default() };
    let undisturbed = tiny.build();
    undisturbed.run(&[]).expect(0);
    let folder = tiny.build();
    let mut killed = 0;
    // Sometimes at a finished scan, sometimes between; one scan more is finished before each kill.
    for round in 0..8 {
        let mut child = start(&folder);
        wait_for_scans(&folder, &mut child, round);
        thread::sleep(Duration::from_micros(1700 * (round as u64 * 7 % 5)));
        killed += usize::from(child.try_wait().unwrap().is_none());
        child.kill().unwrap();
        child.wait().unwrap();
        for (name, bytes) in folder.files("results") {
            let whole = undisturbed.join("results").join(&name);
            let part_of_state = name.starts_with(".keepstill") || name.contains(".unfinished-");
            if !part_of_state && name != "run-log.jsonl" && !name.starts_with("cohort.") {
                assert!(fs::read(whole).unwrap() == bytes, "{name} is half a file");
            }
        }
    }
    assert!(killed >= 3, "only {killed} runs were caught at work");
    let finished_before = folder.files("results/.keepstill/scans").iter().filter(|f| f.0.starts_with("sub-")).count();
    folder.run(&[]).expect(0);
    assert_eq!(did(&folder).unchanged.len(), finished_before);
    assert!(folder.results() == undisturbed.results());
}

#[test]
fn an_interrupted_run_says_so_and_goes_on() {
    let tiny = Tiny { children: 20, runs: 2, frames: 400, ..Tiny::default() };
    let undisturbed = tiny.build();
    undisturbed.run(&[]).expect(0);
    let folder = tiny.build();
    let mut child = start(&folder);
    wait_for_scans(&folder, &mut child, 1);
    let sent = Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    assert_eq!(child.wait().unwrap().code(), Some(130));
    let first = did(&folder);
    assert!(!first.done.is_empty() && first.done.len() < 40, "{} scans were done", first.done.len());
    assert!(log(&folder).iter().any(|event| event["event"] == "finished" && event["interrupted"] == true));
    folder.run(&[]).expect(0);
    let second = did(&folder);
    assert_eq!(second.unchanged, first.done);
    assert_eq!(second.done.len() + first.done.len(), 40);
    assert!(folder.results() == undisturbed.results());
}
