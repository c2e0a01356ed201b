mod dataset;

use std::path::Path;

use super::*;

/// A folder with files in it; [`Fixture::tell`] puts `DIR` in place of its path.
struct Fixture {
    folder: tempfile::TempDir,
}

impl Fixture {
    fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap() }
    }

    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn write(&self, name: &str, text: &str) -> &Self {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, text).unwrap();
        self
    }

    fn touch(&self, names: &[&str]) -> &Self {
        for name in names {
            self.write(name, "x");
        }
        self
    }

    fn study(&self, scans: &str, more: &str) -> Study {
        let parcels = "[[parcels]]\nname = \"a\"\nimage = \"a.nii\"";
        let text = format!("[scans]\n{scans}\n{parcels}\n{more}\n");
        Study::parse(&text, &self.path("study.toml")).unwrap()
    }

    fn tell(&self, text: &str) -> String {
        text.replace(&self.folder.path().display().to_string(), "DIR")
    }

    fn found(&self, scans: &str, more: &str) -> Cohort {
        discover(&self.study(scans, more)).unwrap()
    }

    fn refused(&self, scans: &str, more: &str) -> String {
        self.tell(&discover(&self.study(scans, more)).unwrap_err().to_string())
    }

    /// The problems of each scan, by its name.
    fn problems(&self, scans: &str, more: &str) -> Vec<(String, Vec<String>)> {
        let cohort = self.found(scans, more);
        let told = |scan: &Scan| scan.problems.iter().map(|problem| self.tell(&problem.text)).collect();
        cohort.scans.iter().map(|scan| (scan.id.to_string(), told(scan))).collect()
    }
}

const TABLE: &str = "table = \"t/runs.tsv\"";
/// Settings under which a scan needs no tissue masks.
const PLAIN: &str = "[clean]\ntissue_means = []";

/// A dataset of two children: one with sessions, one without; TR at several levels.
fn dataset() -> Fixture {
    let f = Fixture::new();
    f.touch(&[
        "ds/sub-b/func/sub-b_task-rest_run-01_bold.nii",
        "ds/sub-b/func/sub-b_task-rest_run-02_bold.nii.gz",
        "ds/sub-b/anat/sub-b_T1w.nii",
        "ds/sub-b/func/sub-b_task-rest_run-02_boldref.nii.gz",
        "ds/sub-a/ses-2/func/sub-a_ses-2_task-rest_bold.nii.gz",
        "ds/sub-a/ses-1/func/sub-a_ses-1_task-rest_bold.nii.gz",
        "ds/sub-a/ses-1/func/.sub-a_ses-1_task-rest_bold.nii.gz",
        "ds/code/sub-c_bold.nii",
    ]);
    f.write("ds/task-rest_bold.json", "{\"RepetitionTime\": 2.5}");
    f.write("ds/task-film_bold.json", "{\"RepetitionTime\": 9}");
    f.write("ds/sub-a/ses-2/sub-a_ses-2_bold.json", "{\"RepetitionTime\": 1.5}");
    f.write("ds/sub-b/func/sub-b_task-rest_run-02_bold.json", "{\"RepetitionTime\": 0.8, \"EchoTime\": 0.03}");
    f.write("ds/sub-b/func/sub-b_task-rest_run-01_bold.json", "{\"EchoTime\": 0.03}");
    f
}

const BIDS: &str = "bids = \"ds\"";

fn ids(cohort: &Cohort) -> Vec<String> {
    cohort.scans.iter().map(|scan| scan.id.to_string()).collect()
}

fn no_problems(cohort: &Cohort) {
    for scan in &cohort.scans {
        assert_eq!(scan.problems, [], "{}", scan.id);
    }
}

