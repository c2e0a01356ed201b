//! A second run does what is needed and no more, and leaves nothing stale.

use std::fs::{self, File};
use std::time::SystemTime;

use serde_json::Value;

use crate::builders::{Folder, Tiny, motion_table};

/// What the latest run of a folder did: scans done and scans found unchanged, children joined, from `run-log.jsonl`.
#[derive(Debug, PartialEq, Eq)]
pub struct Did {
    pub done: Vec<String>,
    pub unchanged: Vec<String>,
    pub failed: Vec<String>,
    pub children: Vec<String>,
}

pub fn log(folder: &Folder) -> Vec<Value> {
    folder.read("results/run-log.jsonl").lines().map(|line| serde_json::from_str(line).unwrap()).collect()
}

pub fn did(folder: &Folder) -> Did {
    let log = log(folder);
    let start = log.iter().rposition(|event| event["event"] == "started").unwrap();
    let named = |event: &str, field: &str| {
        let mut names: Vec<String> = log[start..]
            .iter()
            .filter(|line| line["event"] == event)
            .map(|line| line[field].as_str().unwrap().to_owned())
            .collect();
        names.sort();
        names
    };
    Did {
        done: named("scan_done", "scan"),
        unchanged: named("scan_unchanged", "scan"),
        failed: named("scan_failed", "scan"),
        children: named("child_done", "child"),
    }
}

pub fn names(list: &[&str]) -> Vec<String> {
    list.iter().map(|&name| name.to_owned()).collect()
}

/// Asserts what the latest run did; `failed` is empty.
#[track_caller]
pub fn assert_did(folder: &Folder, done: &[&str], unchanged: &[&str], children: &[&str]) {
    let expected =
        Did { done: names(done), unchanged: names(unchanged), failed: Vec::new(), children: names(children) };
    assert_eq!(did(folder), expected);
}

pub const ALL: [&str; 3] = ["sub-01", "sub-02", "sub-03"];

pub fn finished() -> Folder {
    let folder = Tiny::default().build();
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    folder
}

fn times(folder: &Folder) -> Vec<(String, SystemTime)> {
    let files = folder.files("results").into_iter().map(|(name, _)| name);
    files
        .filter(|name| name.starts_with("sub-") || name.starts_with(".keepstill/scans"))
        .map(|name| {
            let time = fs::metadata(folder.join("results").join(&name)).unwrap().modified().unwrap();
            (name, time)
        })
        .collect()
}

#[test]
fn a_second_run_does_nothing() {
    let folder = finished();
    let (times_before, results) = (times(&folder), folder.results());
    let said = folder.run(&[]).expect(0).stdout;
    assert!(said.starts_with("3 scans: 0 done, 3 unchanged, 0 failed. Children: 3 enough."), "{said}");
    assert_did(&folder, &[], &ALL, &[]);
    assert_eq!(times(&folder), times_before);
    assert_eq!(folder.results(), results);
    folder.run(&["--verify"]).expect(0);
    assert_did(&folder, &[], &ALL, &[]);
}

#[test]
fn a_changed_motion_table_does_its_scan_again() {
    let folder = finished();
    folder.write("motion_02.tsv", &motion_table(40, 77));
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-02"], &["sub-01", "sub-03"], &["sub-02"]);
}

#[test]
fn a_changed_image_mask_or_sidecar_does_its_scans_again() {
    let folder = finished();
    folder.write_run("bold_03.nii", 40, 99);
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-03"], &["sub-01", "sub-02"], &["sub-03"]);
    folder.write_volume("white.nii", |x, y, z| u8::from(x > 1 && y == 0 && z == 0));
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
}

#[test]
fn a_changed_setting_does_what_depends_on_it() {
    let folder = finished();
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    // The measure is worked out from the finished scans.
    folder.write("study.toml", &(folder.read("study.toml") + "\n[connectivity]\nmeasures = [\"spearman\"]\n"));
    folder.run(&[]).expect(0);
    assert_did(&folder, &[], &ALL, &ALL);
    // Each report tells what a radius by the child's age would change.
    folder.edit("participants.tsv", "sub-02\t12", "sub-02\t14");
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-02"], &["sub-01", "sub-03"], &["sub-02"]);
    assert!(folder.read("results/cohort.tsv").contains("\t14\t"), "the cohort table carries the new age");
    folder.write("study.toml", &(folder.read("study.toml") + "\n[motion]\nsphere_radius = \"by-age\"\n"));
    folder.run(&[]).expect(0);
    folder.edit("participants.tsv", "sub-02\t14", "sub-02\t15");
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-02"], &["sub-01", "sub-03"], &["sub-02"]);
}

