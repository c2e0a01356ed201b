//! `keepstill stack`: arrays against the children's own matrices, who is in and why not, what parcels are lacking, what
//! it reads and leaves alone. The readers of each format's own world are in `tests/reference/test_stack.py`.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Cursor;

use ndarray::{Array2, Array3};
use ndarray_npy::ReadNpyExt;
use serde_json::Value;

use crate::builders::{Folder, Tiny, cells};

const NAMES: [&str; 5] = ["cove", "dune", "reef", "spit", "shoal"];
/// As the upper triangle of five parcels goes.
const PAIRS: [(usize, usize); 10] = [(0, 1), (0, 2), (0, 3), (0, 4), (1, 2), (1, 3), (1, 4), (2, 3), (2, 4), (3, 4)];

/// Finished children whose fifth parcel lies outside their brain mask.
pub fn finished(tiny: &Tiny) -> Folder {
    let folder = tiny.build();
    folder.run(&["-q"]).expect(0);
    folder
}

fn measures(matrices: &str) -> Tiny {
    let settings =
        format!("\n[connectivity]\nmeasures = [\"pearson\", \"covariance\"]\n[output]\nmatrices = \"{matrices}\"\n");
    Tiny { children: 4, settings, ..Tiny::default() }
}

pub fn stacked(folder: &Folder, name: &str) -> Vec<Vec<String>> {
    cells(&folder.read(&format!("results/stack/{name}")))
}

pub fn column(table: &[Vec<String>], name: &str) -> Vec<String> {
    let at = table[0].iter().position(|column| column == name).unwrap_or_else(|| panic!("no column {name}"));
    table[1..].iter().map(|row| row[at].clone()).collect()
}

pub fn edges(folder: &Folder, name: &str) -> Array2<f32> {
    Array2::read_npy(Cursor::new(folder.bytes(&format!("results/stack/{name}_edges.npy")))).unwrap()
}

fn stems(folder: &Folder) -> Vec<String> {
    column(&stacked(folder, "children.tsv"), "stem")
}

/// Stem and reason of each child left out.
fn left_out(folder: &Folder) -> Vec<(String, String)> {
    let table = stacked(folder, "left_out.tsv");
    column(&table, "stem").into_iter().zip(column(&table, "reason")).collect()
}

/// A child's own matrix as its table has it; NaN for n/a.
pub fn own(folder: &Folder, stem: &str, measure: &str) -> Vec<Vec<f32>> {
    let session = stem.split('_').find(|part| part.starts_with("ses-"));
    let place = session.map_or(stem.to_owned(), |session| format!("{}/{session}", stem.split('_').next().unwrap()));
    let table = cells(&folder.read(&format!("results/{place}/func/{stem}_atlas-tern5_desc-{measure}_matrix.tsv")));
    let number = |cell: &String| if cell == "n/a" { f32::NAN } else { cell.parse().unwrap() };
    table[1..].iter().map(|row| row[1..].iter().map(number).collect()).collect()
}

fn same(a: f32, b: f32) -> bool {
    a == b || (a.is_nan() && b.is_nan())
}

