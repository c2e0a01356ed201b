mod lengths;
mod notice;
mod reading;

use std::path::Path;

use serde_json::json;

use super::settings::{AgeUnit, Axis, Length, MOTION_COLUMNS, MotionColumns, Settling, SphereRadius, Tissue};
use super::*;

const SCANS: &str = "[scans]\ntable = \"runs.tsv\"\n";
const PARCELS: &str = "[[parcels]]\nname = \"tern30\"\nimage = \"atlas.nii.gz\"\n";

fn parse(text: &str) -> Result<Study, StudyError> {
    Study::parse(text, Path::new("work/study.toml"))
}

/// A smallest study with further lines put first, so that their line numbers are theirs.
fn with(lines: &str) -> String {
    format!("{lines}\n{SCANS}{PARCELS}")
}

fn message(text: &str) -> String {
    match parse(text) {
        Ok(_) => panic!("accepted: {text}"),
        Err(e) => e.to_string(),
    }
}

#[test]
fn smallest_study_has_the_defaults() {
    let study = parse(&with("")).unwrap();
    assert_eq!(study.name, "unnamed study");
    assert_eq!(study.results, Path::new("work/results"));
    assert!(matches!(&study.scans, ScanSource::Table(path) if path == Path::new("work/runs.tsv")));
    assert_eq!(study.motion.sphere_radius, SphereRadius::Mm(50.0));
    assert_eq!(study.motion.rotation_order.0, [Axis::X, Axis::Y, Axis::Z]);
    assert!(matches!(&study.motion.columns, MotionColumns::Names(names) if *names == MOTION_COLUMNS));
    assert_eq!(
        (study.censor.fd_mm, study.censor.before, study.censor.after),
        (0.2, Length::Frames(1), Length::Frames(2))
    );
    assert_eq!(
        (study.censor.dvars_percent, study.censor.shortest_stretch, study.censor.settling),
        (0.0, Length::Frames(5), Settling::Frames(0))
    );
    assert!(study.censor.watch_log && study.censor.watch_log_types.is_empty());
    assert_eq!(study.clean.motion_terms, 24);
    assert_eq!(study.clean.tissue_means, [Tissue::WhiteMatter, Tissue::Csf]);
    assert_eq!(study.clean.band_hz, Some([0.01, 0.1]));
    assert_eq!(study.children.age_unit, AgeUnit::Months);
    assert_eq!(study.parcels.len(), 1);
    assert_eq!(study.parcels[0].image, Path::new("work/atlas.nii.gz"));
    assert_eq!(study.parcels[0].least_coverage, 0.5);
    assert_eq!((study.enough.minutes, study.enough.dof, study.enough.coverage), (5.0, 0.0, 0.8));
    assert!(study.output.pages);
}

/// The printed defaults serve as a study file to start from: filled in, they change nothing.
#[test]
fn printed_defaults_are_a_study_file() {
    let text = DEFAULTS.replace("[[parcels]]", "[[parcels]]\nname = \"tern30\"\nimage = \"atlas.nii.gz\"");
    let study = parse(&format!("{SCANS}{text}")).unwrap();
    assert_eq!(study.settings_json(), parse(&with("")).unwrap().settings_json());
}

/// Each key is in the defaults' text, as a value or in a comment.
#[test]
fn defaults_name_every_key() {
    for (section, keys) in file::SECTIONS {
        for key in keys {
            let named = DEFAULTS.lines().any(|line| {
                let line = line.trim_start_matches(['#', ' ']);
                line.strip_prefix(key).is_some_and(|rest| rest.trim_start().starts_with('='))
            });
            let patterns = section == "scans" && DEFAULTS.contains(&format!("{key},"));
            assert!(named || patterns || DEFAULTS.contains(&format!(" {key};")), "{section}.{key}");
        }
    }
}

