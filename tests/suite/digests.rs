//! A scan's image is read once: later decisions are made from its digest, and only what reaches the digest reads it
//! again.

use std::fs;

use crate::builders::{Folder, Tiny};
use crate::resume::{finished, log};

/// Scans whose images the latest run opened.
pub fn opened(folder: &Folder) -> usize {
    let log = log(folder);
    let start = log.iter().rposition(|event| event["event"] == "started").unwrap();
    log[start..].iter().filter(|event| event["event"] == "image_opened").count()
}

#[test]
fn an_idle_core_unpacks_ahead_and_a_busy_one_does_not() {
    let ahead = |folder: &Folder| -> Vec<bool> {
        let log = log(folder);
        let opened = log.iter().filter(|event| event["event"] == "image_opened");
        opened.map(|event| event["ahead"].as_bool().unwrap()).collect()
    };
    let results = |jobs: &str| {
        let folder = Tiny::default().build();
        folder.run(&["--jobs", jobs]).expect(0);
        (ahead(&folder), folder.results())
    };
    let (one_job, alone) = results("1");
    assert_eq!(one_job, [false; 3]);
    // The last of three scans has the second core for itself, unless both were still at work when it began.
    let (two_jobs, shared) = results("2");
    assert_eq!(two_jobs.len(), 3);
    assert!(!two_jobs[0] && !two_jobs[1], "{two_jobs:?}");
    assert_eq!(shared, alone);
    // A run of one scan always has idle cores.
    let folder = Tiny::default().build();
    folder.run(&["--jobs", "2", "--only", "sub-02"]).expect(0);
    assert!(ahead(&folder).contains(&true));
}

/// The same study done from nothing gives the same results.
#[track_caller]
fn assert_as_if_read_anew(folder: &Folder) {
    let from_digests = folder.results();
    fs::remove_dir_all(folder.join("results")).unwrap();
    folder.run(&[]).expect(0);
    assert_eq!(opened(folder), 3);
    assert_eq!(folder.results(), from_digests);
}

#[test]
fn decisions_open_no_image() {
    let folder = finished();
    assert_eq!(opened(&folder), 3);
    let clean = "motion_terms = 6";
    for (from, to) in [
        (clean, "motion_terms = 12"),
        ("motion_terms = 12", "motion_terms = 6\nglobal_signal = true"),
        (clean, "motion_terms = 6\ntissue_means = []"),
        ("tissue_means = []", "tissue_means = [\"csf\"]"),
        ("band_hz = [0.01, 0.2]", "band_hz = []"),
        ("band_hz = []", "band_hz = [0.02, 0.15]\nfill = \"spectral\""),
        (clean, "motion_terms = 6\ndetrend_degree = 2"),
        ("minutes = 0.5", "minutes = 0.6"),
        ("[clean]", "[censor]\nfd_mm = 0.4\ndvars_percent = 9\nsettling = 2\n\n[clean]"),
        ("[clean]", "[motion]\ndisplacement = \"rms\"\nsphere_radius = \"by-age\"\n\n[clean]"),
        ("[enough]", "[connectivity]\nmeasures = [\"spearman\", \"partial\"]\njoin = \"none\"\n\n[enough]"),
        ("labels = \"atlas.tsv\"", "labels = \"atlas.tsv\"\nleast_coverage = 0.9"),
    ] {
        folder.edit("study.toml", from, to);
        folder.run(&[]).expect(0);
        assert_eq!(opened(&folder), 0, "{to}");
    }
    assert_as_if_read_anew(&folder);
}

#[test]
fn what_reaches_the_digest_opens_the_image() {
    let folder = finished();
    // Tissue voxels are held only when components ask for them; then they serve for ever.
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 6\ntissue_components = 2");
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 3);
    folder.edit("study.toml", "tissue_components = 2", "tissue_components = 1");
    folder.run(&[]).expect(0);
    folder.edit("study.toml", "tissue_components = 1", "tissue_components = 0");
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 0);

    folder.write_volume("atlas.nii", |x, y, _| if y == 0 { 0 } else { x as u8 });
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 3);
    folder.write_volume("brain.nii", |x, y, _| u8::from(x < 5 && y < 4));
    folder.write_volume("csf.nii", |x, y, z| u8::from(x > 0 && y == 3 && z == 3));
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 3);
    folder.write_run("bold_02.nii", 40, 77);
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 1);
    assert_as_if_read_anew(&folder);
}