/// Changes one cell of a table; a column that is not there is added, n/a in all other rows.
pub fn set_cell(folder: &Folder, name: &str, row: usize, column: &str, value: &str) {
    let mut table = cells(&folder.read(name));
    let at = table[0].iter().position(|known| known == column).unwrap_or_else(|| {
        table.iter_mut().enumerate().for_each(|(i, row)| row.push(if i == 0 { column } else { "n/a" }.to_owned()));
        table[0].len() - 1
    });
    table[row + 1][at] = value.to_owned();
    folder.write(name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
}

/// Makes a parcel of a child n/a, as where it is not covered.
fn take_parcel(folder: &Folder, stem: &str, measure: &str, parcel: usize) {
    let name = format!("results/{stem}/func/{stem}_atlas-tern5_desc-{measure}_matrix.tsv");
    let mut table = cells(&folder.read(&name));
    for other in 0..NAMES.len() {
        table[parcel + 1][other + 1] = "n/a".to_owned();
        table[other + 1][parcel + 1] = "n/a".to_owned();
    }
    folder.write(&name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
}

#[test]
fn rows_are_the_childrens_own_upper_triangles() {
    let folder = finished(&measures("tsv"));
    let said = folder.keepstill(&["stack", "results"]).expect(0);
    assert!(said.stdout.starts_with("4 of 4 children in the stack, none left out.\n"), "{}", said.stdout);
    assert_eq!(stems(&folder), ["sub-01", "sub-02", "sub-03", "sub-04"]);
    for measure in ["pearson", "covariance"] {
        let name = format!("atlas-tern5_desc-{measure}");
        let (edges, bytes) = (edges(&folder, &name), folder.bytes(&format!("results/stack/{name}_matrices.npy")));
        let matrices = Array3::<f32>::read_npy(Cursor::new(bytes)).unwrap();
        assert_eq!((edges.dim(), matrices.dim()), ((4, 10), (4, 5, 5)));
        for (child, stem) in stems(&folder).iter().enumerate() {
            let own = own(&folder, stem, measure);
            for (edge, (i, j)) in PAIRS.into_iter().enumerate() {
                assert!(same(edges[[child, edge]], own[i][j]), "{measure} {stem} {i} {j}");
            }
            for i in 0..5 {
                for j in 0..5 {
                    assert!(same(matrices[[child, i, j]], own[i][j]), "{measure} {stem} {i} {j}");
                }
            }
        }
        // Otherwise all of the above would hold of nothing.
        assert_eq!(edges.iter().filter(|v| v.is_nan()).count(), 4 * 4);
        assert!(edges.iter().filter(|v| v.is_finite()).all(|v| v.abs() > 0.0));
    }
}

#[test]
fn tables_are_in_the_order_of_the_arrays() {
    let folder = finished(&measures("tsv"));
    folder.keepstill(&["stack", "results"]).expect(0);
    let children = stacked(&folder, "children.tsv");
    let cohort = cells(&folder.read("results/cohort.tsv"));
    for (row, own) in children.iter().zip(&cohort) {
        // What each child counts stands behind.
        assert_eq!(row[1..=own.len()], own[..]);
    }
    assert_eq!(children[0][cohort[0].len() + 1..], ["sampling_sd", "weight", "scatter"]);
    // On average a child counts 1.
    let weights: Vec<f64> = column(&children, "weight").iter().map(|cell| cell.parse().unwrap()).collect();
    assert!((weights.iter().sum::<f64>() / weights.len() as f64 - 1.0).abs() < 1e-6, "{weights:?}");
    set_cell(&folder, "results/cohort.tsv", 0, "stem", "theirs");
    folder.keepstill(&["stack", "results"]).expect(0);
    assert_eq!(column(&stacked(&folder, "children.tsv"), "participants_stem")[0], "theirs");
    let table = stacked(&folder, "atlas-tern5_edges.tsv");
    let header = "edge edge_name index_1 name_1 network_1 index_2 name_2 network_2 networks distance_mm";
    assert_eq!(table[0].join(" "), header);
    let network = |parcel: usize| if parcel < 2 { "A" } else { "B" };
    for (edge, (i, j)) in PAIRS.into_iter().enumerate() {
        // Slabs that are 3 mm apart.
        let name = format!("{}__{}", NAMES[i], NAMES[j]);
        let [edge_text, index_1, index_2, distance] = [edge, i + 1, j + 1, 3 * (j - i)].map(|n| n.to_string());
        let networks = format!("{}__{}", network(i), network(j));
        let [first, second] = [network(i), network(j)];
        let expected = [&edge_text, &name, &index_1, NAMES[i], first, &index_2, NAMES[j], second, &networks, &distance];
        assert_eq!(table[edge + 1], expected);
    }
    let parcels = stacked(&folder, "atlas-tern5_parcels.tsv");
    assert_eq!(parcels[0].join(" "), "position index name network x_mm y_mm z_mm");
    assert_eq!(parcels[5], ["4", "5", "shoal", "B", "-9", "0", "0"]);
    assert_eq!(parcels.len(), 6);
    let missing = stacked(&folder, "atlas-tern5_missing.tsv");
    assert_eq!(missing[0].join(" "), "index name network children_missing stems");
    assert_eq!(missing[1..], [["5", "shoal", "B", "4", "sub-01; sub-02; sub-03; sub-04"].map(str::to_owned).to_vec()]);
}

#[test]
fn means_by_network_are_those_of_each_childs_edges() {
    let folder = finished(&measures("npy"));
    folder.keepstill(&["stack", "results", "--fisher-z"]).expect(0);
    let table = stacked(&folder, "atlas-tern5_desc-pearson_networks_children.tsv");
    let pairs = ["A__A", "A__B", "B__B"];
    let columns = pairs.iter().flat_map(|pair| ["mean", "edges", "missing"].map(|what| format!("{pair}_{what}")));
    assert_eq!(table[0], std::iter::once("stem".to_owned()).chain(columns).collect::<Vec<_>>());
    assert_eq!(column(&table, "stem"), stems(&folder));
    let edges = edges(&folder, "atlas-tern5_desc-pearsonZ");
    // Of the parcels, the first two are of network A; the last is missing in every child.
    let of = |(i, j): (usize, usize)| usize::from(i >= 2) + usize::from(j >= 2);
    for (child, row) in table[1..].iter().enumerate() {
        for (pair, cells) in row[1..].chunks(3).enumerate() {
            let all: Vec<f64> =
                (0..10).filter(|&e| of(PAIRS[e]) == pair).map(|e| f64::from(edges[[child, e]])).collect();
            let own: Vec<f64> = all.iter().copied().filter(|z| !z.is_nan()).collect();
            let mean = own.iter().sum::<f64>() / own.len() as f64;
            assert!((cells[0].parse::<f64>().unwrap() - mean).abs() < 1e-6, "{cells:?}: {mean}");
            assert_eq!(cells[1], own.len().to_string());
            let missing = 1.0 - own.len() as f64 / all.len() as f64;
            assert!((cells[2].parse::<f64>().unwrap() - missing).abs() < 1e-6, "{cells:?}");
        }
    }
}

#[test]
fn the_order_is_that_of_the_cohort_table_whatever_it_is() {
    let folder = finished(&measures("tsv"));
    let mut lines: Vec<String> = folder.read("results/cohort.tsv").lines().map(str::to_owned).collect();
    lines[1..].reverse();
    folder.write("results/cohort.tsv", &(lines.join("\n") + "\n"));
    folder.keepstill(&["stack", "results", "--as", "npy,tsv"]).expect(0);
    assert_eq!(stems(&folder), ["sub-04", "sub-03", "sub-02", "sub-01"]);
    let table = stacked(&folder, "atlas-tern5_desc-pearson_edges.tsv");
    assert_eq!(column(&table, "stem"), stems(&folder));
    assert_eq!(table[0][1..], PAIRS.map(|(i, j)| format!("{}__{}", NAMES[i], NAMES[j])));
    let edges = edges(&folder, "atlas-tern5_desc-pearson");
    for (row, stem) in stems(&folder).iter().enumerate() {
        assert_eq!(edges[[row, 0]], own(&folder, stem, "pearson")[0][1]);
        assert_eq!(edges[[row, 0]].to_string(), table[row + 1][1]);
    }
}

#[test]
fn how_matrices_are_written_and_how_many_threads_there_are_changes_nothing() {
    let mut stacks: Vec<BTreeMap<String, Vec<u8>>> = Vec::new();
    for (matrices, threads) in [("tsv", "1"), ("npy", "3"), ("both", "2")] {
        let folder = finished(&measures(matrices));
        let mut command = folder.command(&["stack", "results", "--as", "npy,tsv,mat,parquet", "--fisher-z"]);
        assert!(command.env("RAYON_NUM_THREADS", threads).output().unwrap().status.success());
        stacks.push(folder.files("results/stack").into_iter().collect());
    }
    assert!(stacks[0].len() > 10 && stacks[0] == stacks[1] && stacks[0] == stacks[2]);
}

#[test]
fn fisher_z_is_of_correlations_only_and_shows_in_names() {
    let folder = finished(&measures("both"));
    let said = folder.keepstill(&["stack", "results", "--fisher-z"]).expect(0);
    assert!(said.stderr.contains("covariance is not a correlation"), "{}", said.stderr);
    let z = edges(&folder, "atlas-tern5_desc-pearsonZ");
    let plain = edges(&folder, "atlas-tern5_desc-covariance");
    for (child, stem) in stems(&folder).iter().enumerate() {
        let (r, own_covariance) = (own(&folder, stem, "pearson"), own(&folder, stem, "covariance"));
        for (edge, (i, j)) in PAIRS.into_iter().enumerate() {
            assert!(same(z[[child, edge]], f64::from(r[i][j]).atanh() as f32));
            assert!(same(plain[[child, edge]], own_covariance[i][j]));
        }
    }
    let bytes = folder.bytes("results/stack/atlas-tern5_desc-pearsonZ_matrices.npy");
    let matrices = Array3::<f32>::read_npy(Cursor::new(bytes)).unwrap();
    assert!((0..4).all(|child| (0..5).all(|i| matrices[[child, i, i]].is_nan())));
    assert_eq!(matrices[[2, 1, 0]], z[[2, 0]]);
    // Of a parcel outside the mask as of a diagonal: still only one that is lacking.
    assert_eq!(stacked(&folder, "atlas-tern5_missing.tsv").len(), 2);
    let about: Value = serde_json::from_str(&folder.read("results/stack/stack.json")).unwrap();
    assert_eq!(about["settings"]["fisher_z"], true);
    assert!(about["caution"].as_str().unwrap().contains("not for diagnosis"));
}

#[test]
fn each_child_left_out_is_listed_with_the_first_reason_that_applies() {
    let folder = finished(&Tiny { children: 8, ..Tiny::default() });
    let cohort = "results/cohort.tsv";
    let digests = column(&cells(&folder.read(cohort)), "results_digest");
    let decision = |child: usize, reviewer: &str, word: &str, old: bool| {
        let digest = if old { "0".repeat(64) } else { digests[child - 1].clone() };
        format!("2026-11-25T09:00:00Z\t{reviewer}\tsub-{child:02}\tn/a\tn/a\t{word}\tn/a\tn/a\t0\t1\t{digest}\n")
    };
    let header = "time\treviewer\tparticipant_id\tsession_id\trun_id\tdecision\treason\tnote\t\
                  settles\tblinded\tresults_digest\n";
    let lines = [
        decision(1, "AB", "include", false),
        decision(2, "AB", "exclude", false),
        decision(3, "AB", "exclude", true),
        decision(3, "AB", "include", true),
        decision(4, "AB", "include", true),
        decision(4, "AB", "exclude", true),
        decision(5, "AB", "unsure", false),
        decision(6, "AB", "include", false),
        decision(6, "CD", "exclude", false),
        "torn\tline".to_owned(),
    ];
    folder.write("results/review/decisions.tsv", &(header.to_owned() + &lines.concat()));
    set_cell(&folder, cohort, 6, "verdict", "poor_coverage");
    let said = folder.keepstill(&["stack", "results", "--where", "sex=m", "--where", "nap=morning"]).expect(0);
    // Odd children are m, even ones f.
    assert_eq!(stems(&folder), ["sub-01", "sub-03", "sub-05"]);
    let reasons: Vec<(String, String)> = left_out(&folder);
    let expected = [
        ("sub-02", "where"),
        ("sub-04", "where"),
        ("sub-06", "where"),
        ("sub-07", "poor_coverage"),
        ("sub-08", "where"),
    ];
    assert_eq!(reasons, expected.map(|(stem, reason)| (stem.to_owned(), reason.to_owned())));
    assert_eq!(column(&stacked(&folder, "left_out.tsv"), "detail")[0], "sex is f, asked sex=m");
    assert!(
        said.stdout.starts_with("3 of 8 children in the stack; left out: 4 where, 1 poor_coverage"),
        "{}",
        said.stdout
    );

    let said = folder.keepstill(&["stack", "results", "--all"]).expect(0);
    assert_eq!(stems(&folder), ["sub-01", "sub-03", "sub-05", "sub-06", "sub-07", "sub-08"]);
    let expected = [("sub-02", "review_exclude"), ("sub-04", "review_exclude_out_of_date")];
    assert_eq!(left_out(&folder), expected.map(|(stem, reason)| (stem.to_owned(), reason.to_owned())));
    for word in ["disagreement", "unsure", "out_of_date"] {
        assert!(said.stderr.contains(&format!("note: 1 in the stack with review \"{word}\"")), "{}", said.stderr);
    }
    // The cohort table has none of this yet; the stack's own table does.
    let reviews = column(&stacked(&folder, "children.tsv"), "review");
    assert_eq!(reviews, ["include", "out_of_date", "unsure", "disagreement", "n/a", "n/a"]);
    assert!(said.stderr.contains("decisions.tsv line 11"), "{}", said.stderr);
    // With the file gone, what the table says holds.
    folder.remove("results/review/decisions.tsv");
    set_cell(&folder, cohort, 7, "review", "exclude");
    folder.keepstill(&["stack", "results"]).expect(0);
    let expected = [("sub-07", "poor_coverage"), ("sub-08", "review_exclude")];
    assert_eq!(left_out(&folder), expected.map(|(stem, reason)| (stem.to_owned(), reason.to_owned())));

    let json = folder.keepstill(&["stack", "results", "--json", "--where", "age_months!=6.0"]).expect(0).stdout;
    let json: Value = serde_json::from_str(&json).unwrap();
    assert_eq!(json["children"], stems(&folder).len());
    assert_eq!(json["children_left_out"][0]["detail"], "age_months is 6, asked age_months!=6.0");
    assert_eq!(json["left_out"][0], serde_json::json!({ "reason": "where", "children": 1, "rows": 1 }));
}

#[test]
fn minutes_replace_the_studys_and_its_other_demands_stay() {
    // 36 of 40 frames of 2 s are kept: 1.2 minutes, where two are asked; four of five parcels are covered.
    let folder = finished(&Tiny::default());
    let run = |minutes: &str, coverage: &str| {
        folder.edit("study.toml", "minutes = 0.5", &format!("minutes = {minutes}\ncoverage = {coverage}"));
        folder.run(&["-q"]).expect(0);
        folder.edit("study.toml", &format!("minutes = {minutes}\ncoverage = {coverage}"), "minutes = 0.5");
    };
    run("2.0", "0.8");
    let said = folder.keepstill(&["stack", "results"]).expect(1);
    assert!(said.stderr.contains("no child of 3 is left to stack (3 too_short)"), "{}", said.stderr);
    assert!(!folder.join("results/stack").exists());
    folder.keepstill(&["stack", "results", "--min-minutes", "1.2"]).expect(0);
    assert_eq!(stems(&folder).len(), 3);
    let said = folder.keepstill(&["stack", "results", "--min-minutes", "1.3", "--all"]).expect(1);
    assert!(said.stderr.contains("(3 too_few_minutes)"), "{}", said.stderr);
    // What was stacked before is still there.
    assert_eq!(stems(&folder).len(), 3);

    run("2.0", "0.9");
    let said = folder.keepstill(&["stack", "results", "--min-minutes", "1"]).expect(1);
    assert!(said.stderr.contains("(3 poor_coverage)"), "{}", said.stderr);
    run("0.5", "0.9");
    let said = folder.keepstill(&["stack", "results", "--min-minutes", "1"]).expect(1);
    assert!(said.stderr.contains("(3 poor_coverage)"), "{}", said.stderr);
    folder.keepstill(&["stack", "results", "--all"]).expect(0);
    assert_eq!(stems(&folder).len(), 3);
}

#[test]
fn a_child_without_a_matrix_is_no_error_where_none_can_be() {
    let folder = Tiny::default().build();
    folder.remove("motion_02.tsv");
    folder.run(&["-q"]).expect(3);
    folder.keepstill(&["stack", "results", "--all"]).expect(0);
    assert_eq!(stems(&folder), ["sub-01", "sub-03"]);
    assert_eq!(left_out(&folder), [("sub-02".to_owned(), "no_matrix".to_owned())]);
    folder.keepstill(&["stack", "results"]).expect(0);
    assert_eq!(left_out(&folder), [("sub-02".to_owned(), "failed".to_owned())]);
}

#[test]
fn parcels_that_someone_lacks_are_kept_or_go_or_the_child_does() {
    let folder = finished(&measures("tsv"));
    // Everyone lacks the fifth; to see more, one child gets it and another loses its second.
    for measure in ["pearson", "covariance"] {
        take_parcel(&folder, "sub-02", measure, 1);
    }
    folder.keepstill(&["stack", "results"]).expect(0);
    let missing = stacked(&folder, "atlas-tern5_missing.tsv");
    assert_eq!(column(&missing, "name"), ["dune", "shoal"]);
    assert_eq!(column(&missing, "stems"), ["sub-02", "sub-01; sub-02; sub-03; sub-04"]);

    folder.keepstill(&["stack", "results", "--missing", "drop-parcel"]).expect(0);
    // The table says what is gone and because of whom.
    assert_eq!(stacked(&folder, "atlas-tern5_missing.tsv"), missing);
    assert_eq!(column(&stacked(&folder, "atlas-tern5_parcels.tsv"), "name"), ["cove", "reef", "spit"]);
    let names = ["cove__reef", "cove__spit", "reef__spit"];
    assert_eq!(column(&stacked(&folder, "atlas-tern5_edges.tsv"), "edge_name"), names);
    let array = edges(&folder, "atlas-tern5_desc-pearson");
    assert_eq!(array.dim(), (4, 3));
    for (child, stem) in stems(&folder).iter().enumerate() {
        let own = own(&folder, stem, "pearson");
        assert_eq!(array.row(child).to_vec(), [own[0][2], own[0][3], own[2][3]]);
    }

    let said = folder.keepstill(&["stack", "results", "--missing", "drop-child"]).expect(1);
    assert!(said.stderr.contains("(4 missing_parcels)"), "{}", said.stderr);
}

#[test]
fn a_child_who_lacks_a_parcel_goes_alone() {
    let folder = Tiny::default().build();
    folder.write_volume("brain.nii", |_, _, _| 1);
    folder.write_volume("narrow.nii", |x, _, _| u8::from(x < 5));
    let table = folder.read("runs.tsv");
    let lines = table.lines().map(|line| match line.starts_with("02") {
        true => line.replace("brain.nii", "narrow.nii") + "\n",
        false => format!("{line}\n"),
    });
    folder.write("runs.tsv", &lines.collect::<String>());
    folder.run(&["-q"]).expect(0);
    folder.keepstill(&["stack", "results", "--missing", "drop-child"]).expect(0);
    assert_eq!(stems(&folder), ["sub-01", "sub-03"]);
    let table = stacked(&folder, "left_out.tsv");
    assert_eq!(table[1][0], "sub-02");
    assert_eq!(table[1][4..], ["missing_parcels", "tern5: shoal"]);
    assert!(edges(&folder, "atlas-tern5_desc-pearson").iter().all(|v| v.is_finite()));
    assert_eq!(column(&stacked(&folder, "atlas-tern5_missing.tsv"), "stems"), ["sub-02"]);
}

#[test]
fn sessions_and_runs_that_are_not_joined_are_rows_of_their_own() {
    for (join, expected) in [
        ("runs", vec!["sub-01_ses-1", "sub-01_ses-2", "sub-02_ses-1", "sub-02_ses-2"]),
        ("sessions", vec!["sub-01", "sub-02"]),
        ("none", vec!["sub-01_ses-1_run-1", "sub-01_ses-1_run-2", "sub-01_ses-2_run-1", "sub-01_ses-2_run-2"]),
    ] {
        let settings = format!("\n[connectivity]\njoin = \"{join}\"\n");
        let folder = finished(&Tiny { children: 2, sessions: 2, runs: 2, settings, ..Tiny::default() });
        folder.keepstill(&["stack", "results"]).expect(0);
        let stems = stems(&folder);
        assert_eq!(stems[..expected.len()], expected, "{join}");
        let edges = edges(&folder, "atlas-tern5_desc-pearson");
        for (row, stem) in stems.iter().enumerate() {
            assert_eq!(edges[[row, 0]], own(&folder, stem, "pearson")[0][1], "{join} {stem}");
        }
        assert_eq!(column(&stacked(&folder, "atlas-tern5_parcels.tsv"), "x_mm")[0], "3");
    }
}

#[test]
fn a_second_stack_replaces_the_first_whole_and_a_run_leaves_it_alone() {
    let folder = finished(&Tiny::default());
    folder.keepstill(&["stack", "results", "--as", "npy,tsv"]).expect(0);
    folder.write("results/stack/.unfinished-1-atlas-tern5_desc-pearson_edges.npy", "half");
    folder.write("results/stack/my-notes.txt", "mine");
    folder.keepstill(&["stack", "results", "--as", "tsv", "--where", "sex=m"]).expect(0);
    let files = folder.files("results/stack");
    let names: Vec<&str> = files.iter().map(|(name, _)| name.as_str()).collect();
    let expected = [
        "atlas-tern5_desc-pearson_edges.tsv",
        "atlas-tern5_desc-pearson_mean.npy",
        "atlas-tern5_desc-pearson_mean.tsv",
        "atlas-tern5_desc-pearson_mean_weighted.npy",
        "atlas-tern5_desc-pearson_mean_weighted.tsv",
        "atlas-tern5_desc-pearson_networks.tsv",
        "atlas-tern5_desc-pearson_networks_children.tsv",
        "atlas-tern5_desc-pearson_qcfc.tsv",
        "atlas-tern5_edges.tsv",
        "atlas-tern5_missing.tsv",
        "atlas-tern5_parcels.tsv",
        "children.tsv",
        "left_out.tsv",
        "my-notes.txt",
        "quality.html",
        "quality.json",
        "quality.tsv",
        "stack.json",
    ];
    assert_eq!(names, expected);
    assert!(folder.run(&[]).expect(0).stdout.contains("3 unchanged"));
    assert!(folder.files("results/stack") == files);
    // The same question twice has the same answer, and no place on anybody's disk is told.
    folder.keepstill(&["stack", "results", "--as", "tsv,tsv", "--where", "sex=m"]).expect(0);
    assert!(folder.files("results/stack") == files);
    let place = folder.path().display().to_string();
    assert!(files.iter().all(|(_, bytes)| !String::from_utf8_lossy(bytes).contains(&place)));
}

#[test]
fn a_stack_that_fails_midway_leaves_the_one_before() {
    let folder = finished(&measures("tsv"));
    folder.keepstill(&["stack", "results"]).expect(0);
    let before = folder.files("results/stack");
    // The last child's last measure: the files of all others are written by then.
    let name = "results/sub-04/func/sub-04_atlas-tern5_desc-pearson_matrix.tsv";
    let text = folder.read(name);
    folder.cut(name, text.len() - 8);
    for arguments in
        [&["stack", "results", "--as", "npy,tsv,mat,parquet"][..], &["stack", "results", "--missing", "drop-parcel"]]
    {
        let said = folder.keepstill(arguments).expect(1);
        assert!(said.stderr.contains("sub-04_atlas-tern5_desc-pearson_matrix.tsv"), "{}", said.stderr);
        assert!(folder.files("results/stack") == before);
    }
}

#[test]
fn a_run_at_work_keeps_stacks_out() {
    let folder = finished(&Tiny::default());
    let lock = File::open(folder.join("results/.keepstill/lock")).unwrap();
    lock.lock().unwrap();
    let said = folder.keepstill(&["stack", "results"]).expect(1);
    assert!(said.stderr.contains("at work in this results folder"), "{}", said.stderr);
    assert!(!folder.join("results/stack").exists());
    drop(lock);
    // What is said to be safe to delete is not needed.
    std::fs::remove_dir_all(folder.join("results/.keepstill")).unwrap();
    folder.keepstill(&["stack", "results"]).expect(0);
}
