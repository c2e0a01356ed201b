//! Scans and children of a BIDS dataset.

use super::*;

#[test]
fn datasets_give_runs_and_inherited_times() {
    let f = dataset();
    let cohort = f.found(BIDS, "");
    assert_eq!(
        ids(&cohort),
        ["sub-a_ses-1_task-rest", "sub-a_ses-2_task-rest", "sub-b_task-rest_run-01", "sub-b_task-rest_run-02"]
    );
    let times: Vec<Option<f64>> = cohort.scans.iter().map(|scan| scan.tr.sidecar_s).collect();
    assert_eq!(times, [Some(2.5), Some(1.5), Some(2.5), Some(0.8)]);
    assert_eq!(
        f.problems(BIDS, PLAIN)[0].1,
        ["no motion file, which motion.from = \"table\" asks for; set the pattern scans.motion, or measure motion \
             from the images with motion.from = \"images\""]
    );
}

#[test]
fn patterns_lose_what_a_scan_lacks() {
    let f = dataset();
    f.touch(&[
        "m/sub-a/ses-1/sub-a_ses-1_task-rest.txt",
        "m/sub-a/ses-2/sub-a_ses-2_task-rest.txt",
        "m/sub-b/sub-b_task-rest_run-01.txt",
        "k/a.nii",
        "k/b.nii",
        "l/sub-b_task-rest_run-02.tsv",
    ]);
    let scans = "bids = \"ds\"\nbrain_mask = \"k/{participant}.nii\"\nwatch_log = \"l/{stem}.tsv\"\n\
                 motion = \"m/sub-{participant}/ses-{session}/\
                 sub-{participant}_ses-{session}_task-{task}_run-{run}.txt\"";
    let found = f.problems(scans, PLAIN);
    let problems: Vec<&[String]> = found.iter().map(|(_, problems)| problems.as_slice()).collect();
    assert_eq!(problems[..3], [&[] as &[String], &[], &[]]);
    assert_eq!(
        problems[3],
        ["motion: DIR/m/sub-b/sub-b_task-rest_run-02.txt does not exist; check the name in the pattern scans.motion"]
    );
    let logs: Vec<bool> = f.found(scans, PLAIN).scans.iter().map(|scan| scan.watch_log.is_some()).collect();
    assert_eq!(logs, [false, false, false, true]);
    assert_eq!(
        f.refused("bids = \"ds\"\nwatch_log = \"logs/{stem}.tsv\"", ""),
        "scans.watch_log finds no file for any scan (the first one looked for was \
         DIR/logs/sub-a_ses-1_task-rest.tsv); correct the pattern or leave it out"
    );
    // A pattern without {run} gives two runs the same table.
    f.touch(&["n/a1.txt", "n/a2.txt", "n/b.txt"]);
    let scans = "bids = \"ds\"\nbrain_mask = \"k/{participant}.nii\"\nmotion = \"n/{participant}{session}.txt\"";
    assert_eq!(
        f.problems(scans, PLAIN)[2].1,
        ["motion DIR/n/b.txt is also used by sub-b_task-rest_run-02; each run needs its own"]
    );
}

#[test]
fn filling_patterns() {
    let id = |session: Option<&str>, run: Option<&str>| ScanId {
        participant: "a".into(),
        session: session.map(Into::into),
        task: Some("rest".into()),
        run: run.map(Into::into),
    };
    let cases = [
        ("/x/sub-{participant}/ses-{session}/{stem}.txt", "/x/sub-a/S.txt"),
        ("{session}/{participant}.txt", "a.txt"),
        ("ses-{session}_run-{run}_x.txt", "x.txt"),
        ("{participant}_run-{run}.txt", "a.txt"),
        ("{participant}-{session}-{run}_mask.nii.gz", "a_mask.nii.gz"),
        ("p/{participant}_{session}_{task}.nii", "p/a_rest.nii"),
        ("plain//path.nii", "plain//path.nii"),
        ("tables_ses-{session}/x", "tables/x"),
    ];
    for (pattern, expected) in cases {
        assert_eq!(bids::fill(pattern, &id(None, None), "S"), expected, "{pattern}");
    }
    assert_eq!(
        bids::fill("sub-{participant}/ses-{session}/{task}_run-{run}.txt", &id(Some("3mo"), Some("02")), "S"),
        "sub-a/ses-3mo/rest_run-02.txt"
    );
}

#[test]
fn several_files_of_one_run_ask_for_where() {
    let f = Fixture::new();
    let name = |rest: &str| format!("ds/sub-a/func/sub-a_task-rest_{rest}_bold.nii.gz");
    f.touch(&[&name("space-child_desc-smooth"), &name("space-child_desc-raw"), &name("space-scanner_desc-raw")]);
    let files = "sub-a_task-rest_space-child_desc-raw_bold.nii.gz, \
                 sub-a_task-rest_space-child_desc-smooth_bold.nii.gz, \
                 sub-a_task-rest_space-scanner_desc-raw_bold.nii.gz";
    let expected = format!(
        "3 files are the same run ({files}); space is \"child\" or \"scanner\"; desc is \"raw\" or \"smooth\"; \
         choose, as in scans.where = {{ space = \"child\" }}"
    );
    for (_, problems) in f.problems(BIDS, "") {
        assert_eq!(problems[0], expected);
    }
    let cohort = f.found("bids = \"ds\"\nwhere = { space = \"child\", description = \"raw\" }", "");
    assert_eq!(cohort.scans.len(), 1);
    assert!(!cohort.scans[0].problems.iter().any(|problem| problem.text.contains("same run")));
    assert_eq!(
        f.refused("bids = \"ds\"\nwhere = { space = \"adult\" }", ""),
        "none of the 3 runs in DIR/ds matches scans.where (space = \"adult\"); in the dataset, space is \"child\" or \
        \"scanner\"; correct scans.where"
    );
}

