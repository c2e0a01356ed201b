//! The commands beside `run`: `why`, machine-readable results, completions, help, exit codes, a closed pipe.

use std::process::Command;

use serde_json::Value;

use crate::builders::{Folder, Ran, Tiny, cells};

/// A study whose first child has frames dropped for every reason.
fn every_reason() -> Folder {
    let settings = "\n[censor]\nsettling = 2\ndvars_percent = 5\n".to_owned();
    let folder = Tiny { children: 2, settings, ..Tiny::default() }.build();
    folder.edit("runs.tsv", "csf\n", "csf\twatch_log\n");
    folder.edit("runs.tsv", "csf.nii\n02", "csf.nii\tlog.tsv\n02");
    folder.edit(
        "runs.tsv",
        "motion_02.tsv\tbrain.nii\twhite.nii\tcsf.nii",
        "motion_02.tsv\tbrain.nii\twhite.nii\tcsf.nii\tn/a",
    );
    // Frames 19 and 20 are logged; 16 to 18 are then a stretch of three between two gaps.
    folder.write("log.tsv", "onset\tduration\ttrial_type\n39\t2\tstirring\n");
    // One volume far brighter than its neighbours: a jump into it and out of it.
    let voxels = 6 * 5 * 4;
    let mut bytes = folder.bytes("bold_01.nii");
    for value in bytes[352 + 2 * voxels * 30..352 + 2 * voxels * 31].chunks_exact_mut(2) {
        let brighter = i16::from_le_bytes([value[0], value[1]]) + 400;
        value.copy_from_slice(&brighter.to_le_bytes());
    }
    folder.write_bytes("bold_01.nii", &bytes);
    folder.run(&[]).expect(0);
    folder
}

#[test]
fn why_explains_each_reason_in_words() {
    let folder = every_reason();
    let reasons: Vec<String> =
        cells(&folder.read("results/sub-01/func/sub-01_frames.tsv"))[1..].iter().map(|row| row[16].clone()).collect();
    let mut expected = vec!["n/a"; 40];
    expected[..2].fill("settling");
    expected[12..16].copy_from_slice(&["beside_motion", "moved", "beside_motion", "beside_motion"]);
    expected[16..19].fill("short_stretch");
    expected[19..21].fill("logged");
    expected[29..34].copy_from_slice(&[
        "beside_motion",
        "signal_jump",
        "signal_jump",
        "beside_motion",
        "beside_motion",
    ]);
    assert_eq!(reasons, expected);

    let why = |frame: &str| folder.keepstill(&["why", "results", "sub-01", frame]).expect(0).stdout;
    assert!(why("5").starts_with("Frame 5 of sub-01 (10 s) is kept: FD "), "{}", why("5"));
    for (frame, words) in [
        ("0", "settling: it is among the first 2 frames"),
        ("13", "mm (FD, sum form) since the frame before, above the limit of 0.2 mm"),
        ("14", "beside_motion: it lies within 1 frame before or 2 after frame 13 (moved, FD 0."),
        ("17", "short_stretch: the stretch of kept frames around it is shorter than 5 frames"),
        ("20", "logged: its acquisition overlaps an interval of the watch log"),
        ("31", "% (DVARS) since the frame before, above the limit of 5 %"),
    ] {
        let text = why(frame);
        assert!(text.starts_with(&format!("Frame {frame} of sub-01 (")) && text.contains(words), "{text}");
    }
    let child = folder.keepstill(&["why", "results", "sub-01"]).expect(0).stdout;
    assert!(
        child.starts_with("sub-01 has enough data: 0.8 minutes are kept, and at least 0.5 are asked for."),
        "{child}"
    );
    for reason in ["2 settling", "1 moved", "2 signal_jump", "2 logged", "6 beside_motion", "3 short_stretch"] {
        assert!(child.contains(&format!("\n  {reason}: ")), "{reason} is not in {child}");
    }
}