#[test]
fn table_rows_become_sorted_scans() {
    let f = Fixture::new();
    f.touch(&["t/b_task-rest_bold.nii.gz", "t/c.nii", "up.nii", "t/m1", "t/m2", "t/m3", "t/mask.nii", "t/log.tsv"]);
    f.write(
        "t/runs.tsv",
        "bold\tmotion\tparticipant_id\trun_id\tsession_id\ttr_s\tbrain_mask\twatch_log\n\
         c.nii\tm1\tsub-b\trun-10\tses-1\t0.8\tmask.nii\tn/a\n\
         b_task-rest_bold.nii.gz\tm2\tb\t2\t1\tn/a\tmask.nii\tlog.tsv\n\
         ../up.nii\tm3\tsub-a\t\tn/a\t2\tmask.nii\t\n",
    );
    let cohort = f.found(TABLE, PLAIN);
    no_problems(&cohort);
    // A scan without a task sorts before one with a task.
    assert_eq!(ids(&cohort), ["sub-a", "sub-b_ses-1_run-10", "sub-b_ses-1_task-rest_run-2"]);
    assert_eq!(cohort.scans[0].bold, f.path("t/../up.nii"));
    assert_eq!(cohort.scans[1].tr.table_s, Some(0.8));
    assert_eq!(cohort.scans[2].tr.table_s, None);
    assert_eq!(cohort.scans[2].watch_log, Some(f.path("t/log.tsv")));
    assert_eq!(cohort.scans[1].watch_log, None);
    assert_eq!(cohort.scans[1].motion, Some(f.path("t/m1")));
    assert!(cohort.children.is_empty() && cohort.child_columns.is_empty());
}

#[test]
fn runs_sort_as_numbers() {
    let f = Fixture::new();
    f.touch(&["t/1.nii", "t/2.nii", "t/3.nii"]);
    f.write("t/runs.tsv", "participant_id\tbold\trun_id\na\t1.nii\t10\na\t2.nii\t9\na\t3.nii\t1\n");
    assert_eq!(ids(&f.found(TABLE, PLAIN)), ["sub-a_run-1", "sub-a_run-9", "sub-a_run-10"]);
}

#[test]
fn every_problem_of_a_row_is_told() {
    let f = Fixture::new();
    f.touch(&["t/a.nii", "t/m", "t/folder/x"]);
    f.write(
        "t/runs.tsv",
        "participant_id\tbold\tsession_id\trun_id\ttr_s\tmotion\tbrain_mask\n\
         sub-0_1\tgone.nii\t../x\t1\t2000\tfolder\tn/a\n\
         \t\t1\t1\tfast\tm\tgone.nii\n",
    );
    let cohort = f.problems(TABLE, "");
    let expected: Vec<(String, Vec<&str>)> = vec![
        (
            "sub-01line2_ses-xline2_run-1".into(),
            vec![
                "DIR/t/runs.tsv line 2: participant_id 'sub-0_1' is not a label; use letters and digits only",
                "DIR/t/runs.tsv line 2: session_id '../x' is not a label; use letters and digits only",
                "bold: DIR/t/gone.nii does not exist; check the name in DIR/t/runs.tsv line 2",
                "DIR/t/runs.tsv line 2: repetition time is '2000'; expected seconds, above 0 and at most 100; \
                 divide milliseconds by 1000, which gives 2",
                "motion: DIR/t/folder is a folder; name the file itself",
                "no white_matter file, which clean.tissue_means asks for; fill in the column 'white_matter' of the \
                 scan table",
                "no csf file, which clean.tissue_means asks for; fill in the column 'csf' of the scan table",
            ],
        ),
        (
            "sub-line3_ses-1_run-1".into(),
            vec![
                "DIR/t/runs.tsv line 3: participant_id is empty; give the run's child",
                "DIR/t/runs.tsv line 3: bold is empty; give the run's image",
                "DIR/t/runs.tsv line 3: repetition time is 'fast'; expected seconds, above 0 and at most 100",
                "brain_mask: DIR/t/gone.nii does not exist; check the name in DIR/t/runs.tsv line 3",
                "no white_matter file, which clean.tissue_means asks for; fill in the column 'white_matter' of the \
                 scan table",
                "no csf file, which clean.tissue_means asks for; fill in the column 'csf' of the scan table",
            ],
        ),
    ];
    for ((id, problems), (expected_id, expected)) in cohort.iter().zip(&expected) {
        assert_eq!(id, expected_id);
        assert_eq!(problems, expected);
    }
    assert_eq!(cohort.len(), 2);
}

