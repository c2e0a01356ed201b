//! `keepstill stack` for the modeler: equal minutes, matched groups, reliability, standard errors, edge tests. Their
//! numbers are held against numpy, statsmodels and R in `tests/reference/test_model.py`; here is what they take, leave
//! out, write and leave alone.

use std::collections::BTreeMap;
use std::io::Cursor;

use ndarray::Array2;
use ndarray_npy::ReadNpyExt;
use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};

pub const NAME: &str = "atlas-tern5_desc-pearson";
const EVERYTHING: [&str; 14] = [
    "--equal-minutes",
    "2",
    "--draw",
    "4",
    "--reliability",
    "--standard-errors",
    "--resamples",
    "20",
    "--test",
    "z ~ age_months + sex",
    "--permutations",
    "30",
    "--fisher-z",
    "--all",
];

/// Finished children with two runs of 60 frames of 2 s.
pub fn finished(children: usize) -> Folder {
    let settings = "\n[connectivity]\nmeasures = [\"pearson\", \"covariance\"]\n".to_owned();
    let folder = Tiny { children, runs: 2, frames: 60, settings, ..Tiny::default() }.build();
    folder.run(&["-q"]).expect(0);
    folder
}

pub fn stack(folder: &Folder, arguments: &[&str]) -> String {
    folder.keepstill(&[&["stack", "results"], arguments].concat()).expect(0).stdout
}

pub fn stacked(folder: &Folder, name: &str) -> Vec<Vec<String>> {
    cells(&folder.read(&format!("results/stack/{name}")))
}

pub fn column(table: &[Vec<String>], name: &str) -> Vec<String> {
    let at = table[0].iter().position(|column| column == name).unwrap_or_else(|| panic!("no column {name}"));
    table[1..].iter().map(|row| row[at].clone()).collect()
}

pub fn array(folder: &Folder, name: &str) -> Array2<f32> {
    Array2::read_npy(Cursor::new(folder.bytes(&format!("results/stack/{name}.npy")))).unwrap()
}

pub fn about(folder: &Folder) -> Value {
    serde_json::from_str(&folder.read("results/stack/stack.json")).unwrap()
}

pub fn names(folder: &Folder) -> Vec<String> {
    folder.files("results/stack").into_iter().map(|(name, _)| name).collect()
}

