//! What `keepstill stack` says of a results folder or a wish that it cannot stack.

use super::{Case, command, hold};
use crate::builders::Folder;

const MATRIX: &str = "results/sub-01/func/sub-01_atlas-tern5_desc-pearson_matrix.tsv";
const COVERAGE: &str = "results/sub-01/func/sub-01_atlas-tern5_parcels.tsv";

/// A case after a run, with further arguments.
fn stack(name: &'static str, arguments: &[&'static str], spoil: impl Fn(&Folder) + 'static) -> Case {
    command(name, &[&["stack", "DIR/results"], arguments].concat(), move |folder| {
        folder.run(&["-q"]).expect(0);
        spoil(folder);
    })
}

#[test]
fn results_that_cannot_be_stacked() {
    let cases = [
        command("a folder that is not there", &["stack", "DIR/nowhere"], |_| {}),
        command("a study that was not run", &["stack", "DIR/results"], |_| {}),
        Case { locked: true, ..stack("a run at work", &[], |_| {}) },
        stack("a column mistyped", &["--where", "age_month=6"], |_| {}),
        stack("a column that is not there", &["--where", "shoe_size!=3"], |_| {}),
        stack("a column of groups mistyped", &["--group", "sexx"], |_| {}),
        stack("a condition without a value", &["--where", "sex"], |_| {}),
        stack("a format unknown", &["--as", "npy,csv"], |_| {}),
        stack("an unknown wish", &["--missing", "fill"], |_| {}),
        stack("minutes below 0", &["--min-minutes", "-1"], |_| {}),
        stack("nobody left", &["--min-minutes", "60"], |_| {}),
        stack("nobody without a parcel missing", &["--missing", "drop-child"], |_| {}),
        stack("no parcel that all have", &["--missing", "drop-parcel"], |folder| {
            let names = ["cove", "dune", "reef", "spit", "shoal"];
            let rows = names.map(|name| format!("{name}{}\n", "\tn/a".repeat(5)));
            folder.write(MATRIX, &format!("name\t{}\n{}", names.join("\t"), rows.concat()));
        }),
        stack("a matrix that is gone", &[], |folder| folder.remove(MATRIX)),
        stack("a matrix of fewer parcels", &[], |folder| {
            folder.write(MATRIX, "name\tcove\tdune\ncove\t1\t0.5\ndune\t0.5\t1\n");
        }),
        stack("a matrix with a row too few", &[], |folder| {
            let text = folder.read(MATRIX);
            let lines: Vec<&str> = text.lines().collect();
            folder.write(MATRIX, &(lines[..5].join("\n") + "\n"));
        }),
        stack("a matrix of other parcels", &[], |folder| folder.edit(MATRIX, "dune", "bank")),
        stack("a matrix with rows of other parcels", &[], |folder| folder.edit(MATRIX, "\nreef", "\nbank")),
        stack("a matrix with a word in it", &[], |folder| folder.edit(MATRIX, "\ncove\t1\t", "\ncove\t1\tmany")),
        stack("a matrix cut short", &[], |folder| {
            let text = folder.read(MATRIX);
            folder.cut(MATRIX, text.len() - 9);
        }),
        stack("a matrix with a row cut short", &[], |folder| folder.edit(MATRIX, "\tn/a\nreef", "\nreef")),
        stack("a file that is not an array", &[], |folder| {
            folder.write(&MATRIX.replace(".tsv", ".npy"), "not numbers")
        }),
        stack("no coverage table", &[], |folder| folder.remove(COVERAGE)),
        stack("a coverage table without names", &[], |folder| folder.edit(COVERAGE, "\tname\t", "\ttitle\t")),
        stack("a cohort table without verdicts", &[], |folder| folder.edit("results/cohort.tsv", "verdict", "opinion")),
        stack("a cohort table without a child", &[], |folder| {
            let text = folder.read("results/cohort.tsv");
            folder.write("results/cohort.tsv", &format!("{}\n", text.lines().next().unwrap()));
        }),
        stack("a report that is gone", &["--min-minutes", "0.1"], |folder| {
            folder.edit("results/cohort.tsv", "enough", "too_short");
            folder.remove("results/sub-01/func/sub-01_report.json");
        }),
        stack("a folder that is a file", &[], |folder| folder.write("results/stack", "")),
    ];
    hold("stack.txt", 28, &cases);
}