#[test]
fn every_key_is_taken() {
    let study = parse(
        r#"
[study]
name = "Tern Bay sleep study"
results = "../out"
[scans]
bids = "dataset"
tr_s = 2.5
where = { task = "rest", direction = "PA", run = 1, ses = "ses-3mo" }
motion = "motion/{stem}.txt"
confounds = "c/{participant}.csv"
brain_mask = "m/{session}.nii"
white_matter = "w/{task}.nii"
csf = "c/{run}.nii"
watch_log = "l/{stem}.tsv"
[children]
table = "kids.tsv"
age_column = "age"
age_unit = "weeks"
sex_column = "sex"
[motion]
from = "table"
columns = [4, 5, 6, 1, 2, 3]
translation_unit = "m"
rotation_unit = "deg"
rotation_order = "zyx"
displacement = "rms"
fd_span_s = 2
sphere_radius = "by-age"
respiration = "leave"
[censor]
fd_mm = 1
dvars_percent = 2.5
before = 0
after_s = 3
shortest_stretch = 0
settling = 4
watch_log = false
watch_log_types = ["eyes_open"]
[clean]
motion_terms = 6
tissue_means = ["csf"]
global_signal = true
tissue_components = 5
confound_columns = ["pulse"]
detrend_degree = 0
band_hz = []
fill = "spectral"
[[parcels]]
name = "a"
image = "/atlases/a.nii"
labels = "a.tsv"
least_coverage = 0
[[parcels]]
name = "b"
image = "b.nii"
[connectivity]
measures = ["partial", "covariance"]
join = "none"
[enough]
minutes = 4
dof = 25
coverage = 0.9
[notice]
small_fd_mm = 0
large_fd_mm = 8
unlike_site_sd = 5
least_fd_dvars_r = -1
same_r = 1
short_run_s = 30
[output]
series = "none"
matrices = "both"
pages = false
"#,
    )
    .unwrap();
    let expected = json!({
        "study": { "name": "Tern Bay sleep study", "results": "../out" },
        "scans": {
            "bids": "dataset",
            "tr_s": 2.5,
            "where": { "dir": "PA", "run": "1", "ses": "3mo", "task": "rest" },
            "motion": "motion/{stem}.txt",
            "confounds": "c/{participant}.csv",
            "brain_mask": "m/{session}.nii",
            "white_matter": "w/{task}.nii",
            "csf": "c/{run}.nii",
            "watch_log": "l/{stem}.tsv",
        },
        "children": { "table": "kids.tsv", "age_column": "age", "age_unit": "weeks", "sex_column": "sex" },
        "motion": {
            "from": "table", "columns": [4, 5, 6, 1, 2, 3], "translation_unit": "m", "rotation_unit": "deg",
            "rotation_order": "zyx", "displacement": "rms", "fd_span_s": 2.0, "sphere_radius": "by-age",
            "respiration": "leave", "breaths_per_min": "by-age", "low_pass_hz": 0.1, "realign": false,
        },
        "censor": {
            "fd_mm": 1.0, "dvars_percent": 2.5, "before": 0, "after_s": 3.0, "shortest_stretch": 0, "settling": 4,
            "watch_log": false, "watch_log_types": ["eyes_open"],
        },
        "clean": {
            "motion_terms": 6, "tissue_means": ["csf"], "global_signal": true, "tissue_components": 5,
            "confound_columns": ["pulse"], "detrend_degree": 0, "band_hz": [], "fill": "spectral",
        },
        "parcels": [
            { "name": "a", "image": "a.nii", "labels": "a.tsv", "least_coverage": 0.0 },
            { "name": "b", "image": "b.nii", "labels": null, "least_coverage": 0.5 },
        ],
        "connectivity": { "measures": ["partial", "covariance"], "join": "none" },
        "enough": { "minutes": 4.0, "dof": 25.0, "coverage": 0.9 },
        "notice": {
            "small_fd_mm": 0.0, "large_fd_mm": 8.0, "unlike_site_sd": 5.0, "least_fd_dvars_r": -1.0, "same_r": 1.0,
            "short_run_s": 30.0,
        },
        "output": { "series": "none", "matrices": "both", "pages": false },
    });
    assert_eq!(study.settings_json(), expected);
    assert!(matches!(&study.scans, ScanSource::Bids { root, .. } if root == Path::new("work/dataset")));
}

