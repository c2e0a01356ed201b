//! `keepstill stack` where rows belong together: sessions of one child, and the blocks of `--blocks`. The numbers are
//! held against numpy in `tests/reference/test_blocks.py`.

use serde_json::{Value, json};

use crate::builders::{Folder, Tiny, cells};
use crate::stack::{column, set_cell, stacked};

/// Finished children with two sessions each.
fn sessions(children: usize) -> Folder {
    let folder = Tiny { children, sessions: 2, ..Tiny::default() }.build();
    folder.run(&["-q"]).expect(0);
    folder
}

fn read(folder: &Folder, name: &str) -> Value {
    serde_json::from_str(&folder.read(&format!("results/stack/{name}"))).unwrap()
}

#[test]
fn rows_of_one_child_belong_together_without_asking() {
    let folder = sessions(6);
    // Age is the same in both sessions of the tiny study, so let it pass.
    for row in 0..12 {
        set_cell(&folder, "results/cohort.tsv", row, "score", &(10 * (row / 2) + row % 3).to_string());
    }
    let formula = "z ~ between(score) + within(score)";
    let ran =
        folder.keepstill(&["stack", "results", "--test", formula, "--permutations", "50", "--reliability"]).expect(0);
    assert!(ran.stdout.starts_with("12 of 12 rows of cohort.tsv in the stack, of 6 children, none"), "{}", ran.stdout);
    assert!(ran.stdout.contains("(12 rows), 9 degrees of freedom if rows were independent"), "{}", ran.stdout);
    assert!(ran.stderr.contains("the test has 12 rows of 6 children in 6 blocks"), "{}", ran.stderr);
    let test = read(&folder, "test.json");
    assert_eq!((&test["children"], &test["rows"], &test["blocks"]), (&json!(6), &json!(12), &json!(6)));
    let coefficients = test["coefficients"].as_array().unwrap();
    assert_eq!((&coefficients[1]["name"], &coefficients[1]["orders"]), (&json!("between(score)"), &json!(720.0)));
    assert_eq!((&coefficients[2]["name"], &coefficients[2]["orders"]), (&json!("within(score)"), &json!(64.0)));
    let table = stacked(&folder, "atlas-tern5_desc-pearson_test.tsv");
    assert_eq!(column(&table, "rows")[0], "12");
    // Six children determine a mean and a slope: at most four degrees of freedom.
    let dof: f64 = column(&table, "between_score_dof")[0].parse().unwrap();
    assert!(dof > 1.0 && dof <= 4.0, "{dof}");
    let about = read(&folder, "stack.json");
    assert_eq!((&about["children"], &about["rows_in_stack"]), (&json!(6), &json!(12)));
    assert_eq!(
        about["blocks"],
        json!({
            "by": "participant_id", "blocks": 6, "blocks_by_rows": { "2": 6 }, "children_without": 0,
        })
    );
    // Sessions side by side.
    assert_eq!(
        (&about["sessions"]["children"], &about["sessions"]["sessions"]),
        (&json!(6), &json!(["ses-1", "ses-2"]))
    );
    let icc = stacked(&folder, "atlas-tern5_desc-pearson_sessions.tsv");
    assert_eq!(icc[0], ["edge", "name_1", "name_2", "children", "icc_2_1", "icc_3_1"]);
    assert_eq!((icc.len(), icc[1][3].as_str()), (11, "6"));
    let pairs = stacked(&folder, "atlas-tern5_desc-pearson_sessions_networks.tsv");
    assert_eq!(pairs[1..].iter().map(|row| row[..3].join(" ")).collect::<Vec<_>>(), ["A A 1", "A B 6", "B B 3"]);
}

#[test]
fn one_row_per_child_is_as_without_blocks() {
    let folder = sessions(5);
    let one = ["stack", "results", "--where", "session_id=ses-1", "--test", "z ~ age_months", "--permutations", "40"];
    folder.keepstill(&one).expect(0);
    let plain = cells(&folder.read("results/stack/atlas-tern5_desc-pearson_test.tsv"));
    let ran = folder.keepstill(&[one.as_slice(), &["--blocks", "participant_id", "--reliability"]].concat()).expect(0);
    assert!(ran.stdout.starts_with("5 of 10 rows of cohort.tsv in the stack, of 5 children"), "{}", ran.stdout);
    assert_eq!(cells(&folder.read("results/stack/atlas-tern5_desc-pearson_test.tsv")), plain);
    assert!(!folder.join("results/stack/atlas-tern5_desc-pearson_sessions.tsv").exists());
}