#[test]
fn index_entities_match_as_numbers() {
    let f = dataset();
    assert_eq!(ids(&f.found("bids = \"ds\"\nwhere = { run = 2 }", "")), ["sub-b_task-rest_run-02"]);
    assert_eq!(ids(&f.found("bids = \"ds\"\nwhere = { session = \"1\" }", "")), ["sub-a_ses-1_task-rest"]);
}

#[test]
fn several_tasks_are_joined_only_on_purpose() {
    let f = Fixture::new();
    f.touch(&["ds/sub-a/func/sub-a_task-rest_bold.nii", "ds/sub-a/func/sub-a_task-film_bold.nii"]);
    assert_eq!(
        f.refused(BIDS, ""),
        "sub-a has runs of several tasks (film, rest) that would be joined; choose one, as in scans.where = { task = \
         \"film\" }, or set connectivity.join = \"none\""
    );
    assert_eq!(f.found(BIDS, "[connectivity]\njoin = \"none\"").scans.len(), 2);
    assert_eq!(ids(&f.found("bids = \"ds\"\nwhere = { task = \"rest\" }", "")), ["sub-a_task-rest"]);
    // One task a session is joined only across sessions.
    let f = Fixture::new();
    f.touch(&["ds/sub-a/ses-1/func/sub-a_ses-1_task-rest_bold.nii"]);
    f.touch(&["ds/sub-a/ses-2/func/sub-a_ses-2_task-film_bold.nii"]);
    assert_eq!(f.found(BIDS, "").scans.len(), 2);
    assert!(f.refused(BIDS, "[connectivity]\njoin = \"sessions\"").starts_with("sub-a has runs of several tasks"));
}

#[test]
fn bad_names_and_sidecars_are_the_scans_problems() {
    let f = Fixture::new();
    f.touch(&[
        "ds/sub-a/func/sub-b_task-rest_bold.nii",
        "ds/sub-a/func/sub-a_odd_task-rest_bold.nii",
        "ds/sub-c/ses-1/func/sub-c_task-at+rest_bold.nii",
    ]);
    f.write("ds/sub-a/func/sub-a_bold.json", "{\"RepetitionTime\": 800}");
    f.write("ds/sub-c/sub-c_bold.json", "{\"RepetitionTime\": ");
    let found = f.problems(BIDS, "");
    assert_eq!(found[0].0, "sub-a_task-rest");
    assert_eq!(
        found[0].1[..2],
        [
            "DIR/ds/sub-a/func/sub-a_odd_task-rest_bold.nii: 'odd' in the file name does not have the form key-label; \
             rename the file as the BIDS standard says",
            "DIR/ds/sub-a/func/sub-a_bold.json RepetitionTime: repetition time is 800; expected seconds, above 0 and \
             at most 100; divide milliseconds by 1000, which gives 0.8",
        ]
    );
    assert_eq!(found[1].0, "sub-b_task-rest");
    assert_eq!(
        found[1].1[0],
        "DIR/ds/sub-a/func/sub-b_task-rest_bold.nii: the file name says sub-b, but it lies in sub-a; move or rename it"
    );
    assert_eq!(found[2].0, "sub-c_ses-1_task-atrest");
    assert_eq!(
        found[2].1[..2],
        [
            "DIR/ds/sub-c/ses-1/func/sub-c_task-at+rest_bold.nii: the file name says no ses-, but it lies in ses-1; \
             move or rename it",
            "DIR/ds/sub-c/ses-1/func/sub-c_task-at+rest_bold.nii: task 'at+rest' is not a label; use letters and \
             digits only",
        ]
    );
    assert!(found[2].1[2].starts_with("DIR/ds/sub-c/sub-c_bold.json: not valid JSON: "), "{}", found[2].1[2]);
}

#[test]
fn two_sidecars_that_differ_are_told() {
    let f = Fixture::new();
    f.touch(&["ds/sub-a/func/sub-a_task-rest_dir-PA_bold.nii"]);
    f.write("ds/task-rest_bold.json", "{\"RepetitionTime\": 2}");
    f.write("ds/dir-PA_bold.json", "{\"RepetitionTime\": 1}");
    f.write("ds/bold.json", "{\"RepetitionTime\": 3}");
    assert_eq!(
        f.problems(BIDS, "")[0].1[0],
        "DIR/ds/dir-PA_bold.json and DIR/ds/task-rest_bold.json both give this run's repetition time (1 s, 2 s); keep \
         one"
    );
}

#[test]
fn datasets_that_are_none() {
    let f = Fixture::new();
    assert_eq!(f.refused(BIDS, ""), "DIR/ds is not a folder; scans.bids must name the root of a BIDS dataset");
    f.touch(&["ds/sub-a/anat/sub-a_T1w.nii"]);
    assert_eq!(f.refused(BIDS, ""), "DIR/ds has no file sub-*/[ses-*/]func/*_bold.nii or .nii.gz; check scans.bids");
}

#[test]
fn the_datasets_own_children_are_used() {
    let f = dataset();
    let by_age = "[children]\nage_column = \"age\"\n[motion]\nsphere_radius = \"by-age\"";
    assert_eq!(
        f.refused(BIDS, by_age),
        "children.age_column = \"age\" needs a participants table, but DIR/ds/participants.tsv does not exist; set \
         children.table"
    );
    f.write("ds/participants.tsv", "participant_id\tage\nsub-a\t3\nsub-b\t30\n");
    let cohort = f.found(BIDS, by_age);
    assert_eq!(cohort.children.of("b", None).unwrap().age_months, Some(30.0));
}
