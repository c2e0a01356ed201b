//! `run --try`: other settings beside the main results, from the same digests.

use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};
use crate::resume::{finished, log};

fn tries_table(folder: &Folder) -> Vec<Vec<String>> {
    cells(&folder.read("results/tries.tsv"))
}

/// Mean absolute difference over upper triangles of all children's matrices in two results folders.
fn moved(folder: &Folder, name: &str) -> f64 {
    let (mut sum, mut n) = (0.0, 0);
    for child in ["01", "02", "03"] {
        let file = format!("sub-{child}/func/sub-{child}_atlas-tern5_desc-pearson_matrix.tsv");
        let main = cells(&folder.read(&format!("results/{file}")));
        let other = cells(&folder.read(&format!("results/tries/{name}/{file}")));
        for i in 1..main.len() {
            for j in i + 1..main.len() {
                if let (Ok(a), Ok(b)) = (main[i][j].parse::<f64>(), other[i][j].parse::<f64>()) {
                    sum += (a - b).abs();
                    n += 1;
                }
            }
        }
    }
    sum / f64::from(n)
}

#[test]
fn tries_stand_beside_the_main_results_and_open_no_image() {
    let folder = finished();
    let before = folder.read("results/cohort.tsv");
    folder
        .run(&[
            "--try",
            "censor.fd_mm=0.5",
            "global_signal=true",
            "--try",
            "displacement=rms",
            "--try",
            "fill=spectral",
        ])
        .expect(0);
    assert_eq!(folder.read("results/cohort.tsv"), before);
    let names = ["fd_mm-0.5+global_signal-true", "displacement-rms", "fill-spectral"];
    for name in names {
        let log = folder.read(&format!("results/tries/{name}/run-log.jsonl"));
        assert!(log.contains("scan_done") && !log.contains("image_opened"), "{log}");
    }
    let table = tries_table(&folder);
    assert_eq!(
        table[0],
        [
            "try",
            "settings",
            "children",
            "failed",
            "children_enough",
            "median_minutes_kept",
            "median_dof",
            "median_dof_white",
            "mean_absolute_difference_atlas-tern5_desc-pearson"
        ]
    );
    assert_eq!(table.iter().skip(1).map(|row| row[0].as_str()).collect::<Vec<_>>(), [&["main"], &names[..]].concat());
    assert_eq!(table[2][1], "censor.fd_mm=0.5 clean.global_signal=true");
    for (row, name) in table[2..].iter().zip(names) {
        let told: f64 = row[8].parse().unwrap();
        assert!((told - moved(&folder, name)).abs() < 1e-6, "{name}");
    }
    // The try is what the study file with these keys would give.
    let matrix = "sub-02/func/sub-02_atlas-tern5_desc-pearson_matrix.tsv";
    let tried = folder.read(&format!("results/tries/{}/{matrix}", names[0]));
    folder.edit("study.toml", "[clean]", "[censor]\nfd_mm = 0.5\n\n[clean]\nglobal_signal = true");
    folder.run(&[]).expect(0);
    assert_eq!(folder.read(&format!("results/{matrix}")), tried);
    // Trying what is in force now moves nothing.
    folder.run(&["--try", "fd_mm=0.5"]).expect(0);
    assert_eq!(tries_table(&folder)[2][8], "0");
}

#[test]
fn the_same_try_again_does_nothing_and_json_tells_it() {
    let folder = finished();
    folder.run(&["--try", "minutes=0.1"]).expect(0);
    let ran = folder.run(&["--json", "--try", "minutes=0.1"]).expect(0);
    let told: Value = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!(told["tries"][1]["settings"], "enough.minutes=0.1");
    assert_eq!(told["tries"].as_array().unwrap().len(), 2);
    let events = folder.read("results/tries/minutes-0.1/run-log.jsonl");
    assert_eq!(events.matches("scan_done").count(), 3);
    assert_eq!(events.matches("scan_unchanged").count(), 3);
    assert_eq!(log(&folder).iter().filter(|event| event["event"] == "image_opened").count(), 3);
}

