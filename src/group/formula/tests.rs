use ndarray::array;

use super::*;

fn terms(text: &str) -> (bool, Vec<String>) {
    let formula = Formula::parse(text).unwrap();
    (formula.intercept, formula.terms.iter().map(|term| formula.written(term, ":")).collect())
}

fn table() -> Vec<(String, Column)> {
    vec![
        ("age".into(), Column::Number(vec![8.0, 9.5, 7.0, f64::NAN, 11.0])),
        ("sex".into(), Column::from_cells(["M", "F", "n/a", "F", "F"])),
        ("site".into(), Column::from_cells(["10", "2", "2", "2", "1"])),
        ("mean fd".into(), Column::from_cells(["0.1", "0.25", "0.3", "0.2", "0.15"])),
        ("odd".into(), Column::from_cells(["1", "2", "three", "4", "5"])),
        ("same".into(), Column::from_cells(["x"; 5])),
        ("empty".into(), Column::from_cells([""; 5])),
    ]
}

#[test]
fn the_ordinary_forms_are_read() {
    assert_eq!(terms("z ~ age + sex"), (true, vec!["age".into(), "sex".into()]));
    assert_eq!(terms("z~1"), (true, vec![]));
    assert_eq!(terms("r ~ age - 1"), (false, vec!["age".into()]));
    assert_eq!(terms("z ~ 0 + age"), (false, vec!["age".into()]));
    assert_eq!(terms("z ~ -1 + age + age"), (false, vec!["age".into()]));
    assert_eq!(terms("z ~ factor(site) + `mean fd`"), (true, vec!["factor(site)".into(), "mean fd".into()]));
    // Interactions come after single terms, their parts in the order of first mention.
    assert_eq!(terms("z ~ a*b + c"), (true, vec!["a".into(), "b".into(), "c".into(), "a:b".into()]));
    assert_eq!(terms("z ~ a + b + b:a"), (true, vec!["a".into(), "b".into(), "a:b".into()]));
    let all = ["a", "b", "c", "a:b", "a:c", "b:c", "a:b:c"].map(String::from).to_vec();
    assert_eq!(terms("z ~ a*b*c"), (true, all));
    assert_eq!(Formula::parse("r ~ 1").unwrap().response, Response::Correlation);
    assert_eq!(Formula::parse("covariance ~ covariance + z").unwrap().response, Response::Covariance);
}

#[test]
fn refusals_name_the_place_and_what_was_expected() {
    let said = |text: &str| Formula::parse(text).unwrap_err().to_string();
    for (text, place, words) in [
        ("", 1, "z (Fisher's z of each edge), r (its correlation) or covariance was expected"),
        ("y ~ age", 1, "the name y"),
        ("z age", 3, "\"~\" was expected"),
        ("z ~", 4, "its end"),
        ("z ~ age +", 10, "the name of a column, factor(…), 0 or 1"),
        ("z ~ age sex", 9, "the name sex"),
        ("z ~ age + + sex", 11, "\"+\""),
        ("z ~ 2", 5, "the number 2"),
        ("z ~ age - sex", 11, "only the intercept"),
        ("z ~ log(age)", 5, "no functions but factor(), between() and within() can be called"),
        ("z ~ age^4", 9, "expected"),
        ("z ~ (age + sex)", 5, "without parentheses"),
        ("z ~ .", 5, "name each column"),
        ("z ~ factor(1)", 12, "the name of a column"),
        ("z ~ factor(site + base)", 17, "\")\" after"),
        ("z ~ factor(site, 'b' first)", 18, "expected"),
        ("z ~ ses z", 9, "that contains a blank goes between backticks"),
        ("z ~ `ses`2", 10, "goes between backticks"),
        ("z ~ ses-z", 9, "between backticks"),
        ("z ~ ses/z", 8, "goes between backticks"),
        ("z ~ `age", 5, "another backtick"),
        ("z ~ ``", 5, "between them"),
        ("z ~ site + factor(site)", 12, "one way only"),
        ("z ~ 0", 6, "a column beside"),
        ("z ~ äge + ?", 11, "\"?\""),
    ] {
        let message = said(text);
        assert!(message.contains(&format!("at character {place}")) && message.contains(words), "{text}: {message}");
    }
    assert_eq!(
        said("z ~ age + age:sex"),
        "the formula has age:sex without sex; write age*sex, which stands for the interaction and its parts"
    );
}

