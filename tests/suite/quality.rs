//! The quality that `keepstill stack` writes: QC-FC against plain sums over the children's own matrices, before and
//! after censoring, groups, and what is said where nothing can be told. Every number against numpy and scipy is held in
//! `tests/reference/test_quality.py`.

use serde_json::Value;

use crate::builders::{Folder, Tiny, cells, motion_table};
use crate::stack::{column, edges, own, set_cell, stacked};

const HEADER: &str = "atlas measure values censoring results adjusted_for children dof edges edges_with_r median_abs_r \
                      chance_median_abs_r critical_abs_r share_p share_q distance_edges distance_rho shuffles \
                      shuffled_p_median_abs_r shuffled_p_share_p shuffled_p_share_q shuffled_p_distance_rho";

/// A finished study of some children.
fn finished(children: usize, settings: &str) -> Folder {
    let folder = Tiny { children, settings: settings.to_owned(), ..Tiny::default() }.build();
    folder.run(&["-q"]).expect(0);
    folder
}

fn quality(folder: &Folder) -> Value {
    serde_json::from_str(&folder.read("results/stack/quality.json")).unwrap()
}

fn stack(folder: &Folder, arguments: &[&str]) -> Value {
    folder.keepstill(&[&["stack", "results"], arguments].concat()).expect(0);
    quality(folder)
}

/// The note of so many edges that too few children have.
fn left_out(edges: usize) -> String {
    format!("QC-FC leaves out edges that fewer than half of its children have: {edges} of 10 edges of tern5")
}

/// No number that is none is written as such a word, in any of the three files.
fn no_nan(folder: &Folder) {
    for name in ["quality.tsv", "quality.json", "quality.html"] {
        let text = folder.read(&format!("results/stack/{name}"));
        let body = text.split("</style>").last().unwrap();
        assert!(!body.contains("NaN") && !body.contains("inf,"), "{name}: {body}");
    }
}

fn correlation(a: &[f64], b: &[f64]) -> f64 {
    let n = a.len() as f64;
    let [ma, mb] = [a, b].map(|v| v.iter().sum::<f64>() / n);
    let sum = |f: &dyn Fn(f64, f64) -> f64| a.iter().zip(b).map(|(x, y)| f(x - ma, y - mb)).sum::<f64>();
    sum(&|x, y| x * y) / (sum(&|x, _| x * x) * sum(&|_, y| y * y)).sqrt()
}

/// Median over edges of |correlation over children with mean FD|, of values as in the matrices or of their z.
fn median_abs_r(folder: &Folder, measure: &str, z: bool) -> f64 {
    let values = edges(folder, &format!("atlas-tern5_desc-{measure}"));
    let fd: Vec<f64> =
        column(&stacked(folder, "children.tsv"), "mean_fd_mm").iter().map(|cell| cell.parse().unwrap()).collect();
    let value = |r: f32| if z { f64::from(f64::from(r).atanh() as f32) } else { f64::from(r) };
    let mut all: Vec<f64> = values
        .columns()
        .into_iter()
        .map(|edge| edge.iter().map(|r| value(*r)).collect::<Vec<f64>>())
        .filter(|edge| edge.iter().all(|v| v.is_finite()))
        .map(|edge| correlation(&edge, &fd).abs())
        .collect();
    all.sort_by(f64::total_cmp);
    assert_eq!(all.len(), 6, "four of five parcels are covered");
    f64::midpoint(all[2], all[3])
}