#[test]
fn who_is_counted_are_children_and_not_their_rows() {
    let folder = sessions(8);
    for row in 0..16 {
        set_cell(&folder, "results/cohort.tsv", row, "nap", ["bay", "cape"][row / 2 % 2]);
    }
    // Eight rows at each site, but four children.
    let few = folder.keepstill(&["stack", "results", "--adjust-sites", "nap"]).expect(1).stderr;
    assert!(few.contains("2 of 2 sites have fewer than 5 children (bay: 4, cape: 4)"), "{few}");
    let matched = ["stack", "results", "--match", "motion", "--group", "nap"];
    let several = folder.keepstill(&matched).expect(1).stderr;
    assert!(several.contains("--match: sub-01 has several rows in the stack"), "{several}");
    let (_, way_out) = several.trim().rsplit_once("--where ").unwrap();
    folder.keepstill(&[matched.as_slice(), &["--where", way_out]].concat()).expect(0);
    let kept = read(&folder, "stack.json");
    assert_eq!(kept["left_out"][0], json!({ "reason": "where", "children": 8, "rows": 8 }));
    folder.keepstill(&["stack", "results", "--where", "participant_id!=sub-01"]).expect(0);
    assert_eq!(read(&folder, "stack.json")["left_out"][0], json!({ "reason": "where", "children": 1, "rows": 2 }));
}

#[test]
fn blocks_of_a_column_are_kept_together_and_must_hold_whole_children() {
    let folder = sessions(4);
    for (row, home) in ["x", "x", "x", "x", "y", "y", "n/a", "n/a"].iter().enumerate() {
        set_cell(&folder, "results/cohort.tsv", row, "home", home);
    }
    let ran = folder.keepstill(&["stack", "results", "--blocks", "home"]).expect(0);
    assert!(
        ran.stderr.contains("1 child without a value in home (--blocks) is taken to be related to no other"),
        "{}",
        ran.stderr
    );
    let about = read(&folder, "stack.json");
    assert_eq!(
        (&about["blocks"]["blocks"], &about["blocks"]["blocks_by_rows"]),
        (&json!(3), &json!({ "2": 2, "4": 1 }))
    );
    assert_eq!(about["blocks"]["children_without"], 1);
    set_cell(&folder, "results/cohort.tsv", 5, "home", "x");
    let said = folder.keepstill(&["stack", "results", "--blocks", "home"]).expect(1).stderr;
    assert!(said.contains("--blocks home: the rows of sub-03 have y and x there"), "{said}");
}

#[test]
fn what_blocks_cannot_tell_is_said() {
    let folder = sessions(6);
    for row in 0..12 {
        set_cell(&folder, "results/cohort.tsv", row, "all", "x");
        set_cell(&folder, "results/cohort.tsv", row, "home", ["x", "y"][usize::from(row > 3)]);
        set_cell(&folder, "results/cohort.tsv", row, "group", ["a", "b", "c"][row / 2 % 3]);
        set_cell(&folder, "results/cohort.tsv", row, "score", &(10 * (row / 2) + row * row % 5).to_string());
    }
    let run = |more: &[&str]| folder.keepstill(&[&["stack", "results"], more].concat());
    // Two blocks of unlike size have one order.
    let one = run(&["--blocks", "home"]).expect(0).stdout;
    assert!(one.contains("12 rows of 6 children have only 1 order; that is too few for p < 0.05. The median"), "{one}");
    assert!(!one.contains("nine of ten shuffles"), "{one}");
    let quality = read(&folder, "quality.json");
    assert!(quality["rows"][0]["share_p"].is_null(), "{}", quality["rows"][0]);
    // One block has no standard errors, and F in blocks no p.
    let block = run(&["--blocks", "all", "--test", "z ~ score"]).expect(0);
    let why = "score has no t, p and q, because all rows are in 1 block, and standard errors come from differences";
    assert!(block.stderr.contains(why), "{}", block.stderr);
    assert!(block.stdout.contains("score: tested on no edge\n"), "{}", block.stdout);
    let joint = run(&["--test", "z ~ group"]).expect(0);
    assert!(joint.stderr.contains("F of group has no p and q, because the rows belong together"), "{}", joint.stderr);
    assert!(joint.stdout.contains("group, F: "), "{}", joint.stdout);
    // Within a home scores vary between children and between their sessions.
    let parts = "z ~ between(score) + within(score)";
    let three = run(&["--blocks", "home", "--test", parts, "--permutations", "20"]).expect(1).stderr;
    assert!(three.contains("families of children with sessions have three levels"), "{three}");
    let same = run(&["--test", "z ~ between(score) + within(age_months)"]).expect(1).stderr;
    assert!(same.contains("because age_months is the same in all rows of each child; leave its term out"), "{same}");
    let made = run(&["--test", "z ~ weight"]).expect(1).stderr;
    assert!(made.contains("weight is made by `keepstill stack` itself and cannot be a term"), "{made}");
}