#[test]
fn needed_files_follow_the_settings() {
    let f = Fixture::new();
    f.touch(&["t/a.nii", "t/m", "t/mask", "t/wm"]);
    f.write("t/runs.tsv", "participant_id\tbold\tmotion\tbrain_mask\twhite_matter\na\ta.nii\tm\tmask\twm\n");
    no_problems(&f.found(TABLE, PLAIN));
    no_problems(&f.found(TABLE, "[clean]\ntissue_means = [\"white_matter\"]\ntissue_components = 3"));
    let problems = f.problems(TABLE, "[clean]\ntissue_means = []\ntissue_components = 3\nconfound_columns = [\"p\"]");
    assert_eq!(
        problems[0].1,
        [
            "no csf file, which clean.tissue_components asks for; fill in the column 'csf' of the scan table",
            "no confounds file, which clean.confound_columns asks for; fill in the column 'confounds' of the scan \
             table",
        ]
    );
}

#[test]
fn same_runs_and_shared_files_are_told_on_each_side() {
    let f = Fixture::new();
    f.touch(&["t/a.nii", "t/b.nii", "t/c.nii", "t/m", "t/mask"]);
    f.write(
        "t/runs.tsv",
        "participant_id\tbold\tmotion\tbrain_mask\na\ta.nii\tn/a\tmask\nsub-a\tb.nii\tn/a\tmask\n\
         b\tc.nii\tm\tmask\nc\t../t/c.nii\tm\tmask\n",
    );
    let motion = "no motion file, which motion.from = \"table\" asks for; fill in the column 'motion' of the scan \
                  table, or measure motion from the images with motion.from = \"images\"";
    let same = "the same participant, session and run as line";
    let found = f.problems(TABLE, PLAIN);
    assert_eq!(
        found[0].1,
        [format!("DIR/t/runs.tsv line 2: {same} 3; give each run its own run_id"), motion.to_owned()]
    );
    assert_eq!(
        found[1].1,
        [format!("DIR/t/runs.tsv line 3: {same} 2; give each run its own run_id"), motion.to_owned()]
    );
    assert_eq!(
        found[2].1,
        [
            "bold DIR/t/c.nii is also used by sub-c; each run needs its own",
            "motion DIR/t/m is also used by sub-c; each run needs its own",
        ]
    );
    assert_eq!(
        found[3].1,
        [
            "bold DIR/t/../t/c.nii is also used by sub-b; each run needs its own",
            "motion DIR/t/m is also used by sub-b; each run needs its own",
        ]
    );
}

#[test]
fn what_is_wrong_with_tables_comes_out_together() {
    let f = Fixture::new();
    f.write("t/runs.tsv", "participant\tbold\tfwhm\nsub-a\ta.nii\t3\n");
    f.write("kids.tsv", "participant_id\tage_month\tsex\na\t3\tF\na\t4\tF\n\t5\tM\n");
    let more = "[children]\ntable = \"kids.tsv\"\nage_column = \"age_months\"\nsex_column = \"gender\"";
    let columns = "participant_id, bold, session_id, run_id, tr_s, motion, confounds, brain_mask, white_matter, csf, \
                   watch_log";
    assert_eq!(
        f.refused(TABLE, more),
        format!(
            "DIR/t/runs.tsv line 1: unknown column 'participant'; did you mean 'participant_id'?\n\
             DIR/t/runs.tsv line 1: unknown column 'fwhm'; the columns are {columns}\n\
             DIR/t/runs.tsv line 1: no column 'participant_id', which names each run's child; did you mean \
             'participant'?\n\
             DIR/kids.tsv line 1: no column 'age_months', which children.age_column names; did you mean 'age_month'?\n\
             DIR/kids.tsv line 1: no column 'gender', which children.sex_column names; the columns are \
             participant_id, age_month, sex\n\
             DIR/kids.tsv line 3: child 'a' appears twice (first on line 2); keep one row per child, or one \
             per child and session with a column session_id\n\
             DIR/kids.tsv line 4: participant_id is empty; give each row its child"
        )
    );
    f.write("t/runs.tsv", "participant_id\tbold\n");
    assert_eq!(f.refused(TABLE, ""), "DIR/t/runs.tsv lists no scans; add one row per run below the header line");
    assert!(f.refused("table = \"none.tsv\"", "").starts_with("cannot read DIR/none.tsv: "));
}

