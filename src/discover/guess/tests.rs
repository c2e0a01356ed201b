mod further;

use std::io::Write as _;

use std::path::PathBuf;

use super::files::Kind;
use super::folder::relative;
use super::quoting::quoted;
use super::sections::NEITHER_FOUND;
use super::*;
use crate::discover::{Cohort, discover};
use crate::study::Study;

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

    fn write(&self, name: &str, bytes: &[u8]) {
        let path = self.path(name);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, bytes).unwrap();
    }

    /// An image of which only the header's axes are there.
    fn image(&self, name: &str, axes: &[i16]) {
        let mut header = vec![0_u8; 352];
        header[..4].copy_from_slice(&348_i32.to_be_bytes());
        let count = i16::try_from(axes.len()).unwrap();
        for (i, axis) in std::iter::once(&count).chain(axes).enumerate() {
            header[40 + 2 * i..42 + 2 * i].copy_from_slice(&axis.to_be_bytes());
        }
        if name.ends_with(".gz") {
            let mut gz = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            gz.write_all(&header).unwrap();
            header = gz.finish().unwrap();
        }
        self.write(name, &header);
    }

    fn numbers(&self, name: &str, header: &str, rows: usize, row: &str) {
        self.write(name, format!("{header}{}", format!("{row}\n").repeat(rows)).as_bytes());
    }

    fn guess(&self, data: &str) -> Guess {
        self.wish(data, false)
    }

    fn wish(&self, data: &str, table: bool) -> Guess {
        guess(&self.path(data), &self.path("work"), &Wishes { table_name: "runs.tsv".to_owned(), table }).unwrap()
    }

    fn refused(&self, data: &str) -> String {
        let wishes = Wishes { table_name: "runs.tsv".to_owned(), table: false };
        let message = guess(&self.path(data), &self.path("work"), &wishes).unwrap_err().to_string();
        message.replace(&self.folder.path().display().to_string(), "DIR")
    }

    /// What the guessed study file finds, when written beside its table; with an atlas where none was found.
    fn found(&self, guess: &Guess) -> Cohort {
        std::fs::create_dir_all(self.path("work")).unwrap();
        if let Some(table) = &guess.scan_table {
            std::fs::write(self.path("work/runs.tsv"), table).unwrap();
        }
        let mut text = guess.study_toml.clone();
        if !text.contains("\n[[parcels]]") {
            text.push_str("[[parcels]]\nname = \"a\"\nimage = \"a.nii\"\n");
        }
        discover(&Study::parse(&text, &self.path("work/study.toml")).unwrap()).unwrap()
    }
}

fn ids(cohort: &Cohort) -> Vec<String> {
    cohort.scans.iter().map(|scan| scan.id.to_string()).collect()
}

fn no_problems(cohort: &Cohort) {
    for scan in &cohort.scans {
        assert_eq!(scan.problems, [], "{}", scan.id);
    }
}

const RUN: [i16; 4] = [4, 4, 4, 30];
const VOLUME: [i16; 3] = [4, 4, 4];

#[test]
fn loose_files_become_a_scan_table_that_works() {
    let f = Fixture::new();
    for child in ["a", "b"] {
        for run in [1, 2] {
            let stem = format!("data/sub-{child}/sub-{child}_run-{run}");
            f.image(&format!("{stem}_scan.nii.gz"), &RUN);
            f.numbers(&format!("{stem}_motion.txt"), "", 30, "0.1 0.2 0.3 1.5 -3 0.2");
            f.numbers(&format!("{stem}_pulse.txt"), "", 30, "1 2");
        }
        f.image(&format!("data/sub-{child}/sub-{child}_T1.nii.gz"), &VOLUME);
        f.image(&format!("data/sub-{child}/sub-{child}_desc-brain_mask.nii.gz"), &VOLUME);
        f.image(&format!("data/sub-{child}/sub-{child}_white_matter.nii"), &VOLUME);
    }
    f.image("data/sub-b/sub-b_csf.nii", &VOLUME);
    f.image("data/tern_atlas.nii.gz", &VOLUME);
    f.write("data/tern_atlas.tsv", b"index\tname\n1\tx\n");
    f.write("data/participants.tsv", b"participant_id\tage_months\tsex\nsub-a\t3\tF\nsub-b\t14\tM\n");
    let guess = f.guess("data");
    let table = guess.scan_table.clone().unwrap();
    assert_eq!(
        table.lines().nth(1).unwrap(),
        "sub-a\tn/a\trun-1\t../data/sub-a/sub-a_run-1_scan.nii.gz\t../data/sub-a/sub-a_run-1_motion.txt\t\
         ../data/sub-a/sub-a_desc-brain_mask.nii.gz\t../data/sub-a/sub-a_white_matter.nii\tn/a"
    );
    assert_eq!(table.lines().count(), 5);
    for line in [
        "tissue_means = [\"white_matter\"]",
        "columns       = [1, 2, 3, 4, 5, 6]",
        "rotation_unit = \"deg\"",
        "age_column = \"age_months\"",
        "age_unit   = \"months\"",
        "name   = \"ternatlas\"",
        "labels = \"../data/tern_atlas.tsv\"",
    ] {
        assert!(guess.study_toml.contains(line), "{line}\n{}", guess.study_toml);
    }
    assert_eq!(
        guess.notes,
        [
            "4 runs of 2 children among loose files",
            "ages are in column 'age_months', taken as months (by the column's name)",
            "rotations are turned into mm by each child's own head size, by age (motion.sphere_radius)",
            "sex is in column 'sex'",
            "2 children in ../data/participants.tsv",
            "motion tables have no header: columns 1 to 3 are taken as translations, 4 to 6 as rotations",
            "rotations reach 3, so they are taken as degrees",
            "not every scan has masks of white matter and csf, so means of a tissue without them are not removed",
            "../data/tern_atlas.nii.gz is taken for the atlas because of its name",
            NEITHER_FOUND,
        ]
    );
    let cohort = f.found(&guess);
    no_problems(&cohort);
    assert_eq!(ids(&cohort), ["sub-a_run-1", "sub-a_run-2", "sub-b_run-1", "sub-b_run-2"]);
    assert_eq!(cohort.children.of("b", None).unwrap().age_months, Some(14.0));
}