#[test]
fn children_without_a_value_are_left_out_and_named() {
    let design = Formula::parse("z ~ age + sex").unwrap().design(&table()).unwrap();
    assert_eq!(design.names, ["(Intercept)", "age", "sexM"]);
    assert_eq!(design.rows, [0, 1, 4]);
    assert_eq!(
        design.left_out,
        [Missing { row: 2, columns: vec!["sex".into()] }, Missing { row: 3, columns: vec!["age".into()] }]
    );
    assert_eq!(design.matrix, array![[1.0, 8.0, 1.0], [1.0, 9.5, 0.0], [1.0, 11.0, 0.0]]);
    let levels = vec![("F".to_owned(), 2), ("M".to_owned(), 1)];
    assert_eq!(design.factors, [Levels { column: "sex".into(), levels, has_reference: true }]);
}

#[test]
fn numbers_are_numbers_unless_they_are_called_groups() {
    let design = |text: &str| Formula::parse(text).unwrap().design(&table()).unwrap();
    assert_eq!(design("z ~ site").matrix.column(1).to_vec(), [10.0, 2.0, 2.0, 2.0, 1.0]);
    // Levels by size, not by letters.
    assert_eq!(design("z ~ factor(site)").names, ["(Intercept)", "factor(site)2", "factor(site)10"]);
    assert_eq!(design("z ~ factor(site) - 1").names, ["factor(site)1", "factor(site)2", "factor(site)10"]);
    assert_eq!(design("z ~ factor(age)").names, ["(Intercept)", "factor(age)8", "factor(age)9.5", "factor(age)11"]);
    assert_eq!(design("z ~ `mean fd`*factor(site)").names[4..], ["mean fd:factor(site)2", "mean fd:factor(site)10"]);
    assert_eq!(design("z ~ 1").matrix, ndarray::Array2::<f64>::ones((5, 1)));
}

#[test]
fn columns_that_cannot_be_used_are_refused() {
    let said = |text: &str| Formula::parse(text).unwrap().design(&table()).unwrap_err().to_string();
    assert!(said("z ~ ages").contains(
        "column ages, which the table of children does not have (is \"age\" meant?); its columns are age, sex"
    ));
    assert_eq!(
        said("z ~ odd"),
        "the column odd holds numbers and, in row 3, \"three\"; correct that cell, or write factor(odd) to treat the \
         column as \
         names of groups"
    );
    assert!(said("z ~ same").contains("holds \"x\" for every child"));
    assert!(said("z ~ empty + age").contains("(empty, age)"));
    let infinite = vec![("age".to_owned(), Column::Number(vec![1.0, f64::INFINITY]))];
    let error = Formula::parse("z ~ age").unwrap().design(&infinite).unwrap_err();
    assert!(error.to_string().contains("not finite in row 2"));
    let twice = vec![("a".to_owned(), Column::Number(vec![1.0])), ("a".to_owned(), Column::Number(vec![1.0]))];
    assert!(matches!(Formula::parse("z ~ a").unwrap().design(&twice), Err(FormulaError::ColumnTwice { .. })));
    let short = vec![("a".to_owned(), Column::Number(vec![1.0; 2])), ("b".to_owned(), Column::Number(vec![1.0]))];
    assert!(matches!(Formula::parse("z ~ a + b").unwrap().design(&short), Err(FormulaError::Length { .. })));
}

#[test]
fn cells_without_a_value_are_no_level() {
    let cells = ["a", "N/A", " n/A ", "NaN", "nan", "na", "NA", "", "  ", "b", "nap"];
    let table = vec![("arm".to_owned(), Column::from_cells(cells))];
    let design = Formula::parse("z ~ arm").unwrap().design(&table).unwrap();
    assert_eq!(design.names, ["(Intercept)", "armb", "armnap"]);
    assert_eq!(design.rows, [0, 9, 10]);
    assert_eq!(design.left_out.len(), 8);
    // Among numbers they are no word either.
    let table = vec![("age".to_owned(), Column::from_cells(["1", "N/A", "2.5", "NaN"]))];
    assert_eq!(Formula::parse("z ~ age").unwrap().design(&table).unwrap().matrix, array![[1.0, 1.0], [1.0, 2.5]]);
}