#[test]
fn a_changed_atlas_does_every_scan_again() {
    let folder = finished();
    folder.write_volume("atlas.nii", |x, y, _| if y < 3 { x as u8 } else { 0 });
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    folder.edit("atlas.tsv", "cove", "cape");
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    assert!(folder.read("results/sub-01/func/sub-01_atlas-tern5_series.tsv").starts_with("cape\t"));
}

#[test]
fn a_deleted_or_shortened_output_is_made_again() {
    let folder = finished();
    let results = folder.results();
    folder.remove("results/sub-01/func/sub-01_frames.tsv");
    folder.remove("results/sub-02/func/sub-02_report.json");
    folder.cut("results/sub-03/func/sub-03_atlas-tern5_series.tsv", 10);
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-01", "sub-03"], &["sub-02"], &ALL);
    assert_eq!(folder.results(), results);
}

#[test]
fn a_damaged_record_is_made_again() {
    let folder = finished();
    let results = folder.results();
    let length = folder.bytes("results/.keepstill/scans/sub-01.npz").len();
    folder.cut("results/.keepstill/scans/sub-01.npz", length / 2);
    // Among the first array's numbers, so that only a checksum can tell.
    let record = folder.bytes("results/.keepstill/scans/sub-02.npz");
    let at = record.windows(9).position(|bytes| bytes == b"fd_mm.npy").unwrap() + 9 + 128 + 80;
    folder.patch("results/.keepstill/scans/sub-02.npz", at, &[record[at] ^ 1]);
    folder.write("results/.keepstill/children/sub-03.json", "{\"format\":");
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-01", "sub-02"], &["sub-03"], &ALL);
    assert_eq!(folder.results(), results);
    fs::remove_dir_all(folder.join("results/.keepstill")).unwrap();
    folder.run(&[]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    assert_eq!(folder.results(), results);
}

#[test]
fn equal_contents_under_another_time_are_no_change() {
    let folder = finished();
    folder.touch("bold_01.nii");
    folder.touch("motion_02.tsv");
    folder.touch("brain.nii");
    folder.touch("atlas.nii");
    folder.run(&[]).expect(0);
    assert_did(&folder, &[], &ALL, &[]);
}

#[test]
fn the_same_study_by_another_path_is_no_change() {
    let folder = Tiny::default().build();
    folder.cut("bold_02.nii", 3000);
    folder.run(&[]).expect(3);
    let results = folder.results();
    let above = folder.path().parent().unwrap();
    let path = format!("{}/study.toml", folder.path().file_name().unwrap().to_str().unwrap());
    for (here, study) in [(folder.path(), "study.toml"), (folder.path(), "./study.toml"), (above, path.as_str())] {
        let ran: crate::builders::Ran = folder.command(&["run", study]).current_dir(here).output().unwrap().into();
        ran.expect(3);
        let did = did(&folder);
        assert_eq!((did.unchanged, did.failed), (names(&["sub-01", "sub-03"]), names(&["sub-02"])), "{study}");
        assert!(folder.results() == results, "{study}");
    }
}

#[test]
fn verify_sees_a_change_that_kept_size_and_time() {
    let folder = finished();
    let time = fs::metadata(folder.join("bold_01.nii")).unwrap().modified().unwrap();
    let last = folder.bytes("bold_01.nii").len() - 8;
    folder.patch("bold_01.nii", last, &[1, 3]);
    File::options().write(true).open(folder.join("bold_01.nii")).unwrap().set_modified(time).unwrap();
    folder.run(&[]).expect(0);
    assert_did(&folder, &[], &ALL, &[]);
    folder.run(&["--verify"]).expect(0);
    assert_did(&folder, &["sub-01"], &["sub-02", "sub-03"], &["sub-01"]);
}

#[test]
fn redo_only_and_part_choose_children() {
    let folder = Tiny::default().build();
    folder.run(&["--only", "sub-02"]).expect(0);
    assert_did(&folder, &["sub-02"], &[], &["sub-02"]);
    assert_eq!(verdicts(&folder), ["not_done", "enough", "not_done"]);
    folder.run(&["--only", "02", "--only", "03"]).expect(0);
    assert_did(&folder, &["sub-03"], &["sub-02"], &["sub-03"]);
    folder.run(&[]).expect(0);
    assert_did(&folder, &["sub-01"], &["sub-02", "sub-03"], &["sub-01"]);
    let results = folder.results();
    folder.run(&["--redo", "--only", "03"]).expect(0);
    assert_did(&folder, &["sub-03"], &[], &["sub-03"]);
    assert_eq!(folder.results(), results, "the other children keep their rows");
    folder.run(&["--redo"]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
    assert_eq!(folder.results(), results);

    let parts = Tiny::default().build();
    parts.run(&["--part", "1/2"]).expect(0);
    assert_did(&parts, &["sub-01", "sub-03"], &[], &["sub-01", "sub-03"]);
    parts.run(&["--part", "2/2"]).expect(0);
    assert_did(&parts, &["sub-02"], &[], &["sub-02"]);
    assert_eq!(parts.results(), results);
}

/// A column of the cohort table, by name.
fn cells(folder: &Folder, column: &str) -> Vec<String> {
    let table = folder.read("results/cohort.tsv");
    let at = table.lines().next().unwrap().split('\t').position(|name| name == column).unwrap();
    table.lines().skip(1).map(|line| line.split('\t').nth(at).unwrap().to_owned()).collect()
}

fn verdicts(folder: &Folder) -> Vec<String> {
    cells(folder, "verdict")
}

#[test]
fn a_row_never_vanishes_and_never_shows_numbers_of_other_settings() {
    let folder = Tiny::default().build();
    folder.cut("bold_02.nii", 5000);
    let said = folder.run(&[]).expect(3).stdout;
    assert!(said.starts_with("3 scans: 2 done, 0 unchanged, 1 failed. Children: 2 enough, 1 failed."), "{said}");
    let table = folder.read("results/cohort.tsv");

    // A failed scan is decided: the row of its child stays when others are asked for, and with it the whole table.
    for asked in [&["--only", "03"][..], &["--part", "1/3"], &["--redo", "--only", "03"]] {
        let ran = folder.run(asked).expect(0);
        assert_eq!(folder.read("results/cohort.tsv"), table, "{asked:?}");
        assert!(ran.stdout.starts_with("1 scan: "), "{}", ran.stdout);
        assert!(ran.stdout.contains(" Children: 1 enough."), "only what was asked for is counted: {}", ran.stdout);
        assert!(!ran.stderr.contains("not_done"), "{}", ran.stderr);
    }
    // It is tried again when it is asked for.
    folder.run(&["--only", "02"]).expect(3);
    assert_eq!(did(&folder).failed, ["sub-02"]);

    // Other settings: what the others have is not of these.
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    let ran = folder.run(&["--only", "03"]).expect(0);
    assert!(ran.stderr.contains("cohort.tsv: note: 2 rows are not_done yet"), "{}", ran.stderr);
    assert_eq!(verdicts(&folder), ["not_done", "not_done", "enough"]);
    for (column, expected) in [("minutes_kept", "n/a"), ("dropped_moved", "n/a"), ("parcels", "n/a"), ("runs", "1")] {
        assert_eq!(cells(&folder, column)[0], expected, "{column}");
    }
    assert!(cells(&folder, "problem")[0].starts_with("not done yet with the settings and files of this study; do"));
    let why = |child: &str| folder.keepstill(&["why", "results", child]).expect(0).stdout;
    let told = "sub-01 is not done yet with the settings and files of the study; do `keepstill run`. What follows \
                is of an earlier run.\nsub-01 has enough data";
    assert!(why("sub-01").starts_with(told), "{}", why("sub-01"));
    assert!(why("sub-03").starts_with("sub-03 has enough data"), "{}", why("sub-03"));
    folder.keepstill(&["stack", "results", "--all"]).expect(0);
    let left_out = folder.read("results/stack/left_out.tsv");
    for child in ["sub-01", "sub-02"] {
        let row = left_out.lines().find(|line| line.starts_with(child)).unwrap();
        assert!(row.contains("\tnot_done\t"), "{row}");
    }

    // The input of the failed scan has changed, so the failure is no longer decided.
    folder.run(&[]).expect(3);
    folder.write_run("bold_02.nii", 40, 2);
    folder.run(&["--only", "03"]).expect(0);
    assert_eq!(verdicts(&folder), ["enough", "not_done", "enough"]);
    folder.run(&[]).expect(0);
    assert_eq!(verdicts(&folder), ["enough"; 3]);
    assert_eq!(folder.files("results/.keepstill/failed").len(), 0, "nothing has failed any more");
}

#[test]
fn rows_of_sessions_and_runs_are_told_from_children() {
    let settings = |join: &str| format!("\n[connectivity]\njoin = \"{join}\"\n");
    let folder = Tiny { children: 2, runs: 2, settings: settings("none"), ..Tiny::default() }.build();
    let said = folder.run(&[]).expect(0).stdout;
    assert!(said.starts_with("4 scans: 4 done, 0 unchanged, 0 failed. 4 runs of 2 children: "), "{said}");
    // A run whose report cannot be written keeps its own name.
    folder.remove("results/sub-02/func/sub-02_run-2_report.json");
    fs::create_dir_all(folder.join("results/sub-02/func/sub-02_run-2_report.json")).unwrap();
    let said = folder.run(&["--redo"]).expect(3).stdout;
    assert!(said.starts_with("4 scans: 4 done, 0 unchanged, 0 failed. 4 runs of 2 children: "), "{said}");
    assert!(said.contains(" 1 report could not be written."), "{said}");
    assert_eq!(cells(&folder, "run_id"), ["run-1", "run-2", "run-1", "run-2"]);
    let before = folder.read("results/cohort.tsv");
    folder.run(&["--only", "01"]).expect(0);
    assert_eq!(folder.read("results/cohort.tsv"), before, "a report that failed is decided");
}

#[test]
fn nothing_stale_is_left() {
    let matrix = |measure: &str| format!("results/sub-01/func/sub-01_atlas-tern5_desc-{measure}_matrix.tsv");
    let measures = "\n[connectivity]\nmeasures = [\"pearson\", \"partial\"]\n";
    let folder = Tiny { settings: measures.to_owned(), ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    assert!(folder.join(&matrix("partial")).exists());
    folder.edit("study.toml", "\"pearson\", \"partial\"", "\"pearson\"");
    folder.run(&[]).expect(0);
    assert!(folder.join(&matrix("pearson")).exists() && !folder.join(&matrix("partial")).exists());

    // The same when the state that knew of it is gone.
    folder.edit("study.toml", "\"pearson\"", "\"spearman\"");
    fs::remove_dir_all(folder.join("results/.keepstill")).unwrap();
    folder.run(&[]).expect(0);
    assert!(folder.join(&matrix("spearman")).exists() && !folder.join(&matrix("pearson")).exists());

    // An atlas of another name.
    folder.edit("study.toml", "name = \"tern5\"", "name = \"gull\"");
    folder.run(&[]).expect(0);
    let left: Vec<String> =
        folder.results().into_iter().map(|(name, _)| name).filter(|n| n.contains("tern5")).collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn another_joining_or_a_dropped_run_leaves_nothing_stale() {
    let folder = Tiny { children: 2, runs: 2, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    let joined = folder.results();
    folder.write("study.toml", &(folder.read("study.toml") + "\n[connectivity]\njoin = \"none\"\n"));
    folder.run(&[]).expect(0);
    let undisturbed =
        Tiny { children: 2, runs: 2, settings: "\n[connectivity]\njoin = \"none\"\n".to_owned(), ..Tiny::default() };
    let fresh = undisturbed.build();
    fresh.run(&[]).expect(0);
    assert_eq!(file_names(&folder), file_names(&fresh));
    folder.edit("study.toml", "join = \"none\"", "join = \"runs\"");
    folder.run(&[]).expect(0);
    assert_eq!(folder.results(), joined);

    let table = folder.read("runs.tsv");
    let rows: Vec<&str> = table.lines().filter(|line| !line.starts_with("02\tn/a\t2")).collect();
    folder.write("runs.tsv", &(rows.join("\n") + "\n"));
    folder.run(&[]).expect(0);
    let left: Vec<String> = file_names(&folder).into_iter().filter(|n| n.contains("sub-02_run-2")).collect();
    assert!(left.is_empty(), "{left:?}");
}

fn file_names(folder: &Folder) -> Vec<String> {
    folder.results().into_iter().map(|(name, _)| name).collect()
}

#[test]
fn a_scan_that_now_fails_leaves_no_earlier_results() {
    for forget_state in [false, true] {
        let folder = finished();
        folder.cut("bold_02.nii", 5000);
        if forget_state {
            fs::remove_dir_all(folder.join("results/.keepstill")).unwrap();
        }
        folder.run(&[]).expect(3);
        assert_eq!(did(&folder).failed, ["sub-02"]);
        let mut left: Vec<String> =
            folder.files("results/sub-02").into_iter().map(|(name, _)| name.replace("func/", "")).collect();
        left.sort();
        assert_eq!(left, ["sub-02_report.html", "sub-02_report.json"], "state forgotten: {forget_state}");
        let rows = folder.read("results/cohort.tsv");
        let row = rows.lines().find(|line| line.starts_with("sub-02")).unwrap();
        assert!(row.contains("\tfailed\t") && row.contains("cut short"), "{row}");
        assert_eq!(rows.lines().count(), 4);

        folder.write_run("bold_02.nii", 40, 2);
        folder.run(&[]).expect(0);
        assert_did(&folder, &["sub-02"], &["sub-01", "sub-03"], &["sub-02"]);
        assert!(folder.read("results/cohort.tsv").lines().all(|line| !line.contains("failed")));
    }
}

#[test]
fn results_do_not_depend_on_the_number_of_jobs() {
    let tiny = Tiny { children: 4, runs: 2, ..Tiny::default() };
    let (one, three) = (tiny.build(), tiny.build());
    one.run(&["--jobs", "1"]).expect(0);
    three.run(&["--jobs", "3"]).expect(0);
    assert!(one.results() == three.results());
}

#[test]
fn a_results_folder_of_others_is_refused_untouched() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    let theirs = r#"{"Name": "Tern Bay scans", "BIDSVersion": "1.11.0"}"#;
    folder.write("results/dataset_description.json", theirs);
    let said = folder.run(&[]).expect(1).stderr;
    assert!(said.contains("holds a dataset that keepstill did not make"), "{said}");
    assert_eq!(folder.read("results/dataset_description.json"), theirs);

    folder.edit("study.toml", "name = \"Tern Bay naps\"", "name = \"Tern Bay naps\"\nresults = \".\"");
    let before = folder.files("");
    let said = folder.run(&[]).expect(1).stderr;
    assert!(said.contains("the results folder holds inputs of the study"), "{said}");
    assert_eq!(folder.files(""), before);
}

#[test]
fn more_jobs_than_scans_are_as_many_as_scans() {
    let folder = Tiny::default().build();
    folder.run(&["--jobs", "4000000000"]).expect(0);
    assert_did(&folder, &ALL, &[], &ALL);
}

#[test]
fn a_child_whose_report_cannot_be_written_fails_the_run() {
    let folder = Tiny::default().build();
    // A folder stands where the report should go.
    fs::create_dir_all(folder.join("results/sub-02/func/sub-02_report.json")).unwrap();
    folder.run(&[]).expect(3);
    let table = folder.read("results/cohort.tsv");
    let row = table.lines().find(|line| line.starts_with("sub-02")).unwrap();
    assert!(row.contains("failed") && row.contains("cannot"), "{row}");
    assert_eq!(did(&folder).children, names(&["sub-01", "sub-03"]));
}