#[test]
fn children_are_told_by_folder_or_file_name() {
    let f = Fixture::new();
    f.image("data/anna/first.nii", &RUN);
    f.image("data/anna/second.hdr", &RUN);
    f.image("data/ben_2/first.nii", &RUN);
    let guess = f.guess("data");
    assert_eq!(ids(&f.found(&guess)), ["sub-anna_run-1", "sub-anna_run-2", "sub-ben2"]);
    assert!(guess.study_toml.contains("CHOOSE: no atlas was found"));
    assert!(guess.notes.contains(&"no motion tables were found: head motion is measured from the images".to_owned()));

    let f = Fixture::new();
    f.image("data/scans/anna.nii", &RUN);
    f.image("data/scans/ben.nii", &RUN);
    assert_eq!(ids(&f.found(&f.guess("data"))), ["sub-anna", "sub-ben"]);
}

#[test]
fn images_are_told_by_name_and_axes() {
    let f = Fixture::new();
    let cases: [(&str, &[i16], Kind); 11] = [
        ("rest1.nii", &RUN, Kind::Run(Some(30))),
        ("part2_scan.nii.gz", &RUN, Kind::Run(Some(30))),
        ("rest3.nii", &VOLUME, Kind::Other),
        ("a_T1w.nii", &RUN, Kind::Other),
        ("a_label-brain_mask.nii", &VOLUME, Kind::BrainMask),
        ("a_label-WM_mask.nii", &VOLUME, Kind::WhiteMatter),
        ("white.nii", &VOLUME, Kind::WhiteMatter),
        ("a_ventricles.nii", &VOLUME, Kind::Csf),
        ("labels.nii", &VOLUME, Kind::Atlas),
        ("atlas_mask.nii", &VOLUME, Kind::Atlas),
        ("a_dseg.nii", &VOLUME, Kind::Atlas),
    ];
    for (name, axes, kind) in cases {
        f.image(name, axes);
        let images = files::images(&[f.path(name)]);
        assert_eq!(images[0].kind, kind, "{name}");
    }
    f.write("broken.nii", b"short");
    assert_eq!(files::images(&[f.path("broken.nii")])[0].kind, Kind::Run(None));
    // NIfTI-2: eight 64-bit axes at byte 16.
    let mut header = vec![0_u8; 544];
    header[..4].copy_from_slice(&540_i32.to_le_bytes());
    for (i, axis) in [4_i64, 3, 3, 3, 12].iter().enumerate() {
        header[16 + 8 * i..24 + 8 * i].copy_from_slice(&axis.to_le_bytes());
    }
    f.write("two.nii", &header);
    assert_eq!(files::images(&[f.path("two.nii")])[0].kind, Kind::Run(Some(12)));
}

#[test]
fn single_volumes_are_no_runs() {
    let f = Fixture::new();
    f.image("data/anna.nii", &VOLUME);
    f.image("data/ben.nii.gz", &[4, 4, 4, 1]);
    assert_eq!(
        f.refused("data"),
        "DIR/data holds no 4-D image (.nii, .nii.gz or .hdr with .img); name the folder that holds the scans"
    );
    assert_eq!(f.refused("none"), "DIR/none is not a folder; name the folder that holds the scans");
}

