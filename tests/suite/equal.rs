//! Equal degrees of freedom and a common shrinkage: whom `keepstill stack` takes, what it names its files, what it
//! says.

use std::io::Cursor;

use ndarray::Array2;
use ndarray_npy::ReadNpyExt;
use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};

fn finished(measures: &str) -> Folder {
    let settings = format!("\n[connectivity]\nmeasures = [{measures}]\n");
    let folder = Tiny { children: 3, runs: 2, frames: 60, settings, ..Tiny::default() }.build();
    folder.run(&["-q"]).expect(0);
    folder
}

fn stack(folder: &Folder, arguments: &[&str]) -> String {
    folder.keepstill(&[&["stack", "results"], arguments].concat()).expect(0).stderr
}

/// A column of `children.tsv`.
fn numbers(folder: &Folder, column: &str) -> Vec<f64> {
    let table = cells(&folder.read("results/stack/children.tsv"));
    let at = table[0].iter().position(|name| name == column).unwrap_or_else(|| panic!("no column {column}"));
    table[1..].iter().map(|row| row[at].parse().unwrap()).collect()
}

fn about(folder: &Folder) -> Value {
    serde_json::from_str(&folder.read("results/stack/stack.json")).unwrap()
}

fn array(folder: &Folder, name: &str) -> Array2<f32> {
    Array2::read_npy(Cursor::new(folder.bytes(&format!("results/stack/{name}")))).unwrap()
}

#[test]
fn children_are_equal_in_degrees_of_freedom() {
    let folder = finished("\"pearson\"");
    stack(&folder, &[]);
    let (dof, kept) = (numbers(&folder, "dof"), numbers(&folder, "frames_kept"));
    let wanted = (dof.iter().copied().fold(f64::INFINITY, f64::min) * 0.8).floor();
    assert!(wanted >= 4.0, "{dof:?}");
    stack(&folder, &["--equal-dof", &wanted.to_string()]);
    let (used, dof_used) = (numbers(&folder, "frames_used"), numbers(&folder, "dof_used"));
    for child in 0..3 {
        let one_frame = dof[child] / kept[child];
        assert!((dof_used[child] - used[child] * one_frame).abs() < 1e-3, "{dof_used:?} {used:?}");
        assert!(dof_used[child] <= wanted + 1e-3 && dof_used[child] > wanted - one_frame - 1e-3, "{dof_used:?}");
    }
    assert!(numbers(&folder, "weight").iter().all(|weight| (weight - 1.0).abs() < 0.2));
    // What sampling gives is that of Fisher's z, and not 0 because it is the same in all.
    let by_formula = (1.0 / (dof_used[0] - 2.0)).sqrt();
    let sampling = numbers(&folder, "sampling_sd");
    assert!(sampling.iter().all(|sd| (sd / by_formula - 1.0).abs() < 0.2), "{sampling:?} {by_formula}");
    assert_eq!(about(&folder)["equal_dof"]["dof"], wanted);
    assert!(folder.join(&format!("results/stack/atlas-tern5_desc-pearsonEqualDof{wanted}_edges.npy")).is_file());
}

#[test]
fn who_has_fewer_degrees_of_freedom_is_left_out() {
    let folder = finished("\"pearson\"");
    let said = folder.keepstill(&["stack", "results", "--equal-dof", "5000"]).expect(1).stderr;
    assert!(
        said.contains("no child of 3 is left to stack (3 less_than_equal_dof); ask for a smaller --equal-dof"),
        "{said}"
    );
    let both = folder.keepstill(&["stack", "results", "--equal-dof", "5", "--equal-minutes", "1"]).expect(2).stderr;
    assert!(both.contains("cannot be used with"), "{both}");
}

#[test]
fn two_degrees_of_freedom_are_refused_and_the_least_that_is_named_is_taken() {
    let folder = finished("\"pearson\"");
    let said = folder.keepstill(&["stack", "results", "--equal-dof", "2"]).expect(1).stderr;
    assert!(said.contains("--equal-dof 2 ") && said.contains("; ask for at least "), "{said}");
    let least = said.split("ask for at least ").nth(1).unwrap().split(' ').next().unwrap();
    let said = stack(&folder, &["--equal-dof", least]);
    assert!(numbers(&folder, "dof_used").iter().all(|dof| *dof > 2.0), "{said}");
    assert!(numbers(&folder, "sampling_sd").iter().all(|sd| *sd > 0.0), "{said}");
    assert!(said.contains("min that the study requires per child (enough.minutes)"), "{said}");
}

#[test]
fn one_shrinkage_for_all_is_the_median_of_their_own() {
    let folder = finished("\"pearson\", \"partial\"");
    let said = stack(&folder, &[]);
    assert!(said.contains("partial correlations of atlas tern5 are shrunk by"), "{said}");
    assert!(folder.read("results/stack/quality.html").contains("Partial correlations of atlas tern5 are shrunk by"));
    let own = numbers(&folder, "shrinkage_tern5");
    let plain = array(&folder, "atlas-tern5_desc-partial_edges.npy");
    stack(&folder, &["--common-shrinkage"]);
    assert_eq!(numbers(&folder, "shrinkage_tern5"), own);
    assert!(folder.read("results/stack/quality.html").contains("of atlas tern5 have the common shrinkage"));
    let mut sorted = own.clone();
    sorted.sort_by(f64::total_cmp);
    assert!(sorted[0] < sorted[1] && sorted[1] < sorted[2], "{own:?}");
    let common = about(&folder)["common_shrinkage"][0]["shrinkage"].as_f64().unwrap();
    assert!((common - sorted[1]).abs() < 1e-6, "{common} {own:?}");
    let shrunk = array(&folder, "atlas-tern5_desc-partialCommon_edges.npy");
    for (child, own) in own.iter().enumerate() {
        let apart = &plain.row(child) - &shrunk.row(child);
        let away = apart.iter().filter(|d| d.is_finite()).fold(0.0_f32, |most, d| most.max(d.abs()));
        assert_eq!(away < 1e-6, *own == sorted[1], "child {child}: {away}");
    }
    assert!(folder.join("results/stack/atlas-tern5_desc-pearson_edges.npy").is_file());
    let none = finished("\"pearson\"");
    let said = none.keepstill(&["stack", "results", "--common-shrinkage"]).expect(1).stderr;
    assert!(said.contains("--common-shrinkage: there are no partial correlations in the stack"), "{said}");
}
