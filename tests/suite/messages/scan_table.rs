//! The scan table, the participants table, and BIDS datasets.

use std::fs;

use super::{Case, check, hold};
use crate::builders::Folder;

/// A case after one replacement in the scan table.
fn table(name: &'static str, from: &'static str, to: &'static str) -> Case {
    check(name, move |folder| folder.edit("runs.tsv", from, to))
}

/// A case after one replacement in the participants table.
fn children(name: &'static str, from: &'static str, to: &'static str) -> Case {
    check(name, move |folder| {
        folder.edit("participants.tsv", from, to);
        folder.edit("study.toml", "[clean]", "[motion]\nsphere_radius = \"by-age\"\n\n[clean]");
    })
}

/// Adds a second row, the first with a replacement.
fn second_row(folder: &Folder, from: &str, to: &str) {
    let table = folder.read("runs.tsv");
    let row = table.lines().nth(1).unwrap().replacen(from, to, 1);
    folder.write("runs.tsv", &format!("{table}{row}\n"));
}

fn with_tr(folder: &Folder, tr: &str) {
    folder.edit("runs.tsv", "csf\n", "csf\ttr_s\n");
    folder.edit("runs.tsv", "csf.nii\n", &format!("csf.nii\t{tr}\n"));
}

#[test]
fn scan_table_messages() {
    let cases = [
        table("unknown column, with the nearest", "brain_mask", "brian_mask"),
        table("column that is needed", "\tbold", "\timage"),
        check("no such table", |folder| folder.remove("runs.tsv")),
        check("empty table", |folder| folder.write("runs.tsv", "\n")),
        check("no rows", |folder| {
            let header = folder.read("runs.tsv").lines().next().unwrap().to_owned();
            folder.write("runs.tsv", &header);
        }),
        check("separated by commas", |folder| {
            let commas = folder.read("runs.tsv").replace('\t', ",");
            folder.write("runs.tsv", &commas);
        }),
        table("column twice", "white_matter", "csf"),
        table("row of another length", "\tcsf.nii", ""),
        table("no child", "01\tn/a\tn/a", "n/a\tn/a\tn/a"),
        table("label with other characters", "01\tn/a\tn/a", "01\tbefore nap\tn/a"),
        check("row twice", |folder| second_row(folder, "", "")),
        check("two children with one image", |folder| second_row(folder, "01\tn/a", "02\tn/a")),
        check("a repetition time that is not a number", |folder| with_tr(folder, "two")),
        check("repetition time in ms", |folder| with_tr(folder, "2000")),
        table("image that is not there", "bold_01.nii", "bold_1.nii"),
        table("image not named", "bold_01.nii", "n/a"),
        table("image that is a folder", "bold_01.nii", "."),
        check("link that leads nowhere", |folder| {
            folder.remove("brain.nii");
            std::os::unix::fs::symlink("elsewhere/brain.nii", folder.join("brain.nii")).unwrap();
        }),
        table("no motion table", "motion_01.tsv", "n/a"),
        table("no brain mask", "brain.nii", "n/a"),
        table("no tissue mask", "white.nii", ""),
        check("every problem of a scan in one pass", |folder| {
            folder.edit("runs.tsv", "motion_01.tsv\tbrain.nii\twhite.nii", "n/a\tn/a\tgrey.nii");
            folder.patch("bold_01.nii", 70, &[32, 0]);
        }),
        check("no participants table", |folder| folder.remove("participants.tsv")),
        children("column of ages not there", "age_months", "age"),
        children("an age that is not a number", "sub-01\t6", "sub-01\tsix"),
        children("age out of range", "sub-01\t6", "sub-01\t1500"),
        children("age before birth", "sub-01\t6", "sub-01\t-2"),
        children("participants row of another length", "participant_id\t", "session_id\tparticipant_id\t"),
        children("child twice", "morning\n", "morning\n01\t6\tf\tnoon\n"),
    ];
    hold("scan_table.txt", 29, &cases);
}

/// Makes the study one of a BIDS dataset in `data`.
fn bids(folder: &Folder, patterns: &str) {
    for (from, to) in [("bold_01.nii", "sub-01_task-rest_bold.nii"), ("motion_01.tsv", "sub-01_headmotion.tsv")] {
        fs::create_dir_all(folder.join("data/sub-01/func")).unwrap();
        fs::rename(folder.join(from), folder.join("data/sub-01/func").join(to)).unwrap();
    }
    let masks = "brain_mask = \"brain.nii\"\nwhite_matter = \"white.nii\"\ncsf = \"csf.nii\"";
    folder.edit("study.toml", "table = \"runs.tsv\"", &format!("bids = \"data\"\n{masks}\n{patterns}"));
}

const MOTION: &str = "motion = \"data/sub-{participant}/func/sub-{participant}_headmotion.tsv\"";

#[test]
fn bids_messages() {
    let cases = [
        check("no dataset", |folder| folder.edit("study.toml", "table = \"runs.tsv\"", "bids = \"data\"")),
        check("dataset without runs", |folder| {
            bids(folder, MOTION);
            fs::remove_file(folder.join("data/sub-01/func/sub-01_task-rest_bold.nii")).unwrap();
        }),
        check("nothing matches", |folder| bids(folder, &format!("{MOTION}\nwhere = {{ task = \"film\" }}"))),
        check("pattern that finds nothing", |folder| bids(folder, "motion = \"data/{stem}_headmotion.tsv\"")),
        check("watch logs that are nowhere", |folder| bids(folder, &format!("{MOTION}\nwatch_log = \"{{stem}}.tsv\""))),
        check("no pattern for motion", |folder| bids(folder, "")),
        check("two files of one run", |folder| {
            bids(folder, MOTION);
            folder.write_run("data/sub-01/func/sub-01_task-rest_desc-raw_bold.nii", 40, 1);
        }),
        check("two tasks", |folder| {
            bids(folder, MOTION);
            folder.write_run("data/sub-01/func/sub-01_task-film_bold.nii", 40, 1);
        }),
        check("a sidecar that is not JSON", |folder| {
            bids(folder, MOTION);
            folder.write("data/sub-01/func/sub-01_task-rest_bold.json", "{\"RepetitionTime\": 2.0");
        }),
        check("sidecar with a wrong time", |folder| {
            bids(folder, MOTION);
            folder.write("data/task-rest_bold.json", "{\"RepetitionTime\": 2000}");
        }),
        check("file in another child's folder", |folder| {
            bids(folder, MOTION);
            fs::rename(folder.join("data/sub-01"), folder.join("data/sub-02")).unwrap();
        }),
        check("results among the scans", |folder| {
            bids(folder, MOTION);
            folder.edit("study.toml", "[study]\n", "[study]\nresults = \"data/sub-01/results\"\n");
        }),
    ];
    hold("bids.txt", 12, &cases);
}