#[test]
fn texts_of_one_number_are_one_level() {
    let design = |cells: &[&str]| {
        let table = vec![("code".to_owned(), Column::from_cells(cells.iter().copied()))];
        Formula::parse("z ~ factor(code) - 1").unwrap().design(&table).unwrap()
    };
    let found = design(&["1.0", "2", "01", "1", "+1", "10", "2.00", "-0", "0"]);
    assert_eq!(found.names, ["factor(code)0", "factor(code)1", "factor(code)2", "factor(code)10"]);
    let children: Vec<usize> = found.factors[0].levels.iter().map(|(_, children)| *children).collect();
    assert_eq!(children, [2, 4, 2, 1]);
    assert_eq!(found.matrix.column(1).to_vec(), [1.0, 0.0, 1.0, 1.0, 1.0, 0.0, 0.0, 0.0, 0.0]);
    // Among equally short texts, the first seen.
    assert_eq!(design(&["1.0", "01", "+1", "2"]).names, ["factor(code)01", "factor(code)2"]);
    // Codes that are too long for a double stay apart, and among words texts are texts.
    assert_eq!(design(&["9007199254740993", "9007199254740992", "1"]).names.len(), 3);
    assert_eq!(design(&["1", "1.0", "x"]).names, ["factor(code)1", "factor(code)1.0", "factor(code)x"]);
    let table = vec![("code".to_owned(), Column::from_cells(["1", "1.0"]))];
    let error = Formula::parse("z ~ factor(code)").unwrap().design(&table).unwrap_err();
    assert_eq!(error, FormulaError::OneLevel { column: "code".into(), level: "1".into() });
}

#[test]
fn interactions_with_an_empty_cell_say_what_can_be_done() {
    let said = |group: [&str; 6], arm: [&str; 6], formula: &str| {
        let site = Column::from_cells(["1", "1", "2", "2", "1", "2"]);
        let columns = [("group", Column::from_cells(group)), ("arm", Column::from_cells(arm)), ("site", site)];
        let table: Vec<(String, Column)> = columns.map(|(name, column)| (name.to_owned(), column)).into();
        Formula::parse(formula).unwrap().design(&table).map(|design| design.names.len()).map_err(|e| e.to_string())
    };
    let group = ["infant", "infant", "infant", "toddler", "toddler", "toddler"];
    let words = |cell: &str| {
        Err(format!(
            "no child with all columns of the formula has {cell}, so the interaction group:arm cannot be estimated; \
             leave it out, or make one column of the combinations that occur and name it in place of group*arm"
        ))
    };
    assert_eq!(said(group, ["a", "b", "a", "a", "a", "a"], "z ~ group*arm"), words("group toddler and arm b"));
    // That of both references, whose absence shows in no column of its own.
    assert_eq!(said(group, ["b", "b", "b", "a", "b", "a"], "z ~ group*arm"), words("group infant and arm a"));
    assert_eq!(said(group, ["b", "b", "b", "a", "b", "a"], "z ~ 0 + group*arm"), words("group infant and arm a"));
    let every = ["a", "b", "a", "a", "b", "a"];
    assert_eq!(said(group, every, "z ~ group*arm"), Ok(4));
    let three = said(group, every, "z ~ group*arm*factor(site)").unwrap_err();
    assert!(three.contains("has arm b and site 2, so the interaction arm:factor(site) cannot"), "{three}");
    // A number has no cells.
    assert_eq!(said(group, every, "z ~ group*site"), Ok(4));
}

