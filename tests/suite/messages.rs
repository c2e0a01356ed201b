//! Every message of bad input, word for word, in `golden/*.txt`.
//!
//! Each case spoils a tiny study and says what `keepstill` then says. `KEEPSTILL_BLESS=1` writes the golden files anew;
//! read each change aloud before it is committed: does it name the file and the place, what was found, what was
//! expected, and what to do next?

mod commands;
mod images;
mod model;
mod scan_table;
mod stack;
mod study_file;
mod tables;
mod times;

use std::fmt::Write;
use std::fs::{self, File};
use std::path::Path;

use crate::builders::{Folder, Tiny};

/// One way of getting it wrong.
struct Case {
    name: &'static str,
    spoil: Box<dyn Fn(&Folder)>,
    arguments: Vec<&'static str>,
    locked: bool,
    children: usize,
}

/// A case for `keepstill check`.
fn check(name: &'static str, spoil: impl Fn(&Folder) + 'static) -> Case {
    command(name, &["check", "-q", "DIR/study.toml"], spoil)
}

/// A case for `keepstill run`: what only shows when images are read.
fn run(name: &'static str, spoil: impl Fn(&Folder) + 'static) -> Case {
    command(name, &["run", "-q", "DIR/study.toml"], spoil)
}

fn command(name: &'static str, arguments: &[&'static str], spoil: impl Fn(&Folder) + 'static) -> Case {
    Case { name, spoil: Box::new(spoil), arguments: arguments.to_vec(), locked: false, children: 1 }
}

/// A case for `keepstill check` after one replacement in the study file.
fn study(name: &'static str, from: &'static str, to: &'static str) -> Case {
    check(name, move |folder| folder.edit("study.toml", from, to))
}

impl Case {
    fn text(&self) -> String {
        let folder = Tiny { children: self.children, ..Tiny::default() }.build();
        (self.spoil)(&folder);
        let place = folder.path().display().to_string();
        let lock = self.locked.then(|| {
            fs::create_dir_all(folder.join("results/.keepstill")).unwrap();
            let file = File::create(folder.join("results/.keepstill/lock")).unwrap();
            file.lock().unwrap();
            file
        });
        let arguments: Vec<String> = self.arguments.iter().map(|argument| argument.replace("DIR", &place)).collect();
        let ran = folder.keepstill(&arguments.iter().map(String::as_str).collect::<Vec<_>>());
        drop(lock);
        assert!(!ran.stderr.contains("panicked"), "{}: {}", self.name, ran.stderr);
        let mut text = format!("== {}\n$ keepstill {}\n", self.name, self.arguments.join(" "));
        for line in ran.stdout.lines().chain(ran.stderr.lines()).map(|line| line.replace(&place, "DIR")) {
            // The last lines of `check` depend on the machine, or are the same wherever nothing is wrong.
            let last = ["A run will take", "Forecast from the motion tables"];
            if !last.iter().any(|start| line.starts_with(start)) && !line.contains("minutes of data;") {
                let _ = writeln!(text, "{}", line.trim_end());
            }
        }
        let _ = writeln!(text, "[exit {}]", ran.code.map_or("by signal".to_owned(), |code| code.to_string()));
        text
    }
}

/// Compares the cases with their golden file.
fn hold(golden: &str, least: usize, cases: &[Case]) {
    let names: std::collections::BTreeSet<&str> = cases.iter().map(|case| case.name).collect();
    assert!(names.len() == cases.len() && cases.len() >= least, "{} cases", cases.len());
    let found: Vec<String> = cases.iter().map(Case::text).collect();
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/suite/golden").join(golden);
    if std::env::var_os("KEEPSTILL_BLESS").is_some() {
        fs::write(path, found.join("\n")).unwrap();
        return;
    }
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let expected: Vec<String> = text.split("\n== ").map(|part| part.trim_start_matches("== ").to_owned()).collect();
    let mut wrong = String::new();
    for case in &found {
        let case = case.trim_start_matches("== ");
        let name = case.lines().next().unwrap();
        match expected.iter().find(|part| part.lines().next() == Some(name)) {
            Some(part) if part.trim_end() == case.trim_end() => {}
            Some(part) => {
                let _ = writeln!(wrong, "--- golden\n{part}\n+++ found\n{case}");
            }
            None => {
                let _ = writeln!(wrong, "+++ not in {golden}\n{case}");
            }
        }
    }
    assert!(wrong.is_empty(), "KEEPSTILL_BLESS=1 takes these over:\n{wrong}");
    assert_eq!(expected.len(), found.len(), "{golden} holds cases that no longer exist");
}