#[test]
fn why_explains_runs_and_verdicts() {
    let folder = Tiny { children: 1, runs: 2, ..Tiny::default() }.build();
    folder.edit("study.toml", "minutes = 0.5", "minutes = 60");
    folder.run(&[]).expect(0);
    let run = folder.keepstill(&["why", "results", "sub-01_run-2"]).expect(0).stdout;
    assert!(run.starts_with("sub-01_run-2: 4 of 40 frames are dropped.\n  1 moved: "), "{run}");
    let child = folder.keepstill(&["why", "results", "sub-01"]).expect(0).stdout;
    assert!(
        child.starts_with("sub-01 is set aside as too_short: 2.4 minutes are kept, but 60.0 are asked for."),
        "{child}"
    );
    assert!(child.contains("\nrun-1: 1.2 of 1.3 minutes are kept;") && child.contains("\nrun-2: "), "{child}");
    folder.edit("study.toml", "[clean]", "[censor]\nsettling = 33\n\n[clean]");
    folder.run(&[]).expect(0);
    let child = folder.keepstill(&["why", "results", "sub-01"]).expect(0).stdout;
    assert!(child.starts_with("sub-01 is set aside as too_few_dof: no run leaves more than the 2 degrees"), "{child}");
    assert!(child.contains("\nProblem: sub-01_run-1: no series: 7 frames are kept"), "{child}");
    folder.cut("bold_01_1.nii", 3000);
    folder.cut("bold_01_2.nii", 3000);
    folder.run(&[]).expect(3);
    let child = folder.keepstill(&["why", "results", "sub-01"]).expect(0).stdout;
    assert!(
        child.starts_with("sub-01 failed: no run could be done.\nProblem: sub-01_run-1: bold_01_1.nii: holds"),
        "{child}"
    );
}

#[test]
fn check_forecasts_what_the_run_then_says() {
    let folder = Tiny::default().build();
    folder.edit("study.toml", "minutes = 0.5", "minutes = 0.5\ndof = 500");
    let parse = |text: &str| -> Value { serde_json::from_str(text).unwrap() };
    let check = parse(&folder.keepstill(&["check", "study.toml", "--json"]).expect(0).stdout);
    folder.run(&["-q"]).expect(0);
    for (child, scan) in check["scans"].as_array().unwrap().iter().enumerate() {
        let report = parse(&folder.read(&format!("results/sub-0{0}/func/sub-0{0}_report.json", child + 1)));
        assert_eq!(scan["frames_kept"], report["joined"]["frames_kept"]);
        // Noise stands in for the means of two tissues.
        let [forecast, found] = [&scan["dof_white"], &report["joined"]["dof_white"]].map(|dof| dof.as_f64().unwrap());
        assert!((forecast / found - 1.0).abs() < 0.1, "{forecast} {found}");
    }
    let table = cells(&folder.read("results/cohort.tsv"));
    let of = |verdict: &str| table[1..].iter().filter(|row| row[3] == verdict).count();
    let forecast = |verdict: &str| check["forecast"][verdict].as_u64().unwrap() as usize;
    assert_eq!((forecast("children"), forecast("too_few_dof"), forecast("too_short")), (3, 3, 0));
    assert_eq!((of("too_few_dof"), of("too_short")), (3, 0));
    let said = folder.keepstill(&["check", "-q", "study.toml"]).expect(0).stdout;
    assert!(said.contains("Forecast from the motion tables: of 3 children, "), "{said}");
    // What is not known from tables is not forecast.
    folder.edit("study.toml", "[clean]", "[censor]\nsettling = \"auto\"\n\n[clean]");
    assert!(!folder.keepstill(&["check", "-q", "study.toml"]).expect(0).stdout.contains("Forecast"));
}

#[test]
fn json_results_are_json_and_nothing_else() {
    let folder = Tiny::default().build();
    folder.cut("bold_03.nii", 3000);
    let parse =
        |ran: Ran| -> Value { serde_json::from_str(&ran.stdout).unwrap_or_else(|e| panic!("{e}: {}", ran.stdout)) };
    let check = parse(folder.keepstill(&["check", "study.toml", "--json"]).expect(3));
    assert_eq!(check["scans"].as_array().unwrap().len(), 3);
    assert_eq!(check["scans"][0]["frames"], 40);
    assert!(check["scans"][2]["problems"][0].as_str().unwrap().contains("cut short"));
    let run = parse(folder.run(&["--json"]).expect(3));
    assert_eq!(
        (&run["done"], &run["failed"][0]["scan"], &run["children"]["enough"]),
        (&2.into(), &"sub-03".into(), &2.into())
    );
    let why = parse(folder.keepstill(&["--json", "why", "results", "sub-01", "13"]).expect(0));
    assert_eq!((&why["scan"], &why["frame"]), (&"sub-01".into(), &13.into()));
    let init = parse(folder.keepstill(&["init", ".", "-o", "new/study.toml", "--json"]).expect(0));
    assert_eq!(init["study"], "new/study.toml");
    let synth = folder.keepstill(&["synth", "invented", "--children", "1", "--frames", "40", "--json"]).expect(0);
    assert_eq!(parse(synth)["children"], 1);
}