#[test]
fn children_have_months_sex_and_their_other_cells() {
    let f = Fixture::new();
    f.touch(&["t/a.nii"]);
    f.write("t/runs.tsv", "participant_id\tbold\na\ta.nii\n");
    f.write("kids.tsv", "site\tparticipant_id\tage\tsex\nbay\tsub-a\t2\tmale\nhill\tb\tn/a\tF\nbay\tc\t1\to\n");
    for (unit, months) in [("months", 2.0), ("years", 24.0), ("weeks", 14.0 / 30.4375), ("days", 2.0 / 30.4375)] {
        let more = format!(
            "[children]\ntable = \"kids.tsv\"\nage_column = \"age\"\nsex_column = \"sex\"\nage_unit = \"{unit}\""
        );
        let cohort = f.found(TABLE, &more);
        assert_eq!(cohort.child_columns, ["site", "age", "sex"]);
        let a = cohort.children.of("a", None).unwrap();
        assert!((a.age_months.unwrap() - months).abs() < 1e-12, "{unit}");
        assert_eq!(a.sex, Sex::Male);
        assert_eq!(a.cells, ["bay", "2", "male"]);
        assert_eq!(
            (cohort.children.of("b", None).unwrap().age_months, cohort.children.of("b", None).unwrap().sex),
            (None, Sex::Female)
        );
        assert_eq!(cohort.children.of("c", None).unwrap().sex, Sex::Unknown);
    }
}

#[test]
fn a_child_may_have_a_row_per_session() {
    let f = Fixture::new();
    f.touch(&["t/1.nii", "t/2.nii", "t/3.nii", "t/4.nii", "t/5.nii"]);
    f.write(
        "t/runs.tsv",
        "participant_id\tsession_id\tbold\na\t1\t1.nii\na\tses-2\t2.nii\na\t3\t3.nii\nb\t1\t4.nii\nc\tn/a\t5.nii\n",
    );
    f.write(
        "kids.tsv",
        "participant_id\tage\tsession_id\tsite\tsex\n\
         a\t3\tses-1\tbay\tf\na\t6\t2\tbay\tf\nb\t4\tn/a\thill\tm\nc\t5\t1\thill\tm\n",
    );
    let more = "[children]\ntable = \"kids.tsv\"\nage_column = \"age\"\nsex_column = \"sex\"";
    let cohort = f.found(TABLE, more);
    assert_eq!(cohort.child_columns, ["age", "site", "sex"]);
    assert_eq!(cohort.children.len(), 3);
    let age = |scan: usize| cohort.children.of_scan(&cohort.scans[scan].id).unwrap().age_months;
    assert_eq!([age(0), age(1), age(3)], [Some(3.0), Some(6.0), Some(4.0)], "the session's row, or the child's");
    let joined = cohort.children.of("a", None).unwrap();
    assert_eq!((joined.age_months, joined.sex), (None, Sex::Female), "what the rows of joined sessions share");
    assert_eq!(joined.cells, ["n/a", "bay", "f"]);
    let problem = |scan: usize| {
        let told = cohort.scans[scan].problems.iter().map(|problem| f.tell(&problem.text));
        told.filter(|text| text.starts_with("DIR/kids.tsv")).collect::<Vec<_>>()
    };
    let none_of = |child: &str, known: &str, session: &str| {
        format!(
            "DIR/kids.tsv has rows of sub-{child} for the sessions {known}, but none for its scan's session, \
             {session}; correct session_id, or add the row"
        )
    };
    assert_eq!(problem(2), [none_of("a", "1, 2", "3")]);
    assert_eq!(problem(4), [none_of("c", "1", "n/a")]);
    assert!([0, 1, 3].iter().all(|&scan| problem(scan).is_empty()));

    f.write("kids.tsv", "participant_id\tage\tsession_id\na\t3\t1\na\t6\tses-1\n");
    assert_eq!(
        f.refused(TABLE, "[children]\ntable = \"kids.tsv\""),
        "DIR/kids.tsv line 3: child 'a' in session '1' appears twice (first on line 2); keep one row per child, or one \
         per child and session with a column session_id"
    );
}

