//! `check` finds what is cheaply known, and says once what many scans share; `run` does too.

use std::fs;

use serde_json::Value;

use crate::builders::{Folder, Tiny};

fn check(folder: &Folder, code: i32) -> String {
    folder.keepstill(&["check", "study.toml"]).expect(code).stdout
}

#[test]
fn what_many_scans_share_is_said_once() {
    let folder = Tiny { children: 5, ..Tiny::default() }.build();
    folder.remove("white.nii");
    folder.cut("bold_02.nii", 3000);
    let said = check(&folder, 3);
    let shared = "5 runs (sub-01, sub-02, sub-03 and 2 more): white_matter: ";
    assert_eq!(said.matches(shared).count(), 1, "{said}");
    assert_eq!(said.matches("white_matter").count(), 1, "{said}");
    assert!(said.contains("\nsub-02: 2 problems\n  bold_02.nii: holds"), "what is its own stays with a scan: {said}");
    let json = folder.keepstill(&["check", "--json", "study.toml"]).expect(3).stdout;
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["shared"][0]["scans"].as_array().unwrap().len(), 5);
    assert_eq!(json["scans"][4]["problems"].as_array().unwrap().len(), 1, "each scan has its own list");

    let ran = folder.run(&[]).expect(3);
    // sub-02 fails in a way of its own.
    assert_eq!(ran.stderr.matches("failed: white_matter: ").count(), 3, "{}", ran.stderr);
    assert!(ran.stderr.contains("\n3 more scans (sub-0"), "{}", ran.stderr);
    let ran = folder.run(&["-v"]).expect(3);
    assert_eq!(ran.stderr.matches("failed: white_matter: ").count(), 5, "all of them with -v: {}", ran.stderr);
}

#[test]
fn a_compressed_image_of_another_size_is_a_problem() {
    let folder = Tiny { children: 4, ..Tiny::default() }.build();
    for child in 1..=4 {
        folder.gzip(&format!("bold_0{child}.nii"));
    }
    folder.write("runs.tsv", &folder.read("runs.tsv").replace(".nii\tmotion", ".nii.gz\tmotion"));
    check(&folder, 0);
    let whole = folder.bytes("bold_01.nii.gz");
    folder.cut("bold_02.nii.gz", whole.len() / 2);
    // A copy that was appended to itself ends with the right size; only reading it tells.
    folder.write_bytes("bold_03.nii.gz", &folder.bytes("bold_03.nii.gz").repeat(2));
    let said = check(&folder, 3);
    assert!(said.contains("sub-02: 1 problem\n  bold_02.nii.gz: says at its end that it holds "), "{said}");
    for sound in ["sub-01: ok", "sub-03: ok", "sub-04: ok"] {
        assert!(said.contains(sound), "{said}");
    }
}

#[test]
fn children_without_scans_and_scans_without_children_are_counted() {
    let folder = Tiny::default().build();
    folder.write("participants.tsv", &folder.read("participants.tsv").replace("sub-02", "sub-07"));
    folder.write("participants.tsv", &(folder.read("participants.tsv") + "sub-08\t9\tf\tmorning\n"));
    let said = check(&folder, 0);
    assert!(said.contains("note: 2 children of the participants table have no scan: sub-07, sub-08\n"), "{said}");
    assert!(said.contains("note: 1 child with a scan has no row in the participants table: sub-02\n"), "{said}");
}

#[test]
fn a_pattern_that_fits_some_runs_is_told() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.keepstill(&["synth", "invented", "--children", "3", "--frames", "60"]).expect(0);
    let patterns = "bids = \".\"\n\
        motion = \"sub-{participant}/func/{stem}_headmotion.tsv\"\n\
        brain_mask = \"sub-{participant}/func/sub-{participant}_desc-brain_mask.nii.gz\"\n\
        white_matter = \"sub-{participant}/func/sub-{participant}_label-WM_mask.nii.gz\"\n\
        csf = \"sub-{participant}/func/sub-{participant}_label-CSF_mask.nii.gz\"\n\
        watch_log = \"sub-{participant}/func/{stem}_watch.tsv\"\n#";
    folder.edit("invented/study.toml", "table = \"runs.tsv\"", patterns);
    let said = folder.keepstill(&["check", "invented/study.toml"]).expect(0).stdout;
    assert!(!said.contains("scans.motion"), "{said}");
    folder.remove("invented/sub-02/func/sub-02_task-rest_run-1_headmotion.tsv");
    let said = folder.keepstill(&["check", "invented/study.toml"]).expect(3).stdout;
    assert!(
        said.contains("note: scans.motion finds a file for 2 of 3 runs; not for sub-02_task-rest_run-1\n"),
        "{said}"
    );
}

#[test]
fn who_cannot_have_enough_is_told_wherever_motion_comes_from() {
    let folder = Tiny { children: 4, ..Tiny::default() }.build();
    assert!(!check(&folder, 0).contains("cannot have enough"));
    folder.edit("study.toml", "minutes = 0.5", "minutes = 2");
    folder.edit("study.toml", "[clean]", "[motion]\nfrom = \"images\"\n\n[clean]");
    let said = check(&folder, 0);
    let expected = "4 children cannot have enough, even if no frame is dropped: sub-01 (1.3 min, ";
    assert!(said.contains(expected) && said.contains(" and 1 more; 2.0 min and more than 2 degrees"), "{said}");
    assert!(!said.contains("Forecast from the motion tables"), "{said}");
}

#[test]
fn a_results_folder_remembers_its_study() {
    let folder = Tiny::default().build();
    folder.run(&[]).expect(0);
    let memory = folder.read("results/.keepstill/study.json");
    assert!(memory.contains("sub-01") && !memory.contains(&*folder.path().to_string_lossy()), "{memory}");
    // Renamed with all its scans: it goes on, and says whose the results were.
    folder.edit("study.toml", "Tern Bay naps", "Gull Point naps");
    let ran = folder.run(&[]).expect(0);
    let told = "results folder: note: these were the results of the study \"Tern Bay naps\" until now";
    assert!(ran.stderr.contains(told), "{}", ran.stderr);
    assert!(!folder.run(&[]).expect(0).stderr.contains("until now"));
    // Another study: nothing is touched, and check says it too.
    folder.edit("study.toml", "Gull Point naps", "Seal Cove naps");
    folder.write("runs.tsv", &folder.read("runs.tsv").replace("02\tn/a", "07\tn/a"));
    let before = folder.files("results");
    let told = "the results folder is of the study \"Gull Point naps\" (3 scans), and the study \"Seal Cove naps\" \
                has 2 of these; give another `results`";
    let ran = folder.run(&[]).expect(1);
    assert!(ran.stderr.contains(told), "{}", ran.stderr);
    let said = check(&folder, 1);
    assert!(said.contains(told), "{said}");
    assert_eq!(folder.files("results"), before);
    fs::remove_dir_all(folder.join("results")).unwrap();
    folder.run(&[]).expect(0);
}
