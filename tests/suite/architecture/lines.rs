//! How long lines and files may be. `cargo fmt` breaks code only: it leaves comments, string literals and all code with
//! a literal that is too long.

use std::fs;
use std::path::{Path, PathBuf};

const LONGEST_LINE: usize = 120;
const LONGEST_FILE: usize = 500;

/// Files of a folder and of those below it that end so, with their texts.
fn files(folder: &str, ending: &str) -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (mut found, mut folders) = (Vec::new(), vec![root.join(folder)]);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.to_str().unwrap().ends_with(ending) {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path.strip_prefix(root).unwrap().to_owned(), text));
            }
        }
    }
    assert!(!found.is_empty(), "{folder} has no {ending}");
    found
}

fn rust() -> Vec<(PathBuf, String)> {
    ["src", "tests/suite", "examples", "benches"].into_iter().flat_map(|folder| files(folder, ".rs")).collect()
}

fn guides() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let tops = ["README.md", "DEVELOPERS.md"].map(|name| (name.into(), fs::read_to_string(root.join(name)).unwrap()));
    files("docs", ".md").into_iter().chain(tops).collect()
}

fn python() -> Vec<(PathBuf, String)> {
    ["tests/reference", "benches"].into_iter().flat_map(|folder| files(folder, ".py")).collect()
}

/// The numbers of the lines that are too long, counted from 1.
fn too_long<'a>(lines: impl Iterator<Item = (usize, &'a str)>) -> Vec<usize> {
    lines.filter(|(_, line)| line.chars().count() > LONGEST_LINE).map(|(number, _)| number).collect()
}

fn numbered(text: &str) -> impl Iterator<Item = (usize, &str)> {
    (1..).zip(text.lines())
}

/// Lines of a guide without rows of tables and fenced blocks, which cannot be broken.
fn prose(text: &str) -> impl Iterator<Item = (usize, &str)> {
    let mut fenced = false;
    numbered(text).filter(move |(_, line)| {
        let fence = line.trim_start().starts_with("```");
        fenced ^= fence;
        !fenced && !fence && !line.trim_start().starts_with('|')
    })
}

#[test]
fn lines_have_at_most_120_characters() {
    let code = rust().into_iter().chain(python()).map(|(path, text)| (path, too_long(numbered(&text))));
    let guides = guides().into_iter().map(|(path, text)| (path, too_long(prose(&text))));
    let wrong: Vec<String> = code
        .chain(guides)
        .flat_map(|(path, lines)| lines.into_iter().map(move |line| format!("{}:{line}", path.display())))
        .collect();
    assert!(wrong.is_empty(), "{} lines are longer than {LONGEST_LINE} characters:\n{}", wrong.len(), wrong.join("\n"));
}

#[test]
fn files_have_at_most_500_lines() {
    let wrong: Vec<String> = rust()
        .iter()
        .map(|(path, text)| (path, text.lines().count()))
        .filter(|(_, lines)| *lines > LONGEST_FILE)
        .map(|(path, lines)| format!("{} has {lines}", path.display()))
        .collect();
    assert!(wrong.is_empty(), "files of more than {LONGEST_FILE} lines:\n{}", wrong.join("\n"));
}

#[test]
fn prose_is_what_is_neither_table_nor_fenced() {
    let text = "one\n| a |\n```console\n| b |\n```\ntwo\n- x\n  ```text\n  c\n  ```\nthree";
    assert_eq!(prose(text).map(|(number, _)| number).collect::<Vec<_>>(), [1, 6, 7, 11]);
    assert_eq!(too_long([(3, "é".repeat(120).as_str()), (4, "e".repeat(121).as_str())].into_iter()), [4]);
}