#[test]
fn ages_that_a_scan_needs_are_its_problems() {
    let f = Fixture::new();
    f.touch(&["t/a.nii", "t/b.nii", "t/c.nii", "t/d.nii", "t/ma", "t/mb", "t/mc", "t/md", "t/mask"]);
    let rows: String = ["a", "b", "c", "d"].map(|p| format!("{p}\t{p}.nii\tm{p}\tmask\n")).concat();
    f.write("t/runs.tsv", &format!("participant_id\tbold\tmotion\tbrain_mask\n{rows}"));
    f.write("kids.tsv", "participant_id\tage\na\tyoung\nb\tn/a\nc\t3\n");
    let children = "[children]\ntable = \"kids.tsv\"\nage_column = \"age\"";
    let found = f.problems(TABLE, &format!("{PLAIN}\n{children}\n[motion]\nsphere_radius = \"by-age\""));
    assert_eq!(
        found.into_iter().map(|(_, problems)| problems).collect::<Vec<_>>(),
        [
            vec!["DIR/kids.tsv line 2: column 'age' is 'young'; expected an age from 0 to 120 years in months"],
            vec![],
            vec![],
            vec![],
        ]
    );
    // With one radius for all, a missing age or row is no problem; a wrong one still is.
    let found = f.problems(TABLE, &format!("{PLAIN}\n{children}"));
    assert_eq!(found.iter().map(|(_, problems)| problems.len()).collect::<Vec<_>>(), [1, 0, 0, 0]);
}

#[test]
fn results_among_scans_are_refused() {
    let f = dataset();
    let refused = |results: &str| {
        let text = format!(
            "[study]\nresults = \"{results}\"\n[scans]\nbids = \"ds\"\n[[parcels]]\nname = \"a\"\nimage = \"a.nii\""
        );
        let study = Study::parse(&text, &f.path("study.toml")).unwrap();
        discover(&study).err().map(|e| f.tell(&e.to_string()))
    };
    assert_eq!(
        refused("other/../ds").unwrap(),
        "the results folder DIR/other/../ds would mix with the scans in DIR/ds; set study.results to a folder of its \
         own"
    );
    assert!(refused("ds/sub-a/out").is_some());
    assert_eq!(refused("ds/derivatives/keepstill"), None);
    assert_eq!(refused("."), None);
}

#[cfg(unix)]
#[test]
fn dead_links_are_told_from_missing_files() {
    let f = dataset();
    std::os::unix::fs::symlink(Path::new("nowhere"), f.path("ds/sub-b/func/sub-b_task-rest_run-03_bold.nii")).unwrap();
    assert_eq!(
        f.problems(BIDS, "")[4].1[0],
        "bold: DIR/ds/sub-b/func/sub-b_task-rest_run-03_bold.nii is a link that leads nowhere; fetch the file it \
         stands for"
    );
}

