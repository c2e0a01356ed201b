//! Names that are safe in files, and which coefficients a term has.

use super::*;
use crate::group::formula::Column;

fn text(cells: &[&str]) -> Column {
    Column::from_cells(cells.iter().copied())
}

#[test]
fn names_are_safe_and_differ() {
    let names = ["(Intercept)", "age", "factor(site)2", "age:sexM", "intercept", "Age", "odd name/é", "::"];
    let safe = safe_names(&names.map(str::to_owned));
    assert_eq!(safe[..4], ["intercept", "age", "factor_site_2", "age_x_sexM"]);
    let lower: std::collections::BTreeSet<String> = safe.iter().map(|name| name.to_lowercase()).collect();
    assert_eq!(lower.len(), names.len());
    assert!(
        safe.iter()
            .all(|name| !name.is_empty() && name.chars().all(|c| c.is_ascii_alphanumeric() || ".-_".contains(c)))
    );
}

#[test]
fn terms_are_found_by_column_by_term_and_by_coefficient() {
    let table = [
        ("age".to_owned(), text(&["1", "2", "3", "5", "8", "9"])),
        ("site".to_owned(), text(&["1", "2", "3", "1", "2", "3"])),
        ("sex".to_owned(), text(&["f", "m", "f", "m", "m", "f"])),
    ];
    for (written, expected) in [
        // With an intercept: (Intercept), age, factor(site)2, factor(site)3, sexm, age:factor(site)2,
        // age:factor(site)3.
        ("z ~ age*factor(site) + sex", [vec![1], vec![2, 3], vec![4], vec![5, 6]]),
        // Without: age, factor(site)1, factor(site)2, factor(site)3, sexm, age:factor(site)2, age:factor(site)3.
        ("z ~ 0 + age*factor(site) + sex", [vec![0], vec![1, 2, 3], vec![4], vec![5, 6]]),
    ] {
        let formula = Formula::parse(written).unwrap();
        let design = formula.design(&table).unwrap();
        let find = |asked: &str| places("--of", &[asked.to_owned()], &formula, &design);
        for (asked, expected) in ["age", "site", "sex", "age:site"].iter().zip(&expected) {
            assert_eq!(find(asked).unwrap(), *expected, "{written}: {asked}, {:?}", design.names);
        }
        assert_eq!(find("factor(site)").unwrap(), expected[1]);
        assert_eq!(find("age:factor(site)").unwrap(), expected[3]);
        assert_eq!(find("factor(site)3").unwrap().len(), 1);
        // Every coefficient belongs to one term.
        let mut all = expected.concat();
        all.sort_unstable();
        assert_eq!(all.len() + usize::from(formula.intercept), design.names.len());
        let error = find("ag").unwrap_err().to_string();
        assert!(error.contains("\"age\"") && error.starts_with("--of ag: "), "{error}");
    }
}