#[test]
fn every_message() {
    let frames = "a whole number of frames, 0 or more";
    let columns = "six different column names in quotes, or six different positions counted from 1: translations x y \
                   z, then rotations x y z";
    let cases: Vec<(&str, String)> = vec![
        ("[censr]", "line 1: unknown section 'censr'; did you mean 'censor'?".into()),
        ("fd_mm = 1", "line 1: key 'fd_mm' is outside its section; move it below [censor]".into()),
        (
            "[weather]",
            "line 1: unknown section 'weather'; the sections are study, scans, children, motion, censor, clean, \
             parcels, connectivity, enough, notice, output"
                .into(),
        ),
        ("[censor]\nfd_mn = 1", "line 2: unknown key 'censor.fd_mn'; did you mean 'fd_mm'?".into()),
        (
            "[enough]\nsleepiness = 1",
            "line 2: unknown key 'enough.sleepiness'; keys allowed here are minutes, dof, coverage".into(),
        ),
        ("[censor]\nband_hz = []", "line 2: 'band_hz' is not a key of [censor]; move it below [clean]".into()),
        (
            "[censor]\nfd_mm = \"0.2\"",
            "line 2: censor.fd_mm is \"0.2\"; expected a number of mm, 0 or more (0 turns it off)".into(),
        ),
        (
            "[censor]\nfd_mm = -0.1",
            "line 2: censor.fd_mm is -0.1; expected a number of mm, 0 or more (0 turns it off)".into(),
        ),
        (
            "[censor]\nfd_mm = inf",
            "line 2: censor.fd_mm is inf; expected a number of mm, 0 or more (0 turns it off)".into(),
        ),
        (
            "[censor]\ndvars_percent = nan",
            "line 2: censor.dvars_percent is nan; expected a number of percent, 0 or more (0 turns it off)".into(),
        ),
        ("[censor]\nbefore = 1.5", format!("line 2: censor.before is 1.5; expected {frames}")),
        ("[censor]\nafter = -1", format!("line 2: censor.after is -1; expected {frames}")),
        (
            "[censor]\nbefore = 1\nafter = 2\nbefore_s = 2.5",
            "line 4: censor.before_s stands beside censor.before (line 2), but a study gives this either in frames or \
             in seconds; leave one out"
                .into(),
        ),
        (
            "[censor]\nshortest_stretch_s = 10\nshortest_stretch = \"x\"",
            "line 2: censor.shortest_stretch_s stands beside censor.shortest_stretch (line 3), but a study gives this \
             either in frames or in seconds; leave one out"
                .into(),
        ),
        ("[censor]\nafter_s = -1", "line 2: censor.after_s is -1; expected seconds, 0 to 600".into()),
        ("[censor]\nbefore_s = \"2 s\"", "line 2: censor.before_s is \"2 s\"; expected seconds, 0 to 600".into()),
        (
            "[motion]\nfd_span_s = -2",
            "line 2: motion.fd_span_s is -2; expected seconds, 0 to 600 (0: from frame to frame)".into(),
        ),
        (
            "[censor]\nfd_span_s = 2",
            "line 2: 'fd_span_s' is not a key of [censor]; move it below [motion]".into(),
        ),
        ("[censor]\nwatch_log = 1", "line 2: censor.watch_log is 1; expected true or false".into()),
        (
            "[censor]\nwatch_log_types = \"eyes_open\"",
            "line 2: censor.watch_log_types is \"eyes_open\"; expected a list of trial_type values in quotes, each \
            once; [] for all"
                .into(),
        ),
        (
            "[motion]\nfrom = \"image\"",
            "line 2: motion.from is \"image\"; expected one of \"table\", \"images\"; did you mean 'images'?".into(),
        ),
        (
            "[motion]\nrealign = true",
            "line 2: motion.realign works only with motion.from = \"images\"; images that come with a motion table are \
             taken as already aligned, so leave the key out"
                .into(),
        ),
        (
            "[motion]\nrespiration = \"notch\"",
            "line 2: motion.respiration = \"notch\" with breathing rates by age needs children.age_column; name the \
             column with the children's ages, or give motion.breaths_per_min = [low, high]"
                .into(),
        ),
        (
            "[motion]\nbreaths_per_min = [30, 20]",
            "line 2: motion.breaths_per_min is [30, 20]; expected \"by-age\", or [low, high] breaths a minute with 0 < \
            low < high"
                .into(),
        ),
        (
            "[motion]\nlow_pass_hz = 0",
            "line 2: motion.low_pass_hz is 0; expected a frequency in Hz above 0".into(),
        ),
        (
            "[censor]\nsettling = \"off\"",
            "line 2: censor.settling is \"off\"; expected a whole number of frames, 0 or more, or \"auto\"".into(),
        ),
        (
            "[motion]\nsphere_radius = 5.0",
            "line 2: motion.sphere_radius is 5.0; expected a radius of 20 to 100 mm, \"by-age\", or \
            \"from-mask\"".into(),
        ),
        (
            "[motion]\nsphere_radius = \"by-age\"",
            "line 2: motion.sphere_radius = \"by-age\" needs children.age_column; name the column with the children's \
             ages"
                .into(),
        ),
        ("[motion]\ncolumns = [1, 2, 3]", format!("line 2: motion.columns is [1, 2, 3]; expected {columns}")),
        (
            "[motion]\ncolumns = [0, 1, 2, 3, 4, 5]",
            format!("line 2: motion.columns is [0, 1, 2, 3, 4, 5]; expected {columns}"),
        ),
        (
            "[motion]\ncolumns = [\"a\", \"b\", \"c\", \"d\", \"e\", \"a\"]",
            format!("line 2: motion.columns is [\"a\", \"b\", \"c\", \"d\", \"e\", \"a\"]; expected {columns}"),
        ),
        (
            "[motion]\nrotation_order = \"xxy\"",
            "line 2: motion.rotation_order is \"xxy\"; expected the letters x, y and z in some order, as in \"xyz\""
                .into(),
        ),
        (
            "[motion]\nrotation_unit = \"degrees\"",
            "line 2: motion.rotation_unit is \"degrees\"; expected one of \"rad\", \"deg\"".into(),
        ),
        ("[clean]\nmotion_terms = 18", "line 2: clean.motion_terms is 18; expected 0, 6, 12 or 24".into()),
        (
            "[clean]\ntissue_means = [\"white_mater\"]",
            "line 2: clean.tissue_means is [\"white_mater\"]; expected a list of any of \"white_matter\", \"csf\", \
             each once; did you mean 'white_matter'?"
                .into(),
        ),
        (
            "[clean]\nband_hz = [0.1, 0.01]",
            "line 2: clean.band_hz is [0.1, 0.01]; expected [low, high] in Hz with 0 < low < high, or [] for no filter"
                .into(),
        ),
        (
            "[clean]\ndetrend_degree = 11",
            "line 2: clean.detrend_degree is 11; expected a whole number from 0 to 10".into(),
        ),
        (
            "[clean]\nfill = \"liner\"",
            "line 2: clean.fill is \"liner\"; expected one of \"linear\", \"spectral\"; did you mean 'linear'?".into(),
        ),
        (
            "[connectivity]\nmeasures = []",
            "line 2: connectivity.measures is []; expected a list of one or more of \"pearson\", \"spearman\", \
             \"partial\", \"covariance\", each once"
                .into(),
        ),
        (
            "[connectivity]\njoin = \"run\"",
            "line 2: connectivity.join is \"run\"; expected one of \"runs\", \"sessions\", \"none\"; did you mean \
             'runs'?"
                .into(),
        ),
        (
            "[enough]\ncoverage = 90",
            "line 2: enough.coverage is 90; expected a share from 0 to 1 (0: not required)".into(),
        ),
        ("[study]\nname = \" \"", "line 2: study.name is \" \"; expected a name in quotes".into()),
        ("output = 3", "line 1: output is 3; expected a section that starts with [output]".into()),
        (
            "[children]\nage_column = \"age\"",
            "line 2: children.age_column names a column, but children.table is not given; add the participants table"
                .into(),
        ),
        (
            "[[parcels]]\nname = \"tern 30\"\nimage = \"a.nii\"",
            "line 2: parcels.name is \"tern 30\"; expected a name of letters and digits in quotes, as in \"tern30\""
                .into(),
        ),
        (
            "[[parcels]]\nname = \"a\"",
            "line 1: parcels.image is missing; give the path of an atlas image in quotes".into(),
        ),
        (
            "[[parcels]]\nname = \"Tern30\"\nimage = \"a.nii\"",
            "line 7: parcels.name 'tern30' appears twice (first on line 2); give each atlas its own name".into(),
        ),
        (
            "[[parcels]]\nname = \"a\"\nimage = \"a.nii\"\nleast_coverage = 1.5",
            "line 4: parcels.least_coverage is 1.5; expected a share from 0 to 1".into(),
        ),
    ];
    for (lines, expected) in cases {
        let found = message(&with(lines));
        let found = found.strip_prefix("work/study.toml ").unwrap_or(&found);
        assert_eq!(found, expected, "{lines}");
    }
}

