//! `--test` on pairs of networks, on factors as a whole, on powers, and with sets of edges: what is written. The
//! numbers are held against R and scipy in `tests/reference/test_networks.py`.

use crate::model::{NAME, about, array, column, finished, names, set_column, stack, stacked};

#[test]
fn pairs_of_networks_are_tested_and_factors_as_a_whole() {
    let folder = finished(8);
    set_column(&folder, "site", &["dune", "cove", "reef", "dune", "cove", "reef", "dune", "cove"]);
    set_column(&folder, "age_months", &["90", "101", "97", "120", "131", "88", "115", "109"]);
    let formula = "z ~ factor(site, reference = \"dune\") + age_months + age_months^2";
    let options = ["--all", "--test", formula, "--permutations", "30"];
    let said = stack(&folder, &[options.as_slice(), &["--level", "networks"]].concat());
    assert!(said.contains("pairs of networks with q < 0.05"), "{said}");
    let table = stacked(&folder, &format!("{NAME}_networks_test.tsv"));
    let mut header =
        "pair network_1 network_2 children dof between_variance intercept_estimate intercept_se".to_owned();
    for name in ["factor_site_cove", "factor_site_reef", "age_months", "age_months_2"] {
        ["estimate", "se", "t", "p", "q", "p_familywise"].iter().for_each(|what| header += &format!(" {name}_{what}"));
    }
    ["f", "f_dof", "f_p", "f_q", "f_p_familywise"].iter().for_each(|what| header += &format!(" factor_site_{what}"));
    assert_eq!(table[0].join(" "), header);
    assert_eq!(column(&table, "network_2"), ["A", "B", "B"]);
    // Means of networks are all in one class.
    let classes = about(&folder)["test"]["arrays"][0]["weights"]["classes"].clone();
    let between = classes[0]["between_variance"].as_f64().unwrap() as f32;
    assert_eq!(column(&table, "between_variance"), [between.to_string(), between.to_string(), between.to_string()]);
    assert_eq!(column(&table, "factor_site_f_dof"), ["2"; 3]);
    let f: Vec<f64> = column(&table, "factor_site_f").iter().map(|f| f.parse().unwrap()).collect();
    let matrix = array(&folder, &format!("{NAME}_networks_term-factor_site_f"));
    assert_eq!(matrix, ndarray::array![[f[0] as f32, f[1] as f32], [f[1] as f32, f[2] as f32]]);
    let test = &about(&folder)["test"];
    assert_eq!(test["level"], "networks");
    assert_eq!(test["factors"][0]["reference"], "dune");
    assert_eq!(test["arrays"][0]["terms"][0]["name"], "factor(site)");
    assert!((test["centred_for_powers"]["age_months"].as_f64().unwrap() - 106.375).abs() < 1e-9);
    // The same on edges, with sets.
    let said = stack(&folder, &[options.as_slice(), &["--edge-sets", "0.5", "--permute", "age_months"]].concat());
    assert!(said.contains("edge sets with p < 0.05 by excess"), "{said}");
    assert!(names(&folder).iter().all(|name| !name.contains("networks_test") && !name.contains("networks_term")));
    let sets = stacked(&folder, &format!("{NAME}_coefficient-age_months_edge_sets.tsv"));
    let header = "set sign edges parcels excess peak_t p_excess p_edges edge_list parcel_list";
    assert_eq!(sets[0].join(" "), header);
    assert!(sets.len() > 1, "no set above 0.5");
    let table = stacked(&folder, &format!("{NAME}_test.tsv"));
    let numbers = column(&table, "age_months_set");
    for row in &sets[1..] {
        let edges: Vec<&str> = row[8].split("; ").collect();
        assert_eq!(row[2], edges.len().to_string());
        assert_eq!(row[3], row[9].split("; ").count().to_string());
        let own: Vec<String> = (0..10).filter(|&e| numbers[e] == row[0]).map(|e: usize| e.to_string()).collect();
        assert_eq!(own, edges);
    }
    let error = |more: &[&str]| folder.keepstill(&[&["stack", "results", "--all"], more].concat()).expect(1).stderr;
    let sets = ["--test", "z ~ age_months", "--edge-sets", "3", "--permutations"];
    assert!(error(&[sets.as_slice(), &["0"]].concat()).contains("--permutations is 0"));
    assert!(error(&[sets.as_slice(), &["9", "--level", "networks"]].concat()).contains("need --level edges"));
}