#[test]
fn a_dataset_becomes_patterns_that_work() {
    let f = Fixture::new();
    f.write("ds/dataset_description.json", b"{}");
    f.write("ds/task-rest_bold.json", b"{\"RepetitionTime\": 2}");
    let header = "shift_x\tshift_y\tshift_z\tturn_x\tturn_y\tturn_z\n";
    for (folder, stem) in [
        ("sub-a/ses-1", "sub-a_ses-1_task-rest"),
        ("sub-a/ses-2", "sub-a_ses-2_task-rest"),
        ("sub-b", "sub-b_task-rest_run-1"),
    ] {
        f.image(&format!("ds/{folder}/func/{stem}_bold.nii.gz"), &RUN);
        f.image(&format!("ds/{folder}/func/{}_bold.nii.gz", stem.replace("rest", "film")), &RUN);
        f.numbers(&format!("ds/{folder}/func/{stem}_headmotion.tsv"), header, 30, "0\t0\t0\t0.1\t0\t0");
        f.image(&format!("ds/derivatives/masks/{folder}/{stem}_desc-brain_mask.nii.gz"), &VOLUME);
        f.image(&format!("ds/derivatives/masks/{folder}/{stem}_label-WM_mask.nii.gz"), &VOLUME);
        f.image(&format!("ds/derivatives/masks/{folder}/{stem}_label-CSF_mask.nii.gz"), &VOLUME);
    }
    f.write("ds/participants.tsv", b"participant_id\tage\na\t3\nb\t4\n");
    let guess = f.guess("ds");
    assert_eq!(guess.scan_table, None);
    for line in [
        "bids = \"../ds\"",
        "where = { task = \"rest\" }",
        "motion = \"../ds/sub-{participant}/ses-{session}/func/\
         sub-{participant}_ses-{session}_task-{task}_headmotion.tsv\"",
        "columns       = [\"shift_x\", \"shift_y\", \"shift_z\", \"turn_x\", \"turn_y\", \"turn_z\"]",
        "age_unit   = \"years\"       # the BIDS convention",
    ] {
        assert!(guess.study_toml.contains(line), "{line}\n{}", guess.study_toml);
    }
    assert!(!guess.study_toml.contains("rotation_unit"));
    assert!(guess.study_toml.contains("sphere_radius = \"by-age\""), "{}", guess.study_toml);
    let cohort = f.found(&guess);
    assert_eq!(ids(&cohort), ["sub-a_ses-1_task-rest", "sub-a_ses-2_task-rest", "sub-b_task-rest_run-1"]);
    assert_eq!(cohort.scans[0].problems, []);
}

/// One pattern serves scans with and without a run label, since what a scan lacks falls away.
#[test]
fn the_fullest_pattern_serves_all() {
    let f = Fixture::new();
    for stem in ["sub-a_task-rest", "sub-b_task-rest_run-1", "sub-b_task-rest_run-2"] {
        let child = &stem[..5];
        f.image(&format!("ds/{child}/func/{stem}_bold.nii.gz"), &RUN);
        f.numbers(&format!("ds/motion/{stem}_motion.txt"), "", 30, "0 0 0 0.1 0 0");
        f.image(&format!("ds/masks/{stem}_mask.nii.gz"), &VOLUME);
    }
    let guess = f.guess("ds");
    let line = "motion = \"../ds/motion/sub-{participant}_task-{task}_run-{run}_motion.txt\"\n";
    assert!(guess.study_toml.contains(line), "{}", guess.study_toml);
    no_problems(&f.found(&guess));
}

#[test]
fn a_dataset_that_leaves_choices_says_so() {
    let f = Fixture::new();
    for space in ["child", "adult"] {
        f.image(&format!("ds/sub-a/func/sub-a_task-rest_space-{space}_bold.nii.gz"), &RUN);
    }
    let guess = f.guess("ds");
    assert_eq!(
        guess.notes,
        [
            "../ds is a BIDS dataset with 2 runs",
            "some runs exist in several forms (space is \"adult\" or \"child\"): choose with scans.where",
            "no motion tables were found: head motion is measured from the images",
            "no brain masks were found: masks are made from the images, which is second best",
            "not every scan has masks of white matter and csf, so means of a tissue without them are not removed",
            "no atlas was found: fill in the [[parcels]] block of the study file",
            NEITHER_FOUND,
        ]
    );
    assert_eq!(guess.study_toml.matches("# CHOOSE").count(), 2);
    // As it stands, the study file is refused for the atlas alone.
    let message = Study::parse(&guess.study_toml, Path::new("s.toml")).unwrap_err().to_string();
    assert_eq!(
        message,
        "s.toml: parcels is missing; give at least one [[parcels]] block with the name and image of an atlas"
    );
}

#[test]
fn paths_and_texts_are_quoted() {
    assert_eq!(quoted("a\"b\\c\n"), "\"a\\\"b\\\\c\\u000A\"");
    let path = |from, to| relative(Path::new(from), Path::new(to));
    assert_eq!(path("/a/b", "/a/c/d"), "../c/d");
    assert_eq!(path("/a", "/a/c"), "c");
    assert_eq!(path("/a/./b/../b", "/a/b"), ".");
}