#[test]
fn messages_about_scans() {
    let scans = |lines: &str| message(&format!("[scans]\n{lines}\n{PARCELS}"));
    assert_eq!(
        scans("table = \"a\"\nbids = \"b\""),
        "work/study.toml line 3: [scans] has both 'table' and 'bids'; keep the one that lists your scans"
    );
    assert_eq!(
        scans(""),
        "work/study.toml line 1: [scans] has neither 'table' nor 'bids'; name a scan table or a BIDS dataset"
    );
    assert_eq!(
        message(PARCELS),
        "work/study.toml: [scans] has neither 'table' nor 'bids'; name a scan table or a BIDS dataset"
    );
    assert_eq!(
        message(SCANS),
        "work/study.toml: parcels is missing; give at least one [[parcels]] block with the name and image of an atlas"
    );
    assert_eq!(
        message(&format!("{SCANS}[parcels]\nname = \"a\"")),
        "work/study.toml line 3: parcels is written as [parcels]; expected a section that starts with [[parcels]]"
    );
    assert_eq!(
        scans("table = \"a\"\ntr_s = 2000"),
        "work/study.toml line 3: scans.tr_s is 2000; expected seconds, above 0 and at most 100; divide milliseconds by \
         1000, which gives 2"
    );
    assert_eq!(
        scans("table = \"a\"\ntr_s = 0"),
        "work/study.toml line 3: scans.tr_s is 0; expected seconds, above 0 and at most 100"
    );
    assert_eq!(
        scans("table = \"a\"\nmotion = \"m.txt\""),
        "work/study.toml line 3: scans.motion works only with 'bids'; with a scan table, the files are columns of the \
         table"
    );
    assert_eq!(
        scans("bids = \"a\"\nmotion = \"{partcipant}.txt\""),
        "work/study.toml line 3: scans.motion is \"{partcipant}.txt\"; expected a path in quotes, with {participant}, \
         {session}, {task}, {run} or {stem} to be filled in; did you mean '{participant}'?"
    );
    assert_eq!(
        scans("bids = \"a\"\ncsf = \"}{run.txt\""),
        "work/study.toml line 3: scans.csf is \"}{run.txt\"; expected a path in quotes, with {participant}, {session}, \
         {task}, {run} or {stem} to be filled in"
    );
    assert_eq!(
        scans("bids = \"a\"\nwhere = { tsk = \"rest\" }"),
        "work/study.toml line 3: unknown key 'scans.where.tsk'; did you mean 'task'?"
    );
    assert_eq!(
        scans("bids = \"a\"\nwhere = { task = \"at rest\" }"),
        "work/study.toml line 3: scans.where.task is { task = \"at rest\" }; expected a label of letters and digits in \
         quotes, as in { task = \"rest\" }"
    );
    assert_eq!(
        scans("bids = \"a\"\nwhere = \"rest\""),
        "work/study.toml line 3: scans.where is \"rest\"; expected BIDS entities with their labels, as in { task = \
         \"rest\" }"
    );
}

