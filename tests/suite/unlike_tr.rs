//! Scans of unlike repetition times: one movement, sampled at five of them. And a repetition time as headers hold it.
//!
//! `tests/reference/test_unlike_tr.py` holds every frame to direct arithmetic; here the program judges whole studies.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::fmt::Write;

use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};

const TRS: [f64; 5] = [0.6, 0.8, 1.35, 2.0, 3.0];
const RUN_S: f64 = 900.0;
/// The limits that are tried for the span, mm: 0.20 to 1.19.
const LIMITS: std::ops::Range<u32> = 20..120;
const SPAN: &str = "\n[motion]\nfd_span_s = 3\n[censor]\nbefore_s = 2\nafter_s = 4\nshortest_stretch_s = 10\n";

/// The head's position at a time: a slow wander that comes and goes, and ten quick shifts (invented).
fn position(time: f64) -> [f64; 6] {
    let restless = 0.5 - 0.5 * (TAU * time / 210.0).cos();
    std::array::from_fn(|axis| {
        let turn = if axis < 3 { 1.0 } else { 0.02 };
        let period = 19.0 + 5.0 * axis as f64;
        let wander = 0.28 * restless * (TAU * time / period + axis as f64).sin();
        let shifts: f64 = (1..=10).map(|i| ((time - 87.0 * f64::from(i)) / 1.5).clamp(0.0, 1.0)).sum();
        turn * (wander + 0.15 * shifts)
    })
}

/// A study of five children who move alike, each scanned with another repetition time.
fn study(settings: &str) -> Folder {
    let folder = Tiny { children: 5, settings: settings.to_owned(), ..Tiny::default() }.build();
    // Half of 1 / (3 s) is 0.17 Hz.
    folder.edit("study.toml", "band_hz = [0.01, 0.2]", "band_hz = [0.01, 0.1]");
    let table = folder.read("runs.tsv");
    let mut lines = table.lines();
    let mut with_tr = format!("{}\ttr_s\n", lines.next().unwrap());
    for ((child, tr), line) in (1..).zip(TRS).zip(lines) {
        let _ = writeln!(with_tr, "{line}\t{tr}");
        let frames = (RUN_S / tr) as usize;
        folder.write_run(&format!("bold_{child:02}.nii"), frames, child);
        let header = folder.read(&format!("motion_{child:02}.tsv")).lines().next().unwrap().to_owned();
        let rows = (0..frames).map(|i| position(i as f64 * tr).map(|value| format!("{value:.9}")).join("\t"));
        let rows: Vec<String> = rows.collect();
        folder.write(&format!("motion_{child:02}.tsv"), &format!("{header}\n{}\n", rows.join("\n")));
    }
    folder.write("runs.tsv", &with_tr);
    folder
}

/// Minutes that each child keeps by limit, from `keepstill thresholds`.
fn minutes(folder: &Folder) -> BTreeMap<String, Vec<f64>> {
    let limits: Vec<String> = LIMITS.map(|hundredths| (f64::from(hundredths) / 100.0).to_string()).collect();
    folder.keepstill(&["thresholds", "study.toml", "--limits", &limits.join(",")]).expect(0);
    let mut found: BTreeMap<String, Vec<f64>> = BTreeMap::new();
    for row in cells(&folder.read("results/thresholds/minutes.tsv")).into_iter().skip(1) {
        if row[5..7] == ["sum", "1"] {
            found.entry(row[4].clone()).or_default().push(row[8].parse().unwrap());
        }
    }
    found
}

#[test]
fn lengths_in_seconds_and_a_span_keep_as_much_at_every_repetition_time() {
    let by_frames = minutes(&study(""))["0.2"].clone();
    assert!(by_frames.is_sorted_by(|shorter, longer| shorter > longer), "{by_frames:?}");
    assert!(by_frames[0] > 3.0 * by_frames[4], "{by_frames:?}");

    // The limit for the span is the least that keeps as much at a TR of 2 s as 0.2 mm from frame to frame.
    let by_seconds = minutes(&study(SPAN));
    let limit = LIMITS.map(|hundredths| (f64::from(hundredths) / 100.0).to_string());
    let limit = limit.into_iter().find(|limit| by_seconds[limit][3] >= by_frames[3]).unwrap();
    let by_seconds = &by_seconds[&limit];
    let (least, most) = by_seconds.iter().fold((f64::MAX, 0.0_f64), |(a, b), &m| (a.min(m), b.max(m)));
    // The span is 4 s at a TR of 2 s, so that it keeps least there.
    assert!(most < 1.4 * least, "{limit}: {by_seconds:?}");
    assert!(limit.parse::<f64>().unwrap() > 0.25, "{limit}");
}