#[test]
fn rows_are_after_and_before_plain_and_with_age_and_sex_taken_out() {
    let folder = finished(9, "\n[connectivity]\nmeasures = [\"pearson\", \"covariance\"]\n");
    folder.run(&["-q", "--try", "censor.fd_mm=0"]).expect(0);
    let told = stack(&folder, &[]);
    let table = stacked(&folder, "quality.tsv");
    assert_eq!(table[0].join(" "), HEADER);
    let of = |name: &str| column(&table, name);
    // Covariance comes first in the alphabet.
    assert_eq!(of("measure"), [["covariance"; 4], ["pearson"; 4]].concat());
    assert_eq!(of("values"), [["as_in_matrix"; 4], ["fisher_z"; 4]].concat());
    assert_eq!(of("censoring"), ["after", "after", "before", "before"].repeat(2));
    assert_eq!(of("results"), ["main", "main", "fd_mm-0", "fd_mm-0"].repeat(2));
    assert_eq!(of("adjusted_for"), ["n/a", "age_months;sex"].repeat(4));
    assert_eq!(of("dof"), ["7", "5"].repeat(4));
    assert_eq!((of("edges"), of("edges_with_r")), (vec!["10".to_owned(); 8], vec!["6".to_owned(); 8]));
    let rows = told["rows"].as_array().unwrap();
    for (row, cell) in rows.iter().zip(of("median_abs_r")) {
        assert_eq!(row["median_abs_r"].as_f64().unwrap() as f32, cell.parse::<f32>().unwrap());
    }
    for (row, measure, z) in [(0, "covariance", false), (4, "pearson", true)] {
        let expected = median_abs_r(&folder, measure, z);
        assert!((rows[row]["median_abs_r"].as_f64().unwrap() - expected).abs() < 1e-6, "{measure}");
    }
    // Before censoring is what the try has: stacked on its own, its row says the same.
    folder.keepstill(&["stack", "results/tries/fd_mm-0"]).expect(0);
    let alone: Value = serde_json::from_str(&folder.read("results/tries/fd_mm-0/stack/quality.json")).unwrap();
    assert_eq!(alone["before_censoring"]["status"], "study_without_censoring");
    let (same, other) = (&alone["rows"][2], &rows[6]);
    assert_eq!(same["censoring"], "before");
    // Mean FD is over all frames, so it is the same in both.
    assert_eq!((&same["median_abs_r"], &same["histogram"]), (&other["median_abs_r"], &other["histogram"]));
    assert_ne!(rows[4]["median_abs_r"], rows[6]["median_abs_r"]);
    assert_eq!(told["before_censoring"]["status"], "compared");
    assert_eq!(told["before_censoring"]["command"], Value::Null);
    let minutes = |when: &str| told["kept"][when]["minutes_kept"]["median"].as_f64().unwrap();
    let [after, before] = ["after", "before"].map(minutes);
    // Degrees of freedom need not rise where nothing is dropped: moved frames make series slower.
    assert!(before > after && told["dof_lost"]["children"] == 9);
    assert!(told["answer"].as_str().unwrap().contains("Before censoring it was"));
    let answer = told["answer"].as_str().unwrap();
    assert!(answer.contains("With 9 children that says little") || answer.starts_with("Motion is"), "{answer}");
    assert!(answer.ends_with("This is for tern5, pearson; the page has the others."), "{answer}");
    // Nobody has the fifth parcel.
    assert_eq!(told["notes"].as_array().unwrap().iter().filter(|note| **note == left_out(4)).count(), 1);
    no_nan(&folder);
}