pub fn set_column(folder: &Folder, column: &str, values: &[&str]) {
    let mut table = cells(&folder.read("results/cohort.tsv"));
    let at = table[0].iter().position(|known| known == column).unwrap_or_else(|| {
        table.iter_mut().for_each(|row| row.push(column.to_owned()));
        table[0].len() - 1
    });
    table[1..].iter_mut().zip(values).for_each(|(row, value)| row[at] = (*value).to_owned());
    folder.write("results/cohort.tsv", &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
}

#[test]
fn all_minutes_give_the_childrens_own_matrices() {
    let folder = finished(3);
    stack(&folder, &["--as", "npy,tsv"]);
    let plain: BTreeMap<String, Vec<u8>> = folder.files("results/stack").into_iter().collect();
    let minutes = column(&stacked(&folder, "children.tsv"), "minutes_kept");
    assert!(minutes.iter().all(|m| *m == minutes[0]), "{minutes:?}");
    let kept: f64 = minutes[0].parse().unwrap();
    // Minutes in a table are 32-bit floats; the choice forgives less than a frame.
    stack(&folder, &["--as", "npy,tsv", "--equal-minutes", &format!("{:.3}", kept + 0.001)]);
    let table = stacked(&folder, "children.tsv");
    assert_eq!(column(&table, "frames_used"), column(&table, "frames_kept"));
    for measure in ["pearson", "covariance"] {
        for ending in ["_edges.npy", "_matrices.npy", "_edges.tsv"] {
            let start = format!("atlas-tern5_desc-{measure}");
            let found =
                names(&folder).into_iter().find(|n| n.starts_with(&format!("{start}Equal")) && n.ends_with(ending));
            let found = folder.bytes(&format!("results/stack/{}", found.unwrap()));
            assert_eq!(found, plain[&format!("{start}{ending}")], "{measure} {ending}");
        }
    }
    // Files that an earlier stack had under other names are gone.
    assert!(!names(&folder).contains(&format!("{NAME}_edges.npy")));
    stack(&folder, &[]);
    assert!(names(&folder).iter().all(|name| !name.contains("Equal")));
}

#[test]
fn children_with_less_are_left_out_and_the_others_have_as_many_frames() {
    let folder = finished(3);
    stack(&folder, &["--equal-minutes", "2"]);
    let table = stacked(&folder, "children.tsv");
    assert_eq!(column(&table, "frames_used"), ["60"; 3]);
    assert_eq!(column(&table, "minutes_used"), ["2"; 3]);
    assert_eq!(about(&folder)["equal_minutes"]["minutes"], 2.0);
    assert_eq!(about(&folder)["equal_minutes"]["frames_per_child"], serde_json::json!([60, 60]));
    let said = folder.keepstill(&["stack", "results", "--equal-minutes", "30"]).expect(1).stderr;
    assert!(
        said.contains("no child of 3 is left to stack (3 less_than_equal_minutes); ask for fewer --equal-minutes"),
        "{said}"
    );
    // The stack before is still there.
    assert!(names(&folder).contains(&format!("{NAME}Equal2_edges.npy")));
}

#[test]
fn what_is_drawn_depends_on_the_seed_and_the_child_alone() {
    let folder = finished(3);
    let draw = |seed: &str, more: &[&str]| {
        stack(&folder, &[&["--equal-minutes", "1.5", "--draw", seed], more].concat());
        array(&folder, &format!("{NAME}Equal1p5_edges"))
    };
    let first = draw("1", &[]);
    assert_eq!(format!("{first:?}"), format!("{:?}", draw("1", &[])));
    let alone = draw("1", &["--where", "participant_id=sub-03"]);
    assert_eq!(format!("{:?}", alone.row(0)), format!("{:?}", first.row(2)));
    // Of eight blocks three are drawn: one other seed may well draw the same.
    let others = ["2", "3", "4"].map(|seed| draw(seed, &[]));
    for child in 0..3 {
        let differs = |other: &&Array2<f32>| format!("{:?}", first.row(child)) != format!("{:?}", other.row(child));
        assert!(others.iter().filter(differs).count() >= 2, "{child}");
    }
}

#[test]
fn results_are_the_same_with_any_number_of_threads() {
    let folder = finished(6);
    let with = |threads: &str| {
        let arguments = [&["stack", "results"], EVERYTHING.as_slice()].concat();
        let ran = folder.command(&arguments).env("RAYON_NUM_THREADS", threads).output().unwrap();
        assert!(ran.status.success(), "{}", String::from_utf8_lossy(&ran.stderr));
        folder.files("results/stack")
    };
    let one = with("1");
    for threads in ["2", "5"] {
        let other = with(threads);
        assert_eq!(one.len(), other.len());
        for ((name, a), (other, b)) in one.iter().zip(&other) {
            assert!(name == other && a == b, "{name} with {threads} threads");
        }
    }
    let start = format!("{NAME}Equal2");
    for file in [
        format!("{start}Z_edges.npy"),
        format!("{start}_standard_errors.npy"),
        format!("{start}_test.tsv"),
        format!("{start}_coefficient-age_months_p_familywise.npy"),
        "reliability.tsv".to_owned(),
        "agreement_summary.tsv".to_owned(),
        "test.json".to_owned(),
    ] {
        assert!(one.iter().any(|(name, _)| *name == file), "{file}");
    }
    // A plain stack leaves none of them.
    stack(&folder, &[]);
    let left = names(&folder);
    assert!(
        left.iter()
            .all(|name| !["equal", "reliab", "agree", "test", "errors", "coeff"].iter().any(|w| name.contains(w))),
        "{left:?}"
    );
}

#[test]
fn groups_are_matched_by_motion_and_who_is_left_out_is_told() {
    let folder = finished(6);
    set_column(&folder, "mean_fd_mm", &["0.1", "0.12", "0.3", "0.31", "0.9", "n/a"]);
    set_column(&folder, "group", &["a", "b", "a", "b", "a", "b"]);
    let said = stack(&folder, &["--match", "motion-pairs", "--caliper", "0.05"]);
    assert_eq!(column(&stacked(&folder, "children.tsv"), "stem"), ["sub-01", "sub-02", "sub-03", "sub-04"]);
    let left = stacked(&folder, "left_out.tsv");
    assert_eq!(column(&left, "reason"), ["match_no_partner", "match_no_motion"]);
    assert_eq!(column(&left, "detail")[0], "group a, mean_fd_mm 0.900: no partner left within 0.050 mm");
    assert!(
        said.contains("  before: a 3 children 0.433 mm (SD 0.416), b 2 children 0.215 mm (SD 0.134); Welch p 0."),
        "{said}"
    );
    assert!(
        said.contains("  after: a 2 children 0.200 mm (SD 0.141), b 2 children 0.215 mm (SD 0.134); Welch p 0.9"),
        "{said}"
    );
    assert_eq!(about(&folder)["match"]["after"]["groups"][1]["children"], 2);
    let said = stack(&folder, &["--match", "motion-pairs", "--caliper", "0.015", "--group", "sex"]);
    assert!(said.starts_with("2 of 6 children"), "{said}");
    let said =
        folder.keepstill(&["stack", "results", "--match", "motion-pairs", "--caliper", "0.001"]).expect(1).stderr;
    assert!(said.contains("(5 match_no_partner, 1 match_no_motion)"), "{said}");
}

#[test]
fn groups_of_different_size_are_matched_in_their_means() {
    let folder = finished(6);
    set_column(&folder, "mean_fd_mm", &["0.1", "0.12", "0.2", "0.16", "0.9", "n/a"]);
    set_column(&folder, "group", &["a", "b", "a", "b", "a", "b"]);
    // Without the most restless of a its mean is 0.15, that of b 0.14: of an SD within groups of 0.31 mm a tenth is
    // enough.
    let said = stack(&folder, &["--match", "motion"]);
    let left = stacked(&folder, "left_out.tsv");
    assert_eq!(column(&left, "reason"), ["match_moves_more", "match_no_motion"]);
    assert_eq!(
        column(&left, "detail")[0],
        "group a, mean_fd_mm 0.900: left out of a group that moves more, to bring the means within 0.031 mm"
    );
    assert!(said.contains("Mean FD by group, means within 0.0309 mm (0.1 of the SD within groups before):"), "{said}");
    assert_eq!(about(&folder)["match"]["alike"], "motion");
    assert_eq!(about(&folder)["match"]["caliper_of_sd"], 0.1);
    let said =
        folder.keepstill(&["stack", "results", "--match", "motion", "--group", "participant_id"]).expect(1).stderr;
    assert!(said.contains("no group has two children") && said.contains("give --caliper MM"), "{said}");
}

#[test]
fn edges_that_a_child_lacks_have_no_standard_error_and_no_test() {
    let folder = finished(5);
    let options = ["--standard-errors", "--resamples", "10", "--test", "z ~ age_months"];
    stack(&folder, &options);
    let (errors, edges) =
        (array(&folder, &format!("{NAME}_standard_errors")), array(&folder, &format!("{NAME}_edges")));
    assert_eq!(errors.dim(), edges.dim());
    assert!(errors.iter().zip(&edges).all(|(e, r)| e.is_nan() == r.is_nan() && (e.is_nan() || *e > 0.0)));
    assert_eq!(errors.iter().filter(|e| e.is_nan()).count(), 4 * 5);
    let test = stacked(&folder, &format!("{NAME}_test.tsv"));
    let not = column(&test, "age_months_t").iter().filter(|t| *t == "n/a").count();
    assert_eq!((test.len() - 1, not), (10, 4));
    assert_eq!(about(&folder)["test"]["arrays"][0]["edges_not_available"], 4);
    // Without the parcel the others have the same.
    stack(&folder, &[options.as_slice(), &["--missing", "drop-parcel"]].concat());
    let fewer = array(&folder, &format!("{NAME}_standard_errors"));
    let kept: Vec<f32> = errors.iter().copied().filter(|e| !e.is_nan()).collect();
    assert_eq!(fewer.iter().copied().collect::<Vec<f32>>(), kept);
    assert_eq!(stacked(&folder, &format!("{NAME}_test.tsv")).len(), 7);
}

#[test]
fn children_without_a_cell_are_named_and_stay_in_the_stack() {
    let folder = finished(6);
    set_column(&folder, "age_months", &["6", "n/a", "18", "24", "30", "36"]);
    let ran = folder.keepstill(&["stack", "results", "--test", "z ~ age_months", "--permutations", "19"]).expect(0);
    assert!(ran.stderr.contains("not in the test because of empty cells: 1 of the stack"), "{}", ran.stderr);
    assert!(ran.stderr.contains("covariance is not a correlation and is not tested"), "{}", ran.stderr);
    assert!(ran.stdout.contains("Test z ~ age_months: 5 children, 3 degrees of freedom"), "{}", ran.stdout);
    let test: Value = serde_json::from_str(&folder.read("results/stack/test.json")).unwrap();
    assert_eq!(test["left_out"], serde_json::json!([{ "stem": "sub-02", "empty": ["age_months"] }]));
    assert_eq!(array(&folder, &format!("{NAME}_edges")).nrows(), 6);
    // Of 19 permutations the smallest p is 1/20.
    let p = column(&stacked(&folder, &format!("{NAME}_test.tsv")), "age_months_p_familywise");
    assert!(p.iter().filter(|p| *p != "n/a").all(|p| p.parse::<f64>().unwrap() >= 0.05), "{p:?}");
}

#[test]
fn a_planted_difference_is_found() {
    let folder = finished(12);
    // A group that moved and differs: made in the children's own matrices.
    let stems: Vec<String> = (1..=12).map(|child| format!("sub-{child:02}")).collect();
    for (child, stem) in stems.iter().enumerate() {
        let name = format!("results/{stem}/func/{stem}_{NAME}_matrix.tsv");
        let mut table = cells(&folder.read(&name));
        let noise = ((child * 7) % 5) as f64 / 100.0;
        let r = format!("{:.3}", if child % 2 == 0 { 0.2 } else { 0.6 } + noise);
        table[1][2].clone_from(&r);
        table[2][1] = r;
        folder.write(&name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
    }
    stack(&folder, &["--test", "z ~ sex", "--permutations", "200"]);
    let table = stacked(&folder, &format!("{NAME}_test.tsv"));
    // Even children, counted from 1, are f, which is the reference.
    let estimate: f64 = column(&table, "sexm_estimate")[0].parse().unwrap();
    assert!((estimate - (0.21_f64.atanh() - 0.62_f64.atanh())).abs() < 0.03, "{estimate}");
    assert!(column(&table, "sexm_p_familywise")[0].parse::<f64>().unwrap() < 0.05);
    let t = array(&folder, &format!("{NAME}_coefficient-sexm_t"));
    assert!(t[[0, 1]] < -10.0 && t[[0, 1]] == t[[1, 0]] && t[[0, 0]].is_nan());
}

#[test]
fn a_site_without_a_parcel_takes_away_its_own_coefficient_alone() {
    let folder = finished(12);
    // Site b is half of the children: an edge that fewer have is not tested.
    let sites = ["a", "b", "b", "c"].repeat(3);
    set_column(&folder, "site", &sites);
    let fd: Vec<String> = (0..12).map(|child| format!("{:.2}", 0.1 + f64::from(child * child % 7) / 50.0)).collect();
    set_column(&folder, "mean_fd_mm", &fd.iter().map(String::as_str).collect::<Vec<_>>());
    let test = ["--test", "z ~ age_months + site + mean_fd_mm", "--permutations", "30"];
    let lose = |site: &str| {
        for (child, _) in sites.iter().enumerate().filter(|(_, own)| **own == site) {
            let stem = format!("sub-{:02}", child + 1);
            let name = format!("results/{stem}/func/{stem}_{NAME}_matrix.tsv");
            let mut table = cells(&folder.read(&name));
            table[1][1..].fill("n/a".to_owned());
            table.iter_mut().skip(1).for_each(|row| row[1] = "n/a".to_owned());
            folder.write(&name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
        }
        let ran = folder.keepstill(&[&["stack", "results"], test.as_slice()].concat()).expect(0);
        let told: Value = serde_json::from_str(&folder.read("results/stack/test.json")).unwrap();
        (ran.stderr, told["arrays"][0].clone())
    };
    // Nobody has the fifth parcel: of 10 edges 6 are there. Children of site c lack the first, which 3 of these have.
    let (said, array) = lose("c");
    assert_eq!((&array["edges"], &array["edges_not_available"]), (&10.into(), &4.into()));
    assert_eq!(array["edges_in_part"], 3);
    let of = |array: &Value, key: &str| -> Vec<(String, u64)> {
        let coefficients = array["coefficients"].as_array().unwrap();
        coefficients.iter().map(|c| (c["name"].as_str().unwrap().to_owned(), c[key].as_u64().unwrap())).collect()
    };
    let expected = |counts: [u64; 4]| -> Vec<(String, u64)> {
        ["age_months", "siteb", "sitec", "mean_fd_mm"].map(str::to_owned).into_iter().zip(counts).collect()
    };
    assert_eq!(of(&array, "edges_tested"), expected([6, 6, 3, 6]));
    assert_eq!(of(&array, "family"), expected([6, 6, 3, 6]));
    let note =
        "atlas-tern5_desc-pearson: on 3 of 10 edges the children that have them do not determine every coefficient";
    assert!(said.contains(note), "{said}");
    assert!(about(&folder)["notes"].as_array().unwrap().iter().any(|n| n.as_str().unwrap().starts_with(note)));
    let table = stacked(&folder, &format!("{NAME}_test.tsv"));
    // Of the first edge: 9 children, an intercept, age, site b and motion.
    assert_eq!(
        (&table[1][3..5], column(&table, "sitec_se")[0].as_str()),
        (&["9".to_owned(), "5".to_owned()][..], "n/a")
    );
    assert!(column(&table, "siteb_p")[0].parse::<f64>().unwrap() <= 1.0);
    // Permuted among the children who have it; site c is not there.
    assert!(column(&table, "siteb_p_familywise")[0].parse::<f64>().unwrap() <= 1.0);
    assert_eq!(column(&table, "sitec_p_familywise")[0], "n/a");
    // Site a, the reference, lacks it too: children of b alone are left, of no site and no intercept that could be
    // told.
    let (_, array) = lose("a");
    assert_eq!(of(&array, "edges_tested"), expected([6, 3, 3, 6]));
    assert!(column(&stacked(&folder, &format!("{NAME}_test.tsv")), "intercept_estimate")[0] == "n/a");
}

#[test]
fn what_to_know_of_a_model_is_told() {
    let folder = finished(6);
    set_column(&folder, "mean_fd_mm", &["0.1", "0.12", "0.11", "0.13", "0.14", "0.1"]);
    set_column(&folder, "group", &["a", "b", "a", "b", "a", "b"]);
    set_column(&folder, "ses", &["1", "2", "N/A", "4", "7", "6"]);
    let said = |more: &[&str]| folder.keepstill(&[&["stack", "results"], more].concat()).expect(0).stderr;
    let (motion, broken) = ("there is no motion in the model", "the match need not hold");
    let few = "the smallest possible family-wise p is 0.050, so none can be below 0.05";
    let plain = said(&["--test", "z ~ ses", "--permutations", "19"]);
    assert!(plain.contains(motion) && plain.contains(few) && !plain.contains(broken), "{plain}");
    assert!(plain.contains("not in the test because of empty cells: 1 of the stack"), "{plain}");
    let with = said(&["--test", "z ~ ses + max_fd_mm", "--permutations", "20"]);
    assert!(!with.contains(motion) && !with.contains("smallest possible family-wise p"), "{with}");
    let matched = said(&["--test", "z ~ ses", "--match", "motion", "--caliper", "0.1"]);
    assert!(!matched.contains(motion) && matched.contains(broken), "{matched}");
    let whole = said(&["--test", "z ~ age_months", "--match", "motion", "--caliper", "0.1"]);
    assert!(!whole.contains(motion) && !whole.contains(broken), "{whole}");
    // A mean alone compares nobody with anybody.
    assert!(!said(&["--test", "z ~ 1"]).contains(motion));
}

#[test]
fn a_stack_of_too_few_frames_is_refused_and_enough_is_told() {
    let folder = finished(3);
    stack(&folder, &["--equal-minutes", "1"]);
    // TR 2 s: 0.01 min are no frame, 0.12 min three.
    for (minutes, frames) in [("0.01", 0), ("0.07", 2), ("0.12", 3)] {
        let said = folder.keepstill(&["stack", "results", "--equal-minutes", minutes]).expect(1).stderr;
        let expected = format!(
            "sub-01: --equal-minutes {minutes} gives {frames} kept frames, and a correlation needs 4 to have a \
            standard error; ask for at least 0.14"
        );
        assert!(said.contains(&expected), "{said}");
    }
    // The stack before is still there; what is told is enough.
    assert!(names(&folder).contains(&format!("{NAME}Equal1_edges.npy")));
    stack(&folder, &["--equal-minutes", "0.14"]);
    let edges = array(&folder, &format!("{NAME}Equal0p14_edges"));
    assert!(edges.iter().filter(|r| !r.is_nan()).all(|r| r.abs() < 0.9999), "{edges}");
    // Drawn blocks of two runs: three frames of each are five that tell something, two of each only three.
    let drawn = folder.keepstill(&["stack", "results", "--equal-minutes", "0.1", "--draw", "1"]).expect(1).stderr;
    assert!(drawn.contains("gives 3 kept frames"), "{drawn}");
}

#[test]
fn less_than_the_study_asks_for_is_noted() {
    // The study asks for 0.5 min.
    let folder = finished(2);
    let few = folder.keepstill(&["stack", "results", "--equal-minutes", "0.4"]).expect(0).stderr;
    assert!(few.contains("--equal-minutes 0.4 is less than the 0.50 min that the study requires per child"), "{few}");
    let enough = folder.keepstill(&["stack", "results", "--equal-minutes", "0.5"]).expect(0).stderr;
    assert!(!enough.contains("that the study requires"), "{enough}");
    assert!(!enough.contains("repetition times"), "{enough}");
}

#[test]
fn unlike_repetition_times_are_noted() {
    let folder = Tiny { children: 3, frames: 120, ..Tiny::default() }.build();
    // pixdim[4] of NIfTI-1.
    folder.patch("bold_02.nii", 92, &1.0_f32.to_le_bytes());
    folder.run(&["-q"]).expect(0);
    let said = folder.keepstill(&["stack", "results", "--equal-minutes", "1.5"]).expect(0).stderr;
    let expected = "repetition times range from 1 to 2 s, so the same minutes are 45 to 90 frames per child";
    assert!(said.contains(expected), "{said}");
    assert_eq!(column(&stacked(&folder, "children.tsv"), "frames_used"), ["45", "90", "45"]);
    let alike = ["stack", "results", "--equal-minutes", "1.5", "--where", "tr_s=2"];
    assert!(!folder.keepstill(&alike).expect(0).stderr.contains("repetition times"));
}

#[test]
fn standard_errors_come_in_every_format_and_go_with_the_stack() {
    let folder = finished(3);
    let options = ["--standard-errors", "--resamples", "5", "--as", "npy,tsv,mat,parquet"];
    let said = stack(&folder, &options);
    let files = ["npy", "tsv", "parquet", "mat"].map(|ending| format!("{NAME}_standard_errors.{ending}"));
    let found = names(&folder);
    assert!(files.iter().all(|file| found.contains(file) && said.contains(file.as_str())), "{found:?} {said}");
    let told = about(&folder)["standard_errors"].clone();
    assert_eq!(told["block_s"], 60.0);
    let of_pearson = told["arrays"].as_array().unwrap().iter().find(|array| array["measure"] == "pearson").unwrap();
    let in_json: Vec<&str> =
        of_pearson["files"].as_array().unwrap().iter().map(|file| file["file"].as_str().unwrap()).collect();
    assert_eq!(in_json.iter().collect::<std::collections::BTreeSet<_>>().len(), 4);
    assert!(files.iter().all(|file| in_json.contains(&file.as_str())), "{in_json:?}");
    // Text and array hold the same.
    let errors = array(&folder, &format!("{NAME}_standard_errors"));
    let text = stacked(&folder, &files[1]);
    let number = |cell: &String| if cell == "n/a" { f32::NAN } else { cell.parse().unwrap() };
    let of_text: Vec<f32> = text[1..].iter().flat_map(|row| row[1..].iter().map(number)).collect();
    assert_eq!(format!("{of_text:?}"), format!("{:?}", errors.iter().collect::<Vec<_>>()));
    // Other blocks, other errors; and the next stack takes all of them away.
    stack(&folder, &["--standard-errors", "--resamples", "5", "--block-seconds", "20", "--as", "tsv"]);
    assert_ne!(stacked(&folder, &files[1]), text);
    assert_eq!(about(&folder)["standard_errors"]["block_s"], 20.0);
    assert!(!names(&folder).contains(&files[3]));
    stack(&folder, &[]);
    assert!(!names(&folder).iter().any(|name| name.contains("standard_errors")));
    let wrong = folder.keepstill(&["stack", "results", "--standard-errors", "--block-seconds", "0"]).expect(2).stderr;
    assert!(wrong.contains("expected seconds above 0"), "{wrong}");
}

#[test]
fn the_curve_is_drawn_where_minutes_are() {
    let folder = finished(3);
    let curve = |options: &[&str]| {
        stack(&folder, &[&["--reliability", "--equal-minutes", "3.5"], options].concat());
        (stacked(&folder, "agreement.tsv"), about(&folder)["reliability"]["curve_of"].as_str().unwrap().to_owned())
    };
    let (earliest, of) = curve(&[]);
    assert_eq!(of, "the earliest minutes");
    let (drawn, of) = curve(&["--draw", "2"]);
    assert_eq!(of, "blocks drawn, as for the equal data");
    assert_eq!(column(&earliest, "minutes_asked"), column(&drawn, "minutes_asked"));
    assert_ne!(column(&earliest, "r"), column(&drawn, "r"));
    let (other, _) = curve(&["--draw", "3"]);
    assert_ne!(column(&other, "r"), column(&drawn, "r"));
}
