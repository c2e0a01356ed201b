//! Units, watch logs, confounds, several sources of motion, datasets one folder down, and tables of datasets.

use super::super::files::{self, Kind};
use super::{Fixture, RUN, VOLUME, ids, no_problems};
use crate::discover::Scan;

fn motion_of(f: &Fixture, header: &str, row: &str) -> String {
    f.image("data/anna/rest.nii", &RUN);
    f.numbers("data/anna/rest_motion.tsv", &format!("{}\n", header.replace(' ', "\t")), 30, &row.replace(' ', "\t"));
    f.guess("data").study_toml
}

#[test]
fn units_are_told_by_names_and_sizes() {
    let small = "0.0004 0.0003 0.001 0.01 0.02 0.01";
    for (header, row, expected, not) in [
        (
            "x_mm y_mm z_mm pitch_deg roll_deg yaw_deg",
            "1 2 1 0.1 0.1 0.2",
            "rotation_unit = \"deg\"",
            "translation_unit",
        ),
        ("x_mm y_mm z_mm rot_x rot_y rot_z", small, "[\"x_mm\", \"y_mm\", \"z_mm\", \"rot_x\"", "translation_unit"),
        (
            "tx ty tz rx ry rz",
            small,
            "translation_unit = \"m\"             # CHECK: values are too small",
            "rotation_unit",
        ),
        (
            "trans_x_m trans_y_m trans_z_m rot_x_rad rot_y_rad rot_z_rad",
            "0.1 0.1 0 1 1 1",
            "translation_unit = \"m\"             # by the columns' names",
            "rotation_unit",
        ),
        ("yaw pitch roll z x y", "0 0 0 1 2 1", "[\"x\", \"y\", \"z\", \"pitch\", \"roll\", \"yaw\"]", "_unit"),
    ] {
        let text = motion_of(&Fixture::new(), header, row);
        assert!(text.contains(expected) && !text.contains(not), "{header}: {text}");
    }
}

#[test]
fn masks_are_told_by_more_words() {
    let f = Fixture::new();
    let cases: [(&str, &[i16], Kind); 6] = [
        ("anna_brain.nii.gz", &VOLUME, Kind::BrainMask),
        ("anna_brain_rest.nii.gz", &RUN, Kind::Run(Some(30))),
        ("anna_T1_brain.nii.gz", &VOLUME, Kind::Other),
        ("anna_label-GM_mask.nii.gz", &VOLUME, Kind::Other),
        ("anna_wm.nii.gz", &VOLUME, Kind::WhiteMatter),
        ("anna_label-CSF_probseg.nii.gz", &VOLUME, Kind::Csf),
    ];
    for (name, axes, kind) in cases {
        f.image(name, axes);
        assert_eq!(files::images(&[f.path(name)])[0].kind, kind, "{name}");
    }
}

/// Three children in a dataset, with masks.
fn dataset(f: &Fixture, root: &str) {
    for child in ["a", "b", "c"] {
        let stem = format!("{root}/sub-{child}/func/sub-{child}_task-rest");
        f.image(&format!("{stem}_bold.nii.gz"), &RUN);
        f.image(&format!("{stem}_desc-brain_mask.nii.gz"), &VOLUME);
    }
    f.write(&format!("{root}/task-rest_bold.json"), b"{\"RepetitionTime\": 0.8}");
    f.write(&format!("{root}/participants.tsv"), b"participant_id\tage\na\t3\nb\t4\nc\tn/a\n");
}

fn events(f: &Fixture, child: &str, types: &[&str]) {
    let rows: String = types.iter().map(|word| format!("3\t2\t{word}\n")).collect();
    f.write(
        &format!("ds/sub-{child}/func/sub-{child}_task-rest_events.tsv"),
        format!("onset\tduration\ttrial_type\n{rows}").as_bytes(),
    );
}