#[test]
fn both_displacements_are_told() {
    let folder = study(SPAN);
    folder.edit("study.toml", "fd_span_s = 3", "fd_span_s = 3\ndisplacement = \"rms\"");
    folder.run(&["-q"]).expect(0);
    let cohort = cells(&folder.read("results/cohort.tsv"));
    let column = |name: &str| cohort[0].iter().position(|cell| cell == name).unwrap();
    for (child, (tr, span)) in (1..).zip(TRS.into_iter().zip([5, 4, 2, 2, 1])) {
        let frames = cells(&folder.read(&format!("results/sub-{child:02}/func/sub-{child:02}_frames.tsv")));
        let of = |name: &str| frames[0].iter().position(|cell| cell == name).unwrap();
        let values = |name: &str| -> Vec<f64> {
            frames[1..].iter().map(|row| row[of(name)].parse().unwrap_or(f64::NAN)).collect()
        };
        let (one, over) = (values("fd_rms_mm"), values("fd_span_mm"));
        assert_eq!(over.iter().filter(|mm| mm.is_nan()).count(), span, "TR {tr}");
        assert!(span > 1 || one[1..] == over[1..]);
        let mean = |values: &[f64]| {
            let known: Vec<f64> = values.iter().copied().filter(|mm| !mm.is_nan()).collect();
            known.iter().sum::<f64>() / known.len() as f64
        };
        let row = &cohort[child];
        for (name, expected) in [("mean_fd_mm", mean(&one)), ("mean_fd_span_mm", mean(&over))] {
            let told: f64 = row[column(name)].parse().unwrap();
            assert!((told - expected).abs() < 1e-5 * expected, "TR {tr} {name}: {told} {expected}");
        }
        // The limit is for the displacement over the span.
        let reasons = of("reasons");
        for (row, mm) in frames[1..].iter().zip(&over) {
            assert_eq!(row[reasons].split(';').any(|reason| reason == "moved"), *mm > 0.2, "TR {tr} {row:?}");
        }
    }
    let report: Value = serde_json::from_str(&folder.read("results/sub-02/func/sub-02_report.json")).unwrap();
    assert_eq!(report["settings"]["motion"]["fd_span_s"], 3.0);
    assert_eq!(report["settings"]["censor"]["after_s"], 4.0);
    assert!(report["settings"]["censor"].get("after").is_none());
    assert!(report["runs"][0]["mean_fd_span_mm"].as_f64().unwrap() > 0.0);
    // Words about one frame: what it moved over the span, and its neighbours in seconds.
    let frames = cells(&folder.read("results/sub-02/func/sub-02_frames.tsv"));
    let first = |reason: &str| frames[1..].iter().position(|row| row.last().unwrap() == reason).unwrap().to_string();
    let moved = folder.keepstill(&["why", "results", "sub-02", &first("moved")]).expect(0).stdout;
    assert!(moved.contains("since 3 s before (motion.fd_span_s), above the limit of 0.2 mm"), "{moved}");
    let child = folder.keepstill(&["why", "results", "sub-02"]).expect(0).stdout;
    assert!(child.contains(" mm over motion.fd_span_s); "), "{child}");
    assert!(
        folder.read("results/sub-02/func/sub-02_report.html").contains("mean FD over the span that censoring uses")
    );
    let beside = folder.keepstill(&["why", "results", "sub-02", &first("beside_motion")]).expect(0).stdout;
    assert!(beside.contains("it lies within 2 s before or 4 s after frame "), "{beside}");
}

#[test]
fn unlike_times_without_a_span_are_told_and_a_try_changes_the_form() {
    let told = "repetition times go from 0.6 to 3 s while displacement is measured from frame to frame, so that the \
                same movement costs more time at a longer one; set motion.fd_span_s, and give the lengths of \
                [censor] in seconds (docs/unlike-tr.md)";
    let noted = format!("\nNote: {told}.\n");
    let folder = study("\n[censor]\nafter = 1\n");
    assert!(folder.keepstill(&["check", "study.toml"]).expect(0).stdout.contains(&noted));
    let tries = ["censor.after_s=4", "censor.shortest_stretch_s=10", "motion.fd_span_s=3"];
    let ran = folder.run(&[&["--try"], &tries[..]].concat()).expect(0).stdout;
    assert_eq!(ran.matches(&noted).count(), 1, "{ran}");
    assert!(folder.keepstill(&["why", "results", "sub-03"]).expect(0).stdout.ends_with(&noted));
    let stacked = folder.keepstill(&["stack", "results", "--all"]).expect(0).stderr;
    assert!(stacked.contains(told), "{stacked}");
    assert!(folder.read("results/stack/quality.html").contains("Repetition times go from 0.6 to 3 s"));
    let name = "after_s-4+shortest_stretch_s-10+fd_span_s-3";
    let report = folder.read(&format!("results/tries/{name}/sub-01/func/sub-01_report.json"));
    let settings: Value = serde_json::from_str::<Value>(&report).unwrap()["settings"].clone();
    assert_eq!((&settings["censor"]["after_s"], settings["censor"].get("after")), (&4.0.into(), None));
    assert_eq!((&settings["censor"]["before"], &settings["motion"]["fd_span_s"]), (&1.into(), &3.0.into()));
    folder.edit("study.toml", "[censor]", "[motion]\nfd_span_s = 3\n[censor]");
    assert!(!folder.keepstill(&["check", "study.toml"]).expect(0).stdout.contains("repetition times go"));
}

/// As a 32-bit float 0.8 is 0.800000012, by which frame 90 would start 0.000001 s late.
#[test]
fn a_log_that_ends_on_a_frames_edge_drops_no_frame_too_many() {
    let folder = Tiny { children: 1, frames: 120, ..Tiny::default() }.build();
    folder.patch("bold_01.nii", 92, &0.8_f32.to_le_bytes());
    folder.edit("runs.tsv", "csf\n", "csf\twatch_log\n");
    folder.edit("runs.tsv", "csf.nii\n", "csf.nii\tlog.tsv\n");
    folder.write("log.tsv", "onset\tduration\ttrial_type\n72\t8\tstirring\n88\t0\thumming\n");
    folder.run(&["-q"]).expect(0);
    let frames = cells(&folder.read("results/sub-01/func/sub-01_frames.tsv"));
    let logged = |row: &[String]| row.last().unwrap().split(';').any(|reason| reason == "logged");
    let logged: Vec<usize> = (0..120).filter(|&i| logged(&frames[i + 1])).collect();
    assert_eq!(logged, (90..100).chain([110]).collect::<Vec<_>>());
    assert_eq!(frames[101][1], "80", "frame 100 starts after exactly 80 s");
}