#[test]
fn wrong_tries_are_told_before_anything_is_done() {
    let folder = finished();
    let refused = |arguments: &[&str]| folder.run(arguments).expect(2).stderr;
    assert_eq!(
        refused(&["--try", "fd_mn=0.3"]),
        "keepstill: --try fd_mn: keys that can be tried are those of [motion], [censor], [clean] and [enough]; is \
        \"fd_mm\" meant?\n"
    );
    assert!(refused(&["--try", "fd_mm"]).contains("'fd_mm' for '--try <KEY=VALUE>...': expected KEY=VALUE, such as"));
    let study_last = folder.keepstill(&["run", "--try", "fd_mm=0.3", "study.toml"]).expect(2).stderr;
    assert!(study_last.contains("the study file is named before --try"), "{study_last}");
    assert_eq!(
        refused(&["--try", "fd_mm=0.3", "censor.fd_mm=0.4"]),
        "keepstill: --try censor.fd_mm: the key is given twice in one try; leave one out, or give each a --try of its \
        own\n"
    );
    assert!(
        refused(&["--try", "motion_terms=7"])
            .starts_with("keepstill: --try motion_terms=7: clean.motion_terms is 7; expected ")
    );
    assert!(refused(&["--try", "join=none"]).contains("keys that can be tried are those of"));
    assert_eq!(
        refused(&["--try", "fd_mm=0.3", "--try", "censor.fd_mm=0.3"]),
        "keepstill: --try fd_mm-0.3 is given twice; leave one out\n"
    );
}

#[test]
fn a_try_asks_for_the_files_that_its_settings_need() {
    let folder = Tiny::default().build();
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 6\ntissue_means = [\"white_matter\"]");
    // The second child has no mask of the fluid, and nobody has a confounds table.
    let table: Vec<String> = folder.read("runs.tsv").lines().map(str::to_owned).collect();
    folder.write("runs.tsv", &(table.join("\n").replacen(&table[2], &table[2].replace("csf.nii", "n/a"), 1) + "\n"));
    let both = "tissue_means=[\"white_matter\", \"csf\"]";
    let ran = folder.run(&["--try", both, "--try", "confound_columns=[\"pulse\"]"]).expect(3);
    assert!(ran.stderr.contains("sub-02: failed: no csf file, which clean.tissue_means asks for"), "{}", ran.stderr);
    let confounds = "failed: no confounds file, which clean.confound_columns asks for";
    assert_eq!(ran.stderr.matches(confounds).count(), 2, "the first, and then the rest: {}", ran.stderr);
    assert!(ran.stderr.contains("\n2 more scans (sub-0"), "{}", ran.stderr);
    assert!(ran.stdout.contains("3 scans: 3 done, 0 unchanged, 0 failed."), "{}", ran.stdout);
    assert!(ran.stdout.contains("4 failures in the tries alone"), "{}", ran.stdout);
    let table = tries_table(&folder);
    assert_eq!(table[2][0], "tissue_means-white_matter-csf");
    // Who failed has no minutes, rather than none kept.
    assert_eq!((&table[2][2], &table[2][5]), (&"3".to_owned(), &table[1][5]));
    assert_eq!((&table[3][5], &table[3][7]), (&"n/a".to_owned(), &"n/a".to_owned()));
    let counts: Vec<[&str; 3]> = table[1..].iter().map(|row| [&*row[2], &*row[3], &*row[4]]).collect();
    assert_eq!(counts, [["3", "0", "3"], ["3", "1", "2"], ["3", "3", "0"]], "children, failed, enough");
    assert!(ran.stdout.contains("tissue_means-white_matter-csf     2/2       1 "), "{}", ran.stdout);

    // A scan that fails in the main run fails in each try; it is said once.
    folder.cut("bold_03.nii", 5000);
    let ran = folder.run(&["--try", "fd_mm=0.3", "--try", "fd_mm=0.5"]).expect(3);
    assert_eq!(ran.stderr.matches("bold_03.nii: holds").count(), 1, "{}", ran.stderr);
    assert!(!ran.stdout.contains("in the tries alone"), "{}", ran.stdout);
}

#[test]
fn only_children_done_in_every_try_are_set_side_by_side() {
    let folder = finished();
    // An earlier try under other settings leaves matrices of all children behind.
    folder.run(&["--try", "fd_mm=0.5"]).expect(0);
    folder.edit("study.toml", "motion_terms = 6", "motion_terms = 12");
    folder.run(&[]).expect(0);
    folder.run(&["--only", "02", "--json", "--try", "fd_mm=0.5"]).expect(0);
    let told: Value = serde_json::from_str(&folder.read("results/tries.json")).unwrap();
    let tries = told["tries"].as_array().unwrap();
    assert_eq!(tries.iter().map(|row| row["children"].as_u64().unwrap()).collect::<Vec<_>>(), [1, 1]);
    assert_eq!(tries[1]["mean_absolute_difference"][0]["children"], 1);
}

#[test]
fn redo_reads_images_for_the_main_run_alone() {
    let folder = finished();
    folder.run(&["--try", "fd_mm=0.5"]).expect(0);
    folder.run(&["--redo", "--try", "fd_mm=0.5"]).expect(0);
    assert_eq!(log(&folder).iter().filter(|event| event["event"] == "image_opened").count(), 6);
    let events = folder.read("results/tries/fd_mm-0.5/run-log.jsonl");
    assert_eq!((events.matches("scan_done").count(), events.matches("image_opened").count()), (6, 0));
}
