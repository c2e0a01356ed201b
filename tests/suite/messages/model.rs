//! What `keepstill stack` says of a model, a choice of frames or of groups that cannot be.

use std::io::Cursor;

use ndarray::Array1;
use ndarray_npy::NpzWriter;

use super::{Case, command, hold};
use crate::builders::Folder;

const RECORD: &str = "results/.keepstill/scans/sub-01.npz";

/// A case of four children after a run, with further arguments.
fn model(name: &'static str, arguments: &[&'static str], spoil: impl Fn(&Folder) + 'static) -> Case {
    let case = command(name, &[&["stack", "-q", "DIR/results"], arguments].concat(), move |folder| {
        folder.run(&["-q"]).expect(0);
        spoil(folder);
    });
    Case { children: 4, ..case }
}

/// A test that cannot be.
fn test(name: &'static str, formula: &'static str) -> Case {
    model(name, &["--test", formula], |_| {})
}

/// A test that cannot be with further columns of four cells.
fn test_with(
    name: &'static str,
    arguments: &[&'static str],
    columns: &'static [(&'static str, [&'static str; 4])],
) -> Case {
    model(name, &[&["--test"], arguments].concat(), move |folder| {
        let mut lines: Vec<String> = folder.read("results/cohort.tsv").lines().map(str::to_owned).collect();
        for (column, values) in columns {
            let cells = std::iter::once(column).chain(values);
            lines.iter_mut().zip(cells).for_each(|(line, cell)| line.push_str(&format!("\t{cell}")));
        }
        folder.write("results/cohort.tsv", &(lines.join("\n") + "\n"));
    })
}

#[test]
fn models_that_cannot_be() {
    let cases = [
        test("a formula without an end", "z ~ age_months +"),
        test("a formula of something else", "y ~ age_months"),
        test("a formula with a function", "z ~ log(age_months)"),
        test("a formula with a column mistyped", "z ~ age_month"),
        test("a factor that does not vary", "z ~ nap"),
        test("a number that does not vary", "z ~ minutes + age_months"),
        test("a name with a blank", "z ~ ses z"),
        test("a part of a column where rows are by themselves", "z ~ within(age_months)"),
        model("blocks mistyped", &["--blocks", "sexes"], |_| {}),
        test_with(
            "a column that varies between and within blocks",
            &["z ~ score", "--blocks", "home", "--permutations", "99"],
            &[("home", ["a", "a", "b", "b"]), ("score", ["1", "2", "4", "3"])],
        ),
        test("a name with a sign", "z ~ ses-z"),
        test("a reference without its word", "z ~ factor(sex, 'm' first)"),
        test("a reference that nobody has", "z ~ factor(sex, reference = \"x\") + age_months"),
        test("a power without the column", "z ~ age_months^2"),
        test("a power of words without the column", "z ~ sex^2"),
        test_with(
            "columns that follow from each other but for rounding",
            &["z ~ frames_seen + minutes_seen"],
            &[
                ("frames_seen", ["36", "31", "40", "35"]),
                ("minutes_seen", ["1.38", "1.1883333", "1.5333333", "1.3416667"]),
            ],
        ),
        test_with(
            "an interaction with an empty cell",
            &["z ~ group * arm"],
            &[("group", ["infant", "infant", "toddler", "toddler"]), ("arm", ["a", "b", "a", "a"])],
        ),
        test_with(
            "an interaction without its reference",
            &["z ~ group * arm"],
            &[("group", ["infant", "infant", "toddler", "toddler"]), ("arm", ["b", "b", "a", "b"])],
        ),
        model("no intercept to permute by", &["--test", "z ~ age_months - 1", "--permutations", "99"], |_| {}),
        model("levels to permute", &["--test", "z ~ sex + age_months - 1", "--permutations", "99"], |_| {}),
        model("permutations without end", &["--test", "z ~ sex", "--permutations", "4294967295"], |_| {}),
        model(
            "a permuted term without permutations",
            &["--test", "z ~ sex", "--permutations", "0", "--permute", "sex"],
            |_| {},
        ),
        test("too few children", "z ~ age_months * sex"),
        test("a column without a cell", "z ~ reviewers + age_months"),
        model("a column of numbers and words", &["--test", "z ~ age_months"], |folder| {
            folder.edit("results/cohort.tsv", "\t6\tm\t", "\tsix\tm\t");
        }),
        model("a term that is not there", &["--test", "z ~ age_months", "--of", "age"], |_| {}),
        model(
            "a permuted term that is not there",
            &["--test", "z ~ age_months", "--permutations", "9", "--permute", "sex"],
            |_| {},
        ),
        model(
            "a permuted term that is not tested",
            &["--test", "z ~ age_months + sex", "--of", "sex", "--permutations", "9", "--permute", "age_months"],
            |_| {},
        ),
        model("a mean permuted", &["--test", "z ~ 1", "--permutations", "9"], |_| {}),
        test("a test of covariances that are not there", "covariance ~ age_months"),
        Case {
            children: 4,
            ..command(
                "a test of correlations that are not there",
                &["stack", "-q", "DIR/results", "--test", "z ~ age_months"],
                |folder| {
                    folder.edit("study.toml", "[enough]", "[connectivity]\nmeasures = [\"covariance\"]\n[enough]");
                    folder.run(&["-q"]).expect(0);
                },
            )
        },
        Case {
            children: 4,
            ..command("covariances of an earlier version", &["stack", "-q", "DIR/results"], |folder| {
                folder.edit("study.toml", "[enough]", "[connectivity]\nmeasures = [\"covariance\"]\n[enough]");
                folder.run(&["-q"]).expect(0);
                let report = "results/sub-03/func/sub-03_report.json";
                folder.edit(report, "\"covariance_unit\": \"percent^2\"", "\"unit\": null");
            })
        },
        model("no permutations to permute by", &["--test", "z ~ sex", "--permute", "sex"], |_| {}),
        model("a seed for nothing", &["--draw", "3"], |_| {}),
        model("minutes of nothing", &["--equal-minutes", "0"], |_| {}),
        model("minutes that nobody has", &["--equal-minutes", "9"], |_| {}),
        model("a match of something else", &["--match", "age"], |_| {}),
        model("groups mistyped", &["--match", "motion", "--group", "sexes"], |_| {}),
        model("groups that are not there", &["--match", "motion"], |_| {}),
        model("one group only", &["--match", "motion", "--group", "nap"], |_| {}),
        model("a caliper below nothing", &["--match", "motion", "--group", "sex", "--caliper", "-1"], |_| {}),
        model("a record that is gone", &["--reliability"], |folder| folder.remove(RECORD)),
        model("a file that is not a record", &["--standard-errors"], |folder| folder.write(RECORD, "not numbers")),
        model("a record of another version", &["--equal-minutes", "1"], |folder| {
            let mut npz = NpzWriter::new(Cursor::new(Vec::new()));
            npz.add_array("meta", &Array1::from_vec(br#"{"format":2}"#.to_vec())).unwrap();
            folder.write_bytes(RECORD, &npz.finish().unwrap().into_inner());
        }),
        model("a record of other results", &["--reliability"], |folder| {
            folder.edit("results/sub-01/func/sub-01_report.json", "\"frames_kept\": 36", "\"frames_kept\": 35");
        }),
        model("a report that is gone", &["--equal-minutes", "1"], |folder| {
            folder.remove("results/sub-01/func/sub-01_report.json");
        }),
        model(
            "nobody with a partner",
            &["--match", "motion-pairs", "--group", "participant_id", "--caliper", "0"],
            |_| {},
        ),
        model("one resample", &["--standard-errors", "--resamples", "1"], |_| {}),
    ];
    hold("model.txt", 42, &cases);
}