#[test]
fn parts_are_means_of_blocks_and_distances_from_them() {
    let table = vec![
        ("age".into(), Column::Number(vec![8.0, 10.0, 7.0, 12.0, 11.0, 9.0])),
        ("sex".into(), Column::from_cells(["M", "F", "F", "F", "M", "n/a"])),
    ];
    let blocks = Blocks::new::<_, u32>(&["a", "a", "b", "c", "c", "b"], None);
    let design = |text: &str| Formula::parse(text).unwrap().design_in_blocks(&table, &blocks).unwrap();
    let ages = design("z ~ between(age) + within(age)");
    assert_eq!(ages.names, ["(Intercept)", "between(age)", "within(age)"]);
    assert_eq!(ages.matrix.column(1).to_vec(), [9.0, 9.0, 8.0, 11.5, 11.5, 8.0]);
    assert_eq!(ages.matrix.column(2).to_vec(), [-1.0, 1.0, -1.0, 0.5, -0.5, 1.0]);
    // Means are over the rows that are used; a factor's columns are taken apart.
    let both = design("z ~ within(age) + between(sex) + within(sex)");
    assert_eq!(both.names[2..], ["between(sex)M", "within(sex)M"]);
    assert_eq!(both.matrix.column(1).to_vec(), [-1.0, 1.0, 0.0, 0.5, -0.5]);
    assert_eq!(both.matrix.column(2).to_vec(), [0.5, 0.5, 0.0, 0.5, 0.5]);
    assert_eq!(both.matrix.column(3).to_vec(), [0.5, -0.5, 0.0, -0.5, 0.5]);
    assert_eq!(both.factors.len(), 1);
    let refused = Formula::parse("z ~ within(age)").unwrap().design(&table).unwrap_err();
    assert_eq!(refused, FormulaError::NoBlocks { written: "within(age)".into() });
    assert!(Formula::parse("z ~ within(age + sex)").unwrap_err().to_string().contains("\")\" after the column's name"));
}

#[test]
fn a_factor_has_the_reference_that_is_named() {
    for written in ["factor(site, reference = \"2\")", "factor(site, reference = 2)", "factor(site, reference='2.0')"] {
        let design = Formula::parse(&format!("z ~ {written} + age*factor(site)")).unwrap().design(&table()).unwrap();
        // The others keep their order.
        let names =
            ["(Intercept)", "factor(site)1", "factor(site)10", "age", "factor(site)1:age", "factor(site)10:age"];
        assert_eq!(design.names, names, "{written}");
        let levels: Vec<&str> = design.factors[0].levels.iter().map(|(level, _)| level.as_str()).collect();
        assert_eq!(levels, ["2", "1", "10"]);
        assert_eq!(design.matrix.column(1), array![0.0, 0.0, 0.0, 1.0]);
        assert_eq!(design.matrix.column(2), array![1.0, 0.0, 0.0, 0.0]);
        assert_eq!(design.terms, [1..3, 3..4, 4..6]);
    }
    let usual = Formula::parse("z ~ factor(sex, reference = F)").unwrap().design(&table()).unwrap();
    assert_eq!(usual.names, ["(Intercept)", "factor(sex)M"]);
    let said = |text: &str| {
        let found = Formula::parse(text).and_then(|formula| formula.design(&table()));
        found.unwrap_err().to_string()
    };
    let none = said("z ~ factor(site, reference = \"dune\")");
    assert_eq!(none, "the reference \"dune\" of factor(site) occurs in no child; the levels are 1, 2, 10");
    let two = said("z ~ factor(site, reference = \"1\") + factor(site, reference = \"2\"):age + age");
    assert!(two.contains("both factor(site, reference = \"1\") and factor(site, reference = \"2\")"), "{two}");
    assert!(said("z ~ factor(site, reference = \"1").contains("another one like it"));
}

#[test]
fn powers_are_of_the_column_less_its_mean() {
    let design = Formula::parse("z ~ age^2 + age + age^3").unwrap().design(&table()).unwrap();
    assert_eq!(design.names, ["(Intercept)", "age^2", "age", "age^3"]);
    // The ages are 8, 9.5, 7 and 11.
    let mean = 8.875;
    assert_eq!(design.centred, [("age".to_owned(), mean)]);
    for (row, age) in [8.0, 9.5, 7.0, 11.0_f64].into_iter().enumerate() {
        let expected = [1.0, (age - mean).powi(2), age, (age - mean).powi(3)];
        assert_eq!(design.matrix.row(row).to_vec(), expected);
    }
    let said = |text: &str| {
        let found = Formula::parse(text).and_then(|formula| formula.design(&table()));
        found.unwrap_err().to_string()
    };
    assert!(said("z ~ age^2").starts_with("the formula has age^2 without age; add age"));
    assert!(said("z ~ age + age^3").starts_with("the formula has age^3 without age^2;"));
    assert!(said("z ~ age + age^2*sex").starts_with("the formula has age^2:sex without age:sex;"));
    for words in ["z ~ sex + sex^2", "z ~ sex^2"] {
        assert!(said(words).contains("but the column sex holds words"), "{}", said(words));
    }
    assert!(Formula::parse("z ~ age*sex + age^2*sex").is_ok());
}
