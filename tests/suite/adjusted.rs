//! `keepstill stack --adjust-sites`: every file holds the same adjusted numbers. The adjustment itself is compared with
//! direct numpy in `tests/reference/test_sites.py`.

use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};
use crate::stack::{column, edges, finished, own, set_cell, stacked};

const CHILDREN: usize = 13;
const PAIRS: [(usize, usize); 10] = [(0, 1), (0, 2), (0, 3), (0, 4), (1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4)];
const ADJUST: [&str; 4] = ["--adjust-sites", "nap", "--keep", "age_months"];

/// Children of two sites, who go there in turn; the last has none.
fn two_sites() -> Folder {
    let folder = finished(&Tiny { children: CHILDREN, ..Tiny::default() });
    for child in 0..CHILDREN {
        set_cell(&folder, "results/cohort.tsv", child, "nap", ["bay", "cape"][child % 2]);
    }
    set_cell(&folder, "results/cohort.tsv", CHILDREN - 1, "nap", "n/a");
    folder
}

fn json(folder: &Folder, name: &str) -> Value {
    serde_json::from_str(&folder.read(&format!("results/stack/{name}"))).unwrap()
}

fn numbers(table: &[Vec<String>], name: &str) -> Vec<f64> {
    column(table, name).iter().map(|cell| cell.parse().unwrap_or(f64::NAN)).collect()
}

/// Each child's own values without the effects that the table of sites has, as r.
fn by_hand(folder: &Folder) -> Vec<Vec<f64>> {
    let table = stacked(folder, "atlas-tern5_desc-pearsonAdjusted_sites.tsv");
    let children = stacked(folder, "children.tsv");
    let ages = numbers(&children, "age_months");
    let middle = ages.iter().sum::<f64>() / ages.len() as f64;
    let (sites, stems) = (column(&children, "nap"), column(&children, "stem"));
    let [mean, slope] = ["mean", "slope_age_months"].map(|name| numbers(&table, name));
    let row = |child: usize| {
        let own = own(folder, &stems[child], "pearson");
        let [location, scale] = ["location", "scale"].map(|what| numbers(&table, &format!("{what}_{}", sites[child])));
        let value = |edge: usize| {
            let (i, j) = PAIRS[edge];
            let explained = mean[edge] + slope[edge] * (ages[child] - middle);
            (explained + (f64::from(own[i][j]).atanh() - explained - location[edge]) / scale[edge]).tanh()
        };
        (0..PAIRS.len()).map(value).collect()
    };
    (0..stems.len()).map(row).collect()
}

#[test]
fn arrays_quality_and_tests_hold_the_same_adjusted_numbers() {
    let folder = two_sites();
    let test = ["--test", "r ~ age_months", "--weights", "equal"];
    let said = folder.keepstill(&[&["stack", "results"], &ADJUST[..], &test].concat()).expect(0);
    assert!(said.stdout.contains("12 of 13 children in the stack; left out: 1 adjust_no_site"), "{}", said.stdout);
    assert!(said.stderr.contains("a prediction must fit the adjustment anew inside its folds"), "{}", said.stderr);
    let (found, expected) = (edges(&folder, "atlas-tern5_desc-pearsonAdjusted"), by_hand(&folder));
    let mut changed = 0.0_f64;
    for (child, row) in expected.iter().enumerate() {
        for (edge, &r) in row.iter().enumerate() {
            let got = f64::from(found[[child, edge]]);
            assert!((got - r).abs() < 2e-6 || (got.is_nan() && r.is_nan()), "{child} {edge}: {got} {r}");
            let stem = format!("sub-{:02}", child + 1);
            let (i, j) = PAIRS[edge];
            changed = changed.max((got - f64::from(own(&folder, &stem, "pearson")[i][j])).abs());
        }
    }
    // Otherwise all of the above would hold without adjustment.
    assert!(changed > 0.01, "{changed}");
    // The mean matrix and the test are of these numbers.
    let mean = stacked(&folder, "atlas-tern5_desc-pearsonAdjusted_mean.tsv");
    let z = expected.iter().map(|row| row[0].atanh()).sum::<f64>() / 12.0;
    assert!((mean[1][2].parse::<f64>().unwrap() - z.tanh()).abs() < 1e-5);
    let tested = stacked(&folder, "atlas-tern5_desc-pearsonAdjusted_test.tsv");
    let ages: Vec<f64> = (1..=12).map(|child| 6.0 * f64::from(child)).collect();
    let slope = ages.iter().zip(&expected).map(|(age, row)| (age - 39.0) * row[0]).sum::<f64>()
        / ages.iter().map(|age| (age - 39.0).powi(2)).sum::<f64>();
    let at = tested[0].iter().position(|name| name.contains("age_months") && !name.contains("_p")).unwrap();
    let got: f64 = tested[1][at].parse().unwrap();
    assert!((got / slope - 1.0).abs() < 1e-4, "{}: {got} {slope}", tested[0].join(" "));
}