#[test]
fn all_problems_come_out_together_in_line_order() {
    let text = "[censor]\nfd_mm = -1\nafter = \"x\"\n[clean]\nmotion_trms = 6\n[scans]\n";
    assert_eq!(
        message(text),
        "work/study.toml line 2: censor.fd_mm is -1; expected a number of mm, 0 or more (0 turns it off)\n\
         work/study.toml line 3: censor.after is \"x\"; expected a whole number of frames, 0 or more\n\
         work/study.toml line 5: unknown key 'clean.motion_trms'; did you mean 'motion_terms'?\n\
         work/study.toml line 6: [scans] has neither 'table' nor 'bids'; name a scan table or a BIDS dataset\n\
         work/study.toml: parcels is missing; give at least one [[parcels]] block with the name and image of an atlas"
    );
}

#[test]
fn syntax_errors_name_their_line() {
    let found = message("[censor]\nfd_mm = \n");
    assert!(found.starts_with("work/study.toml line 2: not valid TOML: "), "{found}");
    let found = message("[censor]\nafter = 1\nafter = 2\n");
    assert!(found.contains("line 3: not valid TOML: duplicate key"), "{found}");
}

proptest::proptest! {
    /// Whatever the text, reading gives a study or problems, never a panic.
    #[test]
    fn any_text_is_answered(lines in proptest::collection::vec("[\\[\\]a-z_=\" 0-9{}.,#-]{0,30}", 0..8)) {
        let text = lines.join("\n");
        if let Err(e) = parse(&text) {
            proptest::prop_assert!(!e.to_string().is_empty());
        }
    }
}