#[test]
fn a_table_of_sessions_stands_over_the_participants_table() {
    let f = Fixture::new();
    for session in ["1", "2"] {
        f.touch(&[&format!("ds/sub-a/ses-{session}/func/sub-a_ses-{session}_task-rest_bold.nii")]);
        f.touch(&[&format!("ds/sub-b/ses-{session}/func/sub-b_ses-{session}_task-rest_bold.nii")]);
    }
    f.write("ds/participants.tsv", "participant_id\tsex\tage\nsub-a\tf\t4\nsub-b\tm\t9\n");
    f.write("ds/sub-a/sub-a_sessions.tsv", "session_id\tage\tmood\nses-1\tn/a\tcalm\nses-2\t12\tn/a\n");
    let settings =
        format!("{PLAIN}\n[children]\nage_column = \"age\"\nsex_column = \"sex\"\n[motion]\nfrom = \"images\"");
    let cohort = f.found(BIDS, &settings);
    assert_eq!(cohort.child_columns, ["sex", "age", "mood"]);
    let told = |participant: &str, session: &str| {
        let child = cohort.children.of(participant, Some(session)).unwrap();
        (child.age_months, child.sex, child.cells.join(" "))
    };
    assert_eq!(told("a", "1"), (Some(4.0), Sex::Female, "f 4 calm".to_owned()));
    assert_eq!(told("a", "2"), (Some(12.0), Sex::Female, "f 12 n/a".to_owned()));
    assert_eq!(told("b", "2"), (Some(9.0), Sex::Male, "m 9 n/a".to_owned()));

    // Ages may stand in the tables of sessions alone; a wrong one is a problem of its session's scan.
    f.write("ds/participants.tsv", "participant_id\tsex\nsub-a\tf\n");
    f.write("ds/sub-a/sub-a_sessions.tsv", "session_id\tage\nses-1\tn/a\nses-2\told\n");
    let found = f.problems(BIDS, &settings);
    assert_eq!(
        found[1].1,
        ["DIR/ds/sub-a/sub-a_sessions.tsv line 3: column 'age' is 'old'; expected an age from 0 to 120 years in \
             months"]
    );
    assert!([0, 2, 3].iter().all(|&scan| found[scan].1.is_empty()), "{found:?}");
    f.write("ds/sub-a/sub-a_sessions.tsv", "session\tage\nses-1\t4\n");
    assert_eq!(
        f.refused(BIDS, &settings),
        "DIR/ds/sub-a/sub-a_sessions.tsv line 1: no column 'session_id', which names each row's session; did you \
         mean 'session'?"
    );
}

#[test]
fn the_unit_of_ages_is_read_from_the_data_dictionary() {
    let f = Fixture::new();
    f.touch(&["ds/sub-a/func/sub-a_task-rest_bold.nii"]);
    f.write("ds/participants.tsv", "participant_id\tage\nsub-a\t2\n");
    let age = |f: &Fixture, more: &str| {
        let children = format!("{PLAIN}\n[motion]\nfrom = \"images\"\n[children]\nage_column = \"age\"\n{more}");
        let text = format!("[scans]\n{BIDS}\n[[parcels]]\nname = \"a\"\nimage = \"a.nii\"\n{children}\n");
        let study = Study::parse(&text, &f.path("study.toml")).map_err(|problems| problems.to_string())?;
        Ok::<_, String>(discover(&study).unwrap().children.of("a", None).unwrap().age_months)
    };
    assert_eq!(age(&f, ""), Ok(Some(2.0)));
    f.write("ds/participants.json", "{ \"age\": { \"Units\": \"years\" } }");
    assert_eq!(age(&f, ""), Ok(Some(24.0)));
    assert_eq!(age(&f, "age_unit = \"years\""), Ok(Some(24.0)));
    let words = age(&f, "age_unit = \"weeks\"").unwrap_err();
    assert!(words.contains("says that ages are in 'years', but children.age_unit says otherwise"), "{words}");
    f.write("ds/participants.json", "{ \"age\": { \"Units\": \"fortnights\" } }");
    let words = age(&f, "").unwrap_err();
    assert!(words.contains("'fortnights'; give children.age_unit, one of months"), "{words}");
    f.write("ds/participants.json", "{ \"age\": { \"Description\": \"at the scan\" } }");
    assert_eq!(age(&f, ""), Ok(Some(2.0)));
}