#[test]
fn an_image_under_another_time_is_hashed_and_not_read() {
    let folder = finished();
    folder.touch("bold_01.nii");
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 0);
    folder.edit("study.toml", "motion_terms = 12", "motion_terms = 24");
    folder.run(&["--verify"]).expect(0);
    assert_eq!(opened(&folder), 0);
    folder.run(&["--redo"]).expect(0);
    assert_eq!(opened(&folder), 3);
}

#[test]
fn another_file_of_the_same_size_and_time_is_another_file() {
    let folder = finished();
    let before = folder.results();
    // The masks of the two tissues change places: same sizes, same times, other names.
    let time = fs::metadata(folder.join("white.nii")).unwrap().modified().unwrap();
    fs::File::options().write(true).open(folder.join("csf.nii")).unwrap().set_modified(time).unwrap();
    folder.run(&[]).expect(0);
    let table = folder.read("runs.tsv").replace("white.nii\tcsf.nii", "csf.nii\twhite.nii");
    folder.write("runs.tsv", &table);
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 6\ntissue_means = [\"csf\"]");
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 3);
    assert_ne!(folder.results(), before);
    assert_as_if_read_anew(&folder);
}

#[test]
fn digests_of_scans_that_are_gone_go_too() {
    let folder = finished();
    fs::remove_file(folder.join("results/.keepstill/inputs/sub-03.json")).unwrap();
    folder.run(&["--only", "01"]).expect(0);
    assert_eq!(fs::read_dir(folder.join("results/.keepstill/digests")).unwrap().count(), 2);
}

#[test]
fn a_damaged_digest_is_noticed_and_made_again() {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    folder.run(&[]).expect(0);
    let digests = folder.join("results/.keepstill/digests");
    let path = fs::read_dir(&digests).unwrap().next().unwrap().unwrap().path();
    let sound = fs::read(&path).unwrap();
    let six = folder.results();
    folder.edit("study.toml", "motion_terms = 6\n", "motion_terms = 12\n");
    folder.run(&[]).expect(0);
    let twelve = folder.results();
    folder.edit("study.toml", "motion_terms = 12\n", "motion_terms = 6\n");
    folder.run(&[]).expect(0);
    let mut noticed = 0;
    // Every region of the file: a byte flipped here and there, and the file cut.
    let places = (0..sound.len()).step_by(sound.len() / 30);
    let damaged = places.map(|at| {
        let mut bytes = sound.clone();
        bytes[at] ^= 0x55;
        bytes
    });
    for (turn, bytes) in damaged.chain([sound[..sound.len() / 2].to_vec(), Vec::new()]).enumerate() {
        fs::write(&path, &bytes).unwrap();
        let (from, to) = if turn % 2 == 0 { ("6", "12") } else { ("12", "6") };
        folder.edit("study.toml", &format!("motion_terms = {from}\n"), &format!("motion_terms = {to}\n"));
        folder.run(&[]).expect(0);
        noticed += opened(&folder);
        let told = log(&folder).iter().filter(|event| event["about"] == "sub-01").count();
        assert_eq!(told, noticed, "a damage is told once");
        // What is not noticed can only be bytes that carry nothing, such as a time in the archive's directory.
        let digest = fs::read(&path).unwrap();
        assert!(digest == sound || opened(&folder) == 0);
        let expected = if turn % 2 == 0 { &twelve } else { &six };
        assert_eq!(&folder.results(), expected, "damage {turn} reached the results");
    }
    assert!(noticed > 20, "{noticed}");
}

#[test]
fn one_digest_a_scan_is_kept() {
    let folder = finished();
    let count = || fs::read_dir(folder.join("results/.keepstill/digests")).unwrap().count();
    assert_eq!(count(), 3);
    folder.write_volume("atlas.nii", |x, y, _| if y == 0 { 0 } else { x as u8 });
    folder.run(&[]).expect(0);
    assert_eq!(count(), 3);
}

#[test]
fn scans_with_the_same_image_share_a_digest() {
    let folder = Tiny { children: 12, ..Tiny::default() }.build();
    for child in 2..=12 {
        folder.write_bytes(&format!("bold_{child:02}.nii"), &folder.bytes("bold_01.nii"));
    }
    folder.run(&["--jobs", "8"]).expect(0);
    assert_eq!(fs::read_dir(folder.join("results/.keepstill/digests")).unwrap().count(), 1);
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    folder.run(&["--jobs", "8"]).expect(0);
    assert_eq!(opened(&folder), 0);
}