#[test]
fn files_say_what_was_adjusted() {
    let folder = two_sites();
    folder.keepstill(&[&["stack", "results"], &ADJUST[..]].concat()).expect(0);
    let about = &json(&folder, "stack.json")["adjust_sites"];
    assert_eq!((about["column"].as_str(), about["keep"].as_str()), (Some("nap"), Some("age_months")));
    assert_eq!(about["sites"][1]["children"], 6);
    assert_eq!(about["tables"][0], "atlas-tern5_desc-pearsonAdjusted_sites.tsv");
    let shown = &json(&folder, "quality.json")["sites"][0];
    let number = |when: &str, site: usize| shown["sites"][site][when]["mean"].as_f64().unwrap();
    let apart = |when: &str| (number(when, 0) - number(when, 1)).abs();
    assert!(apart("after") < apart("before"), "{shown}");
    // Six edges of the four parcels that children have.
    assert_eq!((shown["edges"].as_u64(), shown["edges_fitted"].as_u64()), (Some(10), Some(6)));
    let page = folder.read("results/stack/quality.html");
    assert!(page.contains("The sites before and after adjustment") && page.contains("adjusted for nap, keeping"));
    let table = cells(&folder.read("results/stack/atlas-tern5_desc-pearsonAdjusted_sites.tsv"));
    assert_eq!((table.len(), table[1][1].as_str(), table[1][2].as_str()), (11, "cove", "dune"));
    // A stack without adjustment takes them away.
    folder.keepstill(&["stack", "results"]).expect(0);
    let left: Vec<String> = std::fs::read_dir(folder.join("results/stack"))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.contains("Adjusted"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
    assert!(json(&folder, "stack.json")["adjust_sites"].is_null());
}

#[test]
fn a_test_of_the_sites_that_were_just_taken_out_is_pointed_out() {
    let folder = two_sites();
    let said = |formula: &str| {
        folder.keepstill(&[&["stack", "results"], &ADJUST[..], &["--test", formula]].concat()).expect(0).stderr
    };
    let taken_out = "the test has nap, whose effects were taken out of the edges just before";
    assert!(said("z ~ nap + age_months").contains(taken_out));
    assert!(!said("z ~ age_months").contains(taken_out));
}

#[test]
fn a_site_that_a_test_leaves_out_is_pointed_out() {
    let folder = two_sites();
    for child in 0..CHILDREN {
        set_cell(&folder, "results/cohort.tsv", child, "scanner", ["old", "new"][child % 2]);
    }
    let said = |formula: &str| folder.keepstill(&["stack", "results", "--test", formula]).expect(0).stderr;
    assert!(said("z ~ mean_fd_mm").contains("the children come from 2 values of scanner, which is not in the formula"));
    assert!(!said("z ~ mean_fd_mm + scanner").contains("values of scanner"));
}

#[test]
fn settings_that_a_test_does_not_tell_apart_are_pointed_out_in_one_note() {
    let folder = two_sites();
    for child in 0..CHILDREN {
        let set = |column: &str, value: &str| set_cell(&folder, "results/cohort.tsv", child, column, value);
        set("scanner", ["old", "new"][child % 2]);
        set("tr_s", ["2", "0.8"][child % 2]);
        set("voxel_mm", if child < 3 { "2x2x2" } else { "3x3x3" });
        set("brain_mask_from", if child == 7 { "both" } else { "file" });
        // One scan that was stopped early is no setting.
        set("frames", if child == 5 { "20" } else { "60" });
    }
    let note = |formula: &str, more: &[&str]| {
        let said = folder.keepstill(&[&["stack", "results", "--test", formula], more].concat()).expect(0).stderr;
        let notes: Vec<String> =
            said.lines().filter(|line| line.contains("does not tell them apart")).map(str::to_owned).collect();
        assert!(notes.len() < 2, "{said}");
        notes.into_iter().next().unwrap_or_default()
    };
    let all = note("z ~ mean_fd_mm", &[]);
    let told = "children differ in repetition time in s (2 in 7, 0.8 in 6 of 13 children), size of voxels in mm (3x3x3 \
                in 10, 2x2x2 in 3 of 13 children) and source of the brain mask (file in 12, both in 1 of 13 children)";
    assert!(all.contains(told) && all.contains("put tr_s, voxel_mm and brain_mask_from into the formula"), "{all}");
    let by_scanner = note("z ~ mean_fd_mm + scanner", &[]);
    assert!(!by_scanner.contains("tr_s") && by_scanner.contains("put voxel_mm and brain_mask_from"), "{by_scanner}");
    assert!(!note("z ~ mean_fd_mm", &ADJUST).contains("tr_s"));
    assert_eq!(note("z ~ mean_fd_mm + tr_s + voxel_mm + brain_mask_from", &[]), "");
}