#[test]
fn a_study_that_init_writes_can_be_checked_and_run() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.keepstill(&["synth", "bids", "--children", "2", "--frames", "60"]).expect(0);
    folder.keepstill(&["init", "bids", "-o", "guessed/study.toml"]).expect(0);
    let said = folder.keepstill(&["check", "guessed/study.toml"]);
    // What only a person can choose is asked for, and nothing else is wrong with the file.
    assert!([Some(0), Some(1)].contains(&said.code), "{said:?}");
    assert!(!said.stderr.contains("unknown") && !said.stderr.contains("not valid"), "{}", said.stderr);
}

#[test]
fn the_defaults_are_a_study_file() {
    let folder = Tiny::default().build();
    let defaults = folder.keepstill(&["init", "--defaults"]).expect(0).stdout;
    assert_eq!(defaults, keepstill::study::DEFAULTS);
    let text = defaults.replace("[study]", "[scans]\ntable = \"runs.tsv\"\n\n[study]");
    let text = text.replace("[[parcels]]", "[[parcels]]\nname = \"tern5\"\nimage = \"atlas.nii\"");
    folder.write("study.toml", &text);
    folder.keepstill(&["check", "study.toml"]).expect(0);
}

#[test]
fn completions_name_the_commands() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    for shell in ["bash", "zsh", "fish"] {
        let script = folder.keepstill(&["completions", shell]).expect(0).stdout;
        for word in ["init", "check", "run", "thresholds", "why", "stack", "synth", "redo", "jobs"] {
            assert!(script.contains(word), "{shell}: {word}");
        }
        // Values of options with few of them, and the keys of a try.
        for word in ["parquet", "drop-parcel", "motion-pairs", "networks", "censor.fd_mm=", "clean.global_signal="] {
            assert!(script.contains(word), "{shell}: {word}");
        }
    }
}

#[test]
fn help_has_examples_and_version_is_the_packages() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    for command in
        [&[][..], &["init"], &["check"], &["run"], &["thresholds"], &["why"], &["stack"], &["synth"], &["completions"]]
    {
        let help = folder.keepstill(&[command, &["--help"]].concat()).expect(0).stdout;
        assert!(help.contains("Example") && help.contains("keepstill "), "{command:?}: {help}");
    }
    let version = folder.keepstill(&["--version"]).expect(0).stdout;
    assert_eq!(version, format!("keepstill {}\n", env!("CARGO_PKG_VERSION")));
}

#[test]
fn a_closed_pipe_is_no_fault() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    let program = env!("CARGO_BIN_EXE_keepstill");
    for command in ["completions bash", "init --defaults", "--help", "check study.toml --json", "run study.toml --json"]
    {
        let script = format!("set -o pipefail; '{program}' {command} 2>said | head -c 1 >start");
        let status = Command::new("bash").args(["-c", &script]).current_dir(folder.path()).status().unwrap();
        assert!(status.success(), "{command}: {status}");
        let said = folder.read("said");
        assert!(!said.contains("panicked") && !said.contains("pipe"), "{command}: {said}");
        assert_eq!(folder.bytes("start").len(), 1, "{command}");
    }
}

#[test]
fn quiet_and_verbose_change_what_is_said_and_not_what_is_found() {
    let (quiet, verbose) = (Tiny::default().build(), Tiny::default().build());
    let silent = quiet.run(&["-q"]).expect(0);
    assert_eq!(silent.stderr, "");
    let told = verbose.run(&["-v"]).expect(0).stderr;
    for line in
        ["Tern Bay naps: 3 scans, 3 to do, 0 unchanged", "sub-02: reading 40 frames", "sub-02: 1.2 of 1.3 min kept"]
    {
        assert!(told.contains(line), "{line} is not in {told}");
    }
    // No terminal: plain lines, no control characters.
    assert!(!told.contains('\u{1b}') && !told.contains('\r'), "{told}");
    assert!(quiet.results() == verbose.results());
}

#[test]
fn why_tells_of_failed_scans_and_of_all_sessions() {
    let folder = Tiny { children: 1, sessions: 2, runs: 2, ..Tiny::default() }.build();
    folder.write("motion_01_2_1.tsv", "translation_x_mm\n1\n");
    folder.run(&[]).expect(3);
    let why = |scan: &str| folder.keepstill(&["why", "results", scan]).expect(0).stdout;
    let failed = why("sub-01_ses-2_run-1");
    assert!(
        failed.starts_with("sub-01_ses-2_run-1 failed, so none of its frames were judged: motion_01_2_1.tsv"),
        "{failed}"
    );
    let both = why("sub-01");
    assert!(both.contains("sub-01_ses-1 ") && both.contains("sub-01_ses-2 "), "{both}");
}
