//! What `keepstill stack` says of a results folder or a wish that it cannot stack.

use super::{Case, command, hold};
use crate::builders::Folder;
use crate::several::part;
use crate::stack::set_cell;

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

/// A stack of two results folders with a child each, unless they are spoiled.
fn folders(name: &'static str, arguments: &[&'static str], spoil: impl Fn(&Folder) + 'static) -> Case {
    let spoiled = move |folder: &Folder| {
        folder.run(&["-q"]).expect(0);
        part(folder, "east", &["sub-01"]);
        part(folder, "west", &["sub-02"]);
        spoil(folder);
    };
    Case { children: 2, ..command(name, &[&["stack", "-q", "DIR/east", "DIR/west"], arguments].concat(), spoiled) }
}

#[test]
fn results_folders_that_cannot_be_stacked_together() {
    let both = ["--out", "DIR/both"];
    let also = |more: &[&'static str]| [&both, more].concat();
    let same = |folder: &Folder| {
        part(folder, "east", &["sub-01", "sub-02"]);
        part(folder, "west", &["sub-01", "sub-02"]);
    };
    let measure = |from: &'static str| {
        move |folder: &Folder| {
            let id = if from == "east" { "sub-01" } else { "sub-02" };
            let name = |measure: &str| format!("{from}/{id}/func/{id}_atlas-tern5_desc-{measure}_matrix.tsv");
            folder.write(&name("covariance"), &folder.read(&name("pearson")));
        }
    };
    let cases = [
        folders("no place for the stack", &[], |_| {}),
        folders("a folder without results", &["DIR/north", "--out", "DIR/both"], |_| {}),
        folders("a folder twice", &["DIR/./east", "--out", "DIR/both"], |_| {}),
        folders("two folders of one name", &["DIR/north/east", "--out", "DIR/both"], |folder| {
            part(folder, "north/east", &["sub-02"]);
        }),
        folders("fewer names than folders", &also(&["--names", "bay"]), |_| {}),
        folders("a name twice", &also(&["--names", "bay,bay"]), |_| {}),
        folders("an empty name", &also(&["--names", "bay,"]), |_| {}),
        folders("one id in both", &both, |folder| part(folder, "west", &["sub-01", "sub-02"])),
        folders("several ids in both", &both, same),
        folders("an unknown answer", &also(&["--same-id", "twins"]), |_| {}),
        folders(
            "rows of one child to match",
            &also(&["--same-id", "one-child", "--match", "motion", "--group", "sex"]),
            same,
        ),
        folders("a measure of the first folder only", &both, measure("east")),
        folders("a measure of the second folder only", &both, measure("west")),
        folders("a parcel of another name", &both, |folder| {
            folder.edit("west/sub-02/func/sub-02_atlas-tern5_parcels.tsv", "dune", "bank");
            folder.edit("west/sub-02/func/sub-02_atlas-tern5_desc-pearson_matrix.tsv", "dune", "bank");
        }),
        folders("nobody left in both", &also(&["--min-minutes", "60"]), |_| {}),
        folders("a column of neither", &also(&["--where", "shoe_size=3"]), |_| {}),
        folders("a report that is gone", &both, |folder| folder.remove("west/sub-02/func/sub-02_report.json")),
        folders("a stack among results", &["--out", "DIR/west"], |_| {}),
        folders("a stack among other files", &["--out", "DIR"], |_| {}),
        stack("names of one folder", &["--names", "bay"], |_| {}),
        stack("an answer of one folder", &["--same-id", "one-child"], |_| {}),
    ];
    hold("folders.txt", 21, &cases);
}

/// A stack of twelve children in two sites.
fn sites(name: &'static str, arguments: &[&'static str], spoil: impl Fn(&Folder) + 'static) -> Case {
    let spoiled = move |folder: &Folder| {
        for child in 0..12 {
            set_cell(folder, "results/cohort.tsv", child, "nap", ["bay", "cape"][child % 2]);
        }
        spoil(folder);
    };
    Case { children: 12, ..stack(name, arguments, spoiled) }
}

#[test]
fn sites_that_cannot_be_adjusted() {
    let cohort = |column: &'static str, value: fn(usize) -> &'static str| {
        move |folder: &Folder| {
            (0..12).for_each(|child| set_cell(folder, "results/cohort.tsv", child, column, value(child)));
        }
    };
    let cases = [
        sites("a column of sites mistyped", &["--adjust-sites", "nab"], |_| {}),
        sites("a kept column mistyped", &["--adjust-sites", "nap", "--keep", "age_month"], |_| {}),
        sites("kept columns without sites", &["--keep", "age_months"], |_| {}),
        sites("kept columns that are no formula", &["--adjust-sites", "nap", "--keep", "age_months +"], |_| {}),
        sites("a kept power of words", &["--adjust-sites", "nap", "--keep", "sex^2"], |_| {}),
        sites("a kept column that the stack makes", &["--adjust-sites", "nap", "--keep", "weight"], |_| {}),
        sites("one site", &["--adjust-sites", "nap"], cohort("nap", |_| "bay")),
        sites(
            "two sites of few children",
            &["--adjust-sites", "nap"],
            cohort("nap", |child| ["bay", "bay", "bay", "cape", "firth"][child % 5]),
        ),
        sites(
            "a kept column that follows from the site",
            &["--adjust-sites", "nap", "--keep", "age_months + coil"],
            cohort("coil", |child| ["12", "32"][child % 2]),
        ),
        sites(
            "a kept column that follows from another",
            &["--adjust-sites", "nap", "--keep", "age_months + years"],
            cohort("years", |child| ["0.5", "1", "1.5", "2", "2.5", "3", "3.5", "4", "4.5", "5", "5.5", "6"][child]),
        ),
        sites(
            "a kept column with a word in it",
            &["--adjust-sites", "nap", "--keep", "coil"],
            cohort("coil", |child| if child == 3 { "none" } else { "32" }),
        ),
        sites(
            "more kept columns than children allow",
            &["--adjust-sites", "nap", "--keep", "factor(coil)"],
            cohort("coil", |child| ["1", "2", "3", "4", "5", "6"][child / 2]),
        ),
        sites("no child with a site", &["--adjust-sites", "nap"], cohort("nap", |_| "n/a")),
    ];
    hold("sites.txt", 11, &cases);
}