#[test]
fn watch_logs_are_told_from_other_events() {
    let f = Fixture::new();
    dataset(&f, "ds");
    events(&f, "a", &["eyes_open", "crying"]);
    events(&f, "b", &["stirring"]);
    let guess = f.guess("ds");
    let line = "\nwatch_log = \"../ds/sub-{participant}/func/sub-{participant}_task-{task}_events.tsv\"   # CHECK: \
                2 of 3 runs; events are \"crying\", \"eyes_open\", \"stirring\"\n";
    assert!(guess.study_toml.contains(line), "{}", guess.study_toml);
    assert!(guess.study_toml.contains("age_column") && !guess.study_toml.contains("by-age"), "one has no age");
    assert_eq!(f.found(&guess).scans.iter().filter(|scan| scan.watch_log.is_some()).count(), 2);
    // Where other events are logged too, a person must choose.
    events(&f, "b", &["stirring", "tone"]);
    let text = f.guess("ds").study_toml;
    assert!(text.contains("\n# watch_log = ") && text.contains("set censor.watch_log_types = [\"crying\", "), "{text}");
    // Events without any such word are none.
    let f = Fixture::new();
    dataset(&f, "ds");
    events(&f, "a", &["tone", "picture"]);
    assert!(!f.guess("ds").study_toml.contains("watch_log"));
}

#[test]
fn several_motion_sources_and_confounds_are_listed() {
    let f = Fixture::new();
    dataset(&f, "ds");
    for child in ["a", "b"] {
        f.numbers(&format!("ds/sub-{child}/func/sub-{child}_task-rest_motion.txt"), "", 30, "0 0.1 0 0.1 0 0");
    }
    f.numbers("moved/nothing.txt", "", 3, "1");
    f.numbers("ds/extra/sub-c_task-rest_movement.txt", "", 30, "0 0.1 0 0.1 0 0");
    f.numbers("ds/sub-a/func/sub-a_task-rest_confounds.tsv", "pulse\tbelt\n", 30, "1\t2");
    let guess = f.guess("ds");
    for line in [
        "motion = \"../ds/sub-{participant}/func/sub-{participant}_task-{task}_motion.txt\"   \
         # CHECK: fits 2 of 3 runs\n",
        "# motion = \"../ds/extra/sub-{participant}_task-{task}_movement.txt\"   \
         # CHECK: also found, for 1 of 3 runs\n",
        "# confounds = \"../ds/sub-{participant}/func/sub-{participant}_task-{task}_confounds.tsv\"   \
         # CHECK: 1 of 3 runs; name columns in clean.confound_columns, of pulse, belt\n",
    ] {
        assert!(guess.study_toml.contains(line), "{line}\n{}", guess.study_toml);
    }
    f.found(&guess);
}

#[test]
fn a_dataset_one_folder_down_is_found_and_can_have_a_table() {
    let f = Fixture::new();
    dataset(&f, "data/raw");
    f.image("data/other/sub-x/func/sub-x_task-rest_bold.nii", &RUN);
    f.image("data/weights_atlas.nii.gz", &[4, 4, 4, 9]);
    let guess = f.guess("data");
    assert!(guess.study_toml.contains("bids = \"../data/raw\"\n"), "{}", guess.study_toml);
    assert!(guess.notes.iter().any(|note| note == "there are other datasets, which are left out: ../data/other"));
    assert!(guess.study_toml.contains("# CHECK: 4-D, so each volume is taken for one parcel's weights"));
    let as_dataset = f.found(&guess);

    let guess = f.wish("data", true);
    let table = guess.scan_table.clone().unwrap();
    assert_eq!(
        table.lines().take(2).collect::<Vec<_>>(),
        [
            "participant_id\tsession_id\trun_id\tbold\ttr_s\tbrain_mask",
            "sub-a\tn/a\tn/a\t../data/raw/sub-a/func/sub-a_task-rest_bold.nii.gz\t0.8\t\
             ../data/raw/sub-a/func/sub-a_task-rest_desc-brain_mask.nii.gz",
        ]
    );
    assert!(guess.study_toml.contains("table = \"runs.tsv\"") && !guess.study_toml.contains("bids ="));
    let as_table = f.found(&guess);
    no_problems(&as_table);
    assert_eq!(ids(&as_table), ids(&as_dataset));
    for (one, other) in as_dataset.scans.iter().zip(&as_table.scans) {
        let tr = |scan: &Scan| scan.tr.table_s.or(scan.tr.sidecar_s);
        assert_eq!((&one.bold, tr(one), &one.brain_mask), (&other.bold, tr(other), &other.brain_mask));
    }
}