#[test]
fn edges_of_less_than_half_of_the_children_are_left_out_and_counted() {
    let folder = finished(9, "");
    // Five of nine, then four, have the first parcel, which has an edge with each of three others.
    for (lacking, edges) in [(4, 4), (5, 7)] {
        for stem in (1..=lacking).map(|child| format!("sub-{child:02}")) {
            let name = format!("results/{stem}/func/{stem}_atlas-tern5_desc-pearson_matrix.tsv");
            let mut table = cells(&folder.read(&name));
            table[1][1..].fill("n/a".to_owned());
            table.iter_mut().skip(1).for_each(|row| row[1] = "n/a".to_owned());
            folder.write(&name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
        }
        let told = stack(&folder, &[]);
        assert!(told["notes"].as_array().unwrap().iter().any(|note| *note == left_out(edges)), "{}", told["notes"]);
        assert_eq!(told["rows"][0]["edges_with_r"], 10 - edges);
        let table = stacked(&folder, "atlas-tern5_desc-pearson_qcfc.tsv");
        assert_eq!(column(&table, "after_children")[0], (9 - lacking).to_string());
        assert_eq!(column(&table, "after_r")[0] == "n/a", lacking == 5);
    }
}

#[test]
fn without_a_try_it_says_so_and_gives_the_command() {
    let folder = finished(4, "\n[censor]\ndvars_percent = 50\n");
    let said = folder.keepstill(&["stack", "results"]).expect(0);
    let command = "keepstill run STUDY --try censor.fd_mm=0 censor.dvars_percent=0";
    assert!(said.stderr.contains(command), "{}", said.stderr);
    assert!(said.stdout.contains("This cannot be answered: 4 children are too few to shuffle"), "{}", said.stdout);
    let told = quality(&folder);
    assert_eq!(
        (&told["before_censoring"]["status"], &told["before_censoring"]["command"]),
        (&"none".into(), &command.into())
    );
    assert!(folder.read("results/stack/quality.html").contains(command));
    assert!(told["rows"].as_array().unwrap().iter().all(|row| row["censoring"] == "after"));
    assert_eq!(told["kept"]["before"], Value::Null);
}

#[test]
fn a_try_serves_only_if_it_is_of_the_same_children_files_and_settings() {
    let folder = finished(3, "");
    let why = |folder: &Folder| {
        let told = stack(folder, &[]);
        assert_eq!(told["before_censoring"]["status"], "none");
        told["before_censoring"]["why_not"].as_str().unwrap().to_owned()
    };
    folder.run(&["-q", "--try", "fd_mm=0.4"]).expect(0);
    assert_eq!(why(&folder), "no try of this study is without limits of motion");
    folder.run(&["-q", "--try", "fd_mm=0", "motion_terms=12"]).expect(0);
    assert_eq!(why(&folder), "the try fd_mm-0+motion_terms-12 differs from the study in clean.motion_terms too");
    folder.run(&["-q", "--try", "fd_mm=0", "before=0"]).expect(0);
    assert_eq!(stack(&folder, &[])["before_censoring"]["try"], "fd_mm-0+before-0");
    let matrix = "results/tries/fd_mm-0+before-0/sub-02/func/sub-02_atlas-tern5_desc-pearson_matrix.tsv";
    let text = folder.read(matrix);
    folder.remove(matrix);
    assert!(why(&folder).contains("the try fd_mm-0+before-0 lacks sub-02_atlas-tern5_desc-pearson_matrix.tsv"));
    folder.write(matrix, &text[..text.len() / 2]);
    assert!(why(&folder).contains("the try fd_mm-0+before-0 cannot be read"));
    folder.write(matrix, &text);
    assert_eq!(stack(&folder, &[])["before_censoring"]["status"], "compared");
    // A child's motion is another now, and the try does not know it.
    folder.write("motion_03.tsv", &motion_table(40, 77));
    folder.run(&["-q"]).expect(0);
    assert!(why(&folder).contains("was made from other files of sub-03"), "{}", why(&folder));
}

#[test]
fn an_infinite_value_stops_the_stack_and_its_file_is_named() {
    let folder = finished(3, "\n[connectivity]\nmeasures = [\"covariance\"]\n");
    let name = "results/sub-02/func/sub-02_atlas-tern5_desc-covariance_matrix.tsv";
    let mut table = cells(&folder.read(name));
    table[2][3] = "inf".to_owned();
    folder.write(name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
    let said = folder.keepstill(&["stack", "results"]).expect(1);
    assert!(said.stderr.contains(&format!("{name}: a child's edge 4 (from 0) is infinite")), "{}", said.stderr);
    assert!(!folder.join("results/stack").exists());
}

#[test]
fn a_correlation_that_is_none_stops_the_stack_and_its_file_is_named() {
    let folder = finished(3, "");
    let name = "results/sub-03/func/sub-03_atlas-tern5_desc-pearson_matrix.tsv";
    let whole = folder.read(name);
    for value in ["inf", "1.7", "-1.01"] {
        let mut table = cells(&whole);
        table[2][3] = value.to_owned();
        folder.write(name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
        let said = folder.keepstill(&["stack", "results"]).expect(1);
        let expected = format!("{name}: dune with reef: {value} cannot be a correlation, which lies between -1 and 1");
        assert!(said.stderr.contains(&expected), "{}", said.stderr);
    }
    assert!(!folder.join("results/stack").exists());
}

/// All correlations of a child go with the place of its row, for so much a row.
fn plant(folder: &Folder, children: usize, each: f64) {
    for child in 1..=children {
        let name = format!("results/sub-{child:02}/func/sub-{child:02}_atlas-tern5_desc-pearson_matrix.tsv");
        let mut table = cells(&folder.read(&name));
        for (i, row) in table.iter_mut().enumerate().skip(1) {
            for (j, cell) in row.iter_mut().enumerate().skip(1) {
                if i != j && *cell != "n/a" {
                    *cell = (0.1 * cell.parse::<f64>().unwrap() + each * child as f64).to_string();
                }
            }
        }
        folder.write(&name, &table.iter().map(|row| row.join("\t") + "\n").collect::<String>());
        set_cell(folder, "results/cohort.tsv", child - 1, "mean_fd_mm", &(0.1 + 0.01 * child as f64).to_string());
    }
}

#[test]
fn motion_in_the_result_of_few_children_is_called_so_and_its_absence_says_little() {
    let folder = finished(12, "");
    plant(&folder, 12, 0.05);
    let told = stack(&folder, &[]);
    let answer = told["answer"].as_str().unwrap();
    // The smallest p that 999 shuffles give: motion rises with age, so there are none with age taken out.
    assert!(answer.starts_with("Motion is in the result: edges are related to motion more"), "{answer}");
    assert!(
        answer.contains("(p = 0.001, corrected for 3 comparisons). Mean FD is related to 100.0 % of 6 edges"),
        "{answer}"
    );
    let shuffled = &told["rows"][0]["shuffled"];
    assert_eq!((&shuffled["shuffles"], &shuffled["p"]["median_abs_r"]), (&999.into(), &0.001.into()));
    // Edges that all go together reach p < 0.05 together, in one shuffle of twenty.
    assert!((0.01..0.2).contains(&shuffled["p"]["share_p"].as_f64().unwrap()));

    // The same matrices, and motion that has nothing to do with them.
    for (row, fd) in [3, 9, 1, 12, 6, 4, 10, 2, 8, 11, 5, 7].into_iter().enumerate() {
        set_cell(&folder, "results/cohort.tsv", row, "mean_fd_mm", &(0.1 + 0.01 * f64::from(fd)).to_string());
    }
    let told = stack(&folder, &[]);
    let answer = told["answer"].as_str().unwrap();
    assert!(answer.starts_with("No sign of it"), "{answer}");
    assert!(
        answer.contains("With 12 children that says little: a correlation stands out only from |r| = 0.58 up"),
        "{answer}"
    );
    let table = stacked(&folder, "atlas-tern5_desc-pearson_qcfc.tsv");
    assert_eq!(table[0][..8].join(" "), "edge name_1 name_2 distance_mm after_children after_r after_p after_q");
    assert_eq!(table.len(), 11);
    let median = told["rows"][0]["median_abs_r"].as_f64().unwrap();
    let mut all: Vec<f64> =
        column(&table, "after_r").iter().filter_map(|r| r.parse::<f64>().ok()).map(f64::abs).collect();
    all.sort_by(f64::total_cmp);
    assert!(all.len() == 6 && (f64::midpoint(all[2], all[3]) - median).abs() < 1e-6);
}

#[test]
fn quality_says_which_stack_it_is_of() {
    let folder = finished(6, "");
    let told = stack(&folder, &["--all", "--where", "participant_id!=sub-02", "--equal-minutes", "0.4"]);
    assert_eq!(told["stack"]["equal_minutes"]["minutes"], 0.4);
    assert_eq!((&told["stack"]["cohort_rows"], &told["stack"]["children"]), (&6.into(), &5.into()));
    assert_eq!(told["stack"]["settings"]["where"][0], "participant_id!=sub-02");
    let minutes = &told["kept"]["after"]["minutes_kept"];
    assert!(minutes["most"].as_f64().unwrap() <= 0.4 && minutes["least"].as_f64().unwrap() > 0.3, "{minutes}");
    assert_eq!(told["kept"]["after"]["dof"]["children"], 5);
    let files = told["mean_matrices"][0]["files"].to_string();
    assert!(files.contains("atlas-tern5_desc-pearsonEqual0p4_mean.npy"), "{files}");
    assert!(folder.join("results/stack/atlas-tern5_desc-pearsonEqual0p4_qcfc.tsv").is_file());
    let page = folder.read("results/stack/quality.html");
    let expected = "In the stack: 5 of 6 rows of cohort.tsv; left out: 1 where. Only children with \
                    participant_id!=sub-02; children of every verdict; each matrix, before censoring too, from 0.4 \
                    minutes: the earliest kept frames.";
    assert!(page.replace("<wbr>", "").contains(expected), "{page}");
    no_nan(&folder);
}

#[test]
fn groups_stand_side_by_side_and_a_difference_in_motion_is_called_the_trap() {
    let folder = finished(8, "");
    // Odd children are m, even ones f.
    for (row, fd) in [0.10, 0.30, 0.12, 0.34, 0.11, 0.31, 0.13, 0.29].into_iter().enumerate() {
        set_cell(&folder, "results/cohort.tsv", row, "mean_fd_mm", &fd.to_string());
    }
    let said = folder.keepstill(&["stack", "results", "--group", "sex"]).expect(0);
    assert!(said.stderr.contains("note: groups differ in motion, and that is the trap"), "{}", said.stderr);
    let groups = quality(&folder)["groups"].clone();
    assert_eq!(groups["groups"], serde_json::json!([{ "name": "f", "children": 4 }, { "name": "m", "children": 4 }]));
    let fd = &groups["compared"][0];
    assert_eq!((&fd["of"], &fd["unit"]), (&"mean_fd_mm".into(), &"mm".into()));
    assert!((fd["groups"][0]["mean"].as_f64().unwrap() - 0.31).abs() < 1e-12);
    assert!((fd["groups"][1]["median"].as_f64().unwrap() - 0.115).abs() < 1e-12);
    assert!(fd["welch"]["p"].as_f64().unwrap() < 0.001 && fd["effect"]["hedges_g"].as_f64().unwrap() > 2.0);
    assert_eq!(groups["compared"].as_array().unwrap().len(), 3);
    let page = folder.read("results/stack/quality.html");
    assert!(page.contains("that is the trap") && page.contains("0.310 ± 0.022; 0.305"));

    // No column called group: none, and it says so.
    let said = folder.keepstill(&["stack", "results"]).expect(0);
    assert!(said.stderr.contains("cohort.tsv has no column called group"), "{}", said.stderr);
    assert_eq!(quality(&folder)["groups"]["column"], Value::Null);
    let one = stack(&folder, &["--group", "nap"])["groups"].clone();
    assert_eq!(one["why_not"], "all children are in one group of the column nap");
    let said = folder.keepstill(&["stack", "results", "--group", "sexx"]).expect(1);
    assert!(said.stderr.contains("--group sexx: cohort.tsv has no such column (is \"sex\" meant?)"), "{}", said.stderr);
    // With such a column it is taken unasked; a child without a group is in none.
    for row in 0..8 {
        set_cell(&folder, "results/cohort.tsv", row, "group", ["n/a", "early", "late", "term"][row % 4]);
    }
    let groups = stack(&folder, &[])["groups"].clone();
    assert_eq!((&groups["column"], &groups["children_without"]), (&"group".into(), &2.into()));
    assert_eq!(groups["compared"][2]["of"], "minutes_kept");
    assert!(
        groups["compared"][0]["welch"]["dof_between"] == 2.0 && groups["compared"][0]["effect"]["hedges_g"].is_null()
    );
}

#[test]
fn where_nothing_can_be_told_it_says_so() {
    let folder = finished(1, "");
    let told = stack(&folder, &["--group", "sex"]);
    assert!(
        told["answer"]
            .as_str()
            .unwrap()
            .starts_with("This cannot be answered: correlations over children need at least three")
    );
    assert_eq!((&told["rows"][0]["dof"], &told["rows"][0]["median_abs_r"]), (&0.into(), &Value::Null));
    assert_eq!(column(&stacked(&folder, "quality.tsv"), "median_abs_r"), ["n/a"]);
    no_nan(&folder);

    let folder = finished(4, "");
    for row in 0..4 {
        set_cell(&folder, "results/cohort.tsv", row, "mean_fd_mm", "0.125");
    }
    let told = stack(&folder, &["--group", "sex"]);
    assert_eq!(told["answer"], "This cannot be answered: all 4 children have the same mean FD.");
    assert_eq!(told["rows"][0]["share_p"], Value::Null);
    assert!(folder.read("results/stack/quality.html").contains("This cannot be answered: all 4 children"));
    no_nan(&folder);

    // Without its mean FD a child is in the mean matrix, but in no correlation.
    set_cell(&folder, "results/cohort.tsv", 1, "mean_fd_mm", "n/a");
    let told = stack(&folder, &[]);
    assert_eq!((&told["rows"][0]["children"], &told["children"]), (&3.into(), &4.into()));
    assert!(told["notes"].to_string().contains("1 child in the stack without a mean FD"));
    no_nan(&folder);
}

#[test]
fn the_mean_matrix_is_that_of_all_children_and_its_networks_are_told() {
    let folder = finished(3, "\n[connectivity]\nmeasures = [\"pearson\", \"covariance\"]\n");
    let told = stack(&folder, &[]);
    for (measure, z) in [("pearson", true), ("covariance", false)] {
        let matrices: Vec<_> = (1..=3).map(|child| own(&folder, &format!("sub-{child:02}"), measure)).collect();
        let table = stacked(&folder, &format!("atlas-tern5_desc-{measure}_mean.tsv"));
        assert_eq!(table[0].join(" "), "name cove dune reef spit shoal");
        let mean = |i: usize, j: usize| {
            let values = matrices.iter().map(|matrix| f64::from(matrix[i][j]));
            let z = z && i != j;
            let mean = values.map(|r| if z { r.atanh() } else { r }).sum::<f64>() / 3.0;
            if z { mean.tanh() } else { mean }
        };
        let bytes = folder.bytes(&format!("results/stack/atlas-tern5_desc-{measure}_mean.npy"));
        let array: ndarray::Array2<f32> = ndarray_npy::ReadNpyExt::read_npy(std::io::Cursor::new(bytes)).unwrap();
        for i in 0..4 {
            for j in 0..4 {
                let found: f64 = table[i + 1][j + 1].parse().unwrap();
                assert!((found - mean(i, j)).abs() < 2e-6, "{measure} {i} {j}: {found} {}", mean(i, j));
                assert_eq!(array[[i, j]], table[i + 1][j + 1].parse::<f32>().unwrap());
            }
            assert_eq!(table[i + 1][5], "n/a");
        }
        assert!(array[[4, 4]].is_nan());
        // Parcels cove and dune are of A, reef and spit of B; shoal, of B too, is seen in nobody.
        let networks = stacked(&folder, &format!("atlas-tern5_desc-{measure}_networks.tsv"));
        assert_eq!(networks[0].join(" "), "network_1 network_2 edges mean");
        let names: Vec<String> = networks[1..].iter().map(|row| row[..3].join(" ")).collect();
        assert_eq!(names, ["A A 1", "A B 4", "B B 1"]);
        assert_eq!(networks[1][3], table[1][2]);
    }
    assert_eq!(told["mean_matrices"][1]["networks"], serde_json::json!(["A", "B"]));
    assert_eq!(told["mean_matrices"][1]["values"], "tanh of the mean Fisher z");
    assert!(
        folder
            .read("results/stack/quality.html")
            .contains("aria-label=\"Mean pearson within and between networks: within A")
    );
}

#[test]
fn the_page_is_whole_and_no_name_becomes_markup() {
    let folder = Tiny { children: 5, ..Tiny::default() }.build();
    folder.edit("study.toml", "Tern Bay naps", "Naps <b onclick='x'>& \\\"co\\\"</b>");
    folder.edit("atlas.tsv", "\tA\n", "\t<script>net</script>\n");
    folder.run(&["-q", "--try", "fd_mm=0"]).expect(0);
    for row in 0..5 {
        set_cell(&folder, "results/cohort.tsv", row, "group", ["<script>alert(1)</script>", "\"><img src=x>"][row % 2]);
    }
    folder.keepstill(&["stack", "results"]).expect(0);
    let page = folder.read("results/stack/quality.html");
    for markup in ["<script", "<b ", "<img", "onclick='", "http:", "https:", " style=", "src="] {
        let found = page.replace("src=x&gt;", "").contains(markup);
        assert!(!found, "{markup}");
    }
    for part in [
        "<h1>Is it just motion?</h1>",
        "<p class=\"study\">Naps &lt;b",
        "&lt;script&gt;alert(1)&lt;/script&gt;",
        "role=\"img\" aria-label=\"How the edges&#39; correlations with mean FD are spread.",
        "aria-label=\"Median correlation with mean FD by the distance",
        "before censoring",
        "not for diagnosis",
        "<summary>Settings and version</summary>",
    ] {
        assert!(page.contains(part), "{part}");
    }
    for tag in ["svg", "figure", "table", "details", "h2", "main"] {
        let count = |text: &str| page.matches(text).count();
        assert_eq!(count(&format!("<{tag}>")) + count(&format!("<{tag} ")), count(&format!("</{tag}>")), "{tag}");
    }
}

#[test]
fn rows_of_one_child_are_shuffled_together_and_children_are_counted() {
    let folder = Tiny { children: 2, sessions: 2, ..Tiny::default() }.build();
    folder.run(&["-q"]).expect(0);
    let told = stack(&folder, &[]);
    assert!(told["notes"].to_string().contains("the stack has 4 rows of 2 children"), "{}", told["notes"]);
    assert_eq!(cells(&folder.read("results/stack/quality.tsv"))[1][6], "2");
    let row = &told["rows"][0];
    assert_eq!((&row["children"], &row["rows"], &row["orders"]), (&2.into(), &4.into(), &2.0.into()));
    let answer = told["answer"].as_str().unwrap();
    assert!(answer.contains("the 4 rows of 2 children have only 2 different orders"), "{answer}");
    assert!(
        cells(&folder.read("results/stack/atlas-tern5_desc-pearson_qcfc.tsv"))[0].contains(&"after_rows".to_owned())
    );
}
