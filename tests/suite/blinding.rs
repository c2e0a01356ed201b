//! What a blinded reviewer does not see: messages are marked where they are made, and the mark goes through records,
//! receipts and pages; tables and reports hold the same plain words as ever.

use std::path::Path;

use keepstill::discover::discover;
use keepstill::pages::{self, ChildData, CohortData};
use keepstill::pipeline::prepare;
use keepstill::record;
use keepstill::remark::{Noticed, Remark};
use keepstill::study::Study;
use serde_json::{Value, json};

use crate::builders::{Folder, Tiny, cells};

const NOTCH: &str = "[motion]\nrespiration = \"notch\"\n";
const BY_AGE: &str = "[motion]\nsphere_radius = \"by-age\"\n";

fn tiny(settings: &str) -> Folder {
    Tiny { children: 2, settings: settings.to_owned(), ..Tiny::default() }.build()
}

fn cohort_of(folder: &Folder) -> CohortData {
    pages::cohort_data(&folder.read("results/cohort.html")).unwrap()
}

fn child_of(folder: &Folder, stem: &str) -> ChildData {
    pages::child_data(&folder.read(&format!("results/{stem}/func/{stem}_report.html"))).unwrap()
}

fn report_of(folder: &Folder, stem: &str) -> Value {
    serde_json::from_str(&folder.read(&format!("results/{stem}/func/{stem}_report.json"))).unwrap()
}

fn cohort_cell(folder: &Folder, row: usize, column: &str) -> String {
    let table = cells(&folder.read("results/cohort.tsv"));
    table[row + 1][table[0].iter().position(|name| name == column).unwrap()].clone()
}

/// Runs a study in which `words` stand in the problem of its first child, and says whether a blinded reviewer sees
/// them.
#[track_caller]
fn is_shown(folder: &Folder, words: &str) -> bool {
    folder.run(&[]);
    let (cohort, child) = (cohort_of(folder), child_of(folder, "sub-01"));
    let texts = [
        cohort_cell(folder, 0, "problem"),
        report_of(folder, "sub-01")["joined"]["problem"].as_str().unwrap().to_owned(),
        cohort.rows[0].problem.clone().unwrap().text,
        child.joined.problem.clone().unwrap().text,
    ];
    assert!(texts.iter().all(|text| text.contains(words) && *text == texts[0]), "{texts:?}");
    let blinded = [json!(cohort.blinded()).to_string(), json!(child.blinded()).to_string()];
    let shown = blinded.each_ref().map(|text| text.contains(words));
    let hidden = blinded.each_ref().map(|text| text.contains("a message here that is hidden"));
    assert!(shown[0] == shown[1] && hidden[0] == hidden[1] && shown[0] != hidden[0], "{blinded:?}");
    shown[0]
}

#[test]
fn every_failure_that_tells_a_childs_age_is_hidden() {
    let folder = tiny("");
    folder.edit("participants.tsv", "sub-01\t6\t", "sub-01\t23.3y\t");
    assert!(!is_shown(&folder, "'23.3y'"));

    let folder = tiny(NOTCH);
    folder.edit("participants.tsv", "sub-01\t6\t", "sub-01\tn/a\t");
    assert!(!is_shown(&folder, "gives no age for this child"));

    // The rates of an infant of six months fold nearly onto 0 in frames 2 s apart.
    assert!(!is_shown(&tiny(NOTCH), "31 to 52 breaths a minute"));
}

/// The usual radius stands in, with a remark that a blinded reviewer does not see.
#[test]
fn an_age_that_is_not_known_is_a_marked_remark() {
    let folder = tiny(BY_AGE);
    let study = Study::read(&folder.join("study.toml")).unwrap();
    let cohort = discover(&study).unwrap();
    let prepared = prepare::examine(&cohort.scans[0], None, &study).unwrap();
    let remark = prepared.warnings.iter().find(|remark| remark.noticed == Some(Noticed::NoAge)).unwrap();
    assert!(remark.tells_child && remark.text.contains("no age of sub-01 is known"), "{remark}");
    assert_eq!(prepared.radius.unwrap().radius.0, 50.0);
}

#[test]
fn a_failure_that_tells_no_age_is_shown_though_it_holds_such_words() {
    let folder = tiny("");
    std::fs::create_dir(folder.join("group")).unwrap();
    folder.write_run("group/male_age_4_months.nii", 40, 1);
    folder.cut("group/male_age_4_months.nii", 2000);
    folder.edit("runs.tsv", "bold_01.nii", "group/male_age_4_months.nii");
    assert!(is_shown(&folder, "group/male_age_4_months.nii"));

    // Rates that the study gives are everybody's.
    let folder = tiny(&format!("{NOTCH}breaths_per_min = [31, 52]\n"));
    assert!(is_shown(&folder, "31 to 52 breaths a minute"));
}

/// A row of the participants table that is missing is noticed, and nothing stops.
#[test]
fn the_mark_of_a_warning_goes_through_record_receipt_and_page() {
    let folder = tiny("");
    folder.edit("participants.tsv", "sub-01\t", "sub-09\t");
    let words = "the participants table has no row for sub-01, so the child has no age, sex or group";
    let marked = Remark::about_child(words);
    let of_child = |all: &[Remark]| all.iter().filter(|remark| remark.tells_child).cloned().collect::<Vec<_>>();
    // A second run reads record and receipt back.
    for _ in 0..2 {
        folder.run(&[]).expect(0);
        let record = folder.join("results/.keepstill/scans/sub-01.npz");
        // Another remark, on parcels, tells nothing of the child.
        assert!(record::read(Path::new(&record)).unwrap().0.row.warnings.contains(&marked));
        let receipt: Value = serde_json::from_str(&folder.read("results/.keepstill/children/sub-01.json")).unwrap();
        assert_eq!(receipt["row"]["row"]["warnings"][0], json!({ "text": words, "tells_child": true }));
        let child = child_of(&folder, "sub-01");
        assert_eq!(
            (of_child(&child.joined.warnings), of_child(&child.runs[0].row.warnings)),
            (vec![marked.clone()], vec![marked.clone()])
        );
        assert!(!json!(child.blinded()).to_string().contains("no row for"));
        // The words alone.
        let report = report_of(&folder, "sub-01");
        assert_eq!(
            (&report["joined"]["warnings"][0], &report["runs"][0]["warnings"][0]),
            (&json!(words), &json!(words))
        );
        assert!(cohort_cell(&folder, 0, "warnings").starts_with(words));
    }
}

/// A scan that failed has no record: its child's receipt keeps the problem.
#[test]
fn the_mark_of_a_failure_is_in_the_receipt() {
    let folder = tiny("");
    folder.edit("participants.tsv", "sub-01\t6\t", "sub-01\t-1\t");
    folder.cut("bold_02.nii", 2000);
    folder.run(&[]).expect(3);
    for (stem, tells) in [("sub-01", true), ("sub-02", false)] {
        let receipt: Value =
            serde_json::from_str(&folder.read(&format!("results/.keepstill/children/{stem}.json"))).unwrap();
        assert_eq!(receipt["row"]["row"]["problem"]["tells_child"], json!(tells), "{receipt}");
    }
    // The cohort's page is made from the receipts.
    let marks = cohort_of(&folder).rows.into_iter().map(|row| row.problem.unwrap().tells_child).collect::<Vec<_>>();
    assert_eq!(marks, [true, false]);
}
