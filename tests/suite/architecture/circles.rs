//! No circle of imports between any files of the library, at any depth.
//!
//! A file points to the file where each name that it uses is defined: `super::X` counts for the sibling that X comes
//! from when the parent only passes X on. A declaration `mod child;` is no arrow, and neither is a re-export, unless
//! the parent uses the name itself.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

/// A file of the library.
#[derive(Default)]
struct File {
    /// Names that its `use` lines bring in, with their full paths as written.
    imports: Vec<Import>,
    /// Code without comments, tests and `use` lines.
    code: String,
}

struct Import {
    name: String,
    path: Vec<String>,
    /// Passed on to others.
    reexport: bool,
}

type Files = BTreeMap<String, File>;

fn files() -> Files {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Files::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            if path.is_dir() && !["tests", "cli"].contains(&name.as_str()) {
                folders.push(path);
            } else if name.ends_with(".rs") && !["tests.rs", "main.rs", "lib.rs", "cli.rs"].contains(&name.as_str()) {
                let inside = path.strip_prefix(&root).unwrap().to_str().unwrap().trim_end_matches(".rs");
                files.insert(inside.replace('/', "::"), read(&fs::read_to_string(&path).unwrap()));
            }
        }
    }
    assert!(files.len() > 100, "only {} files were found", files.len());
    files
}

/// Takes a file's text apart.
fn read(text: &str) -> File {
    let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
    let lines = text[..end].lines().filter(|line| !line.trim_start().starts_with("//") && !declares(line));
    let text: String = lines.collect::<Vec<_>>().join("\n").replace("#[cfg(test)]\nmod tests;", "");
    let mut file = File::default();
    let mut rest = text.as_str();
    while let Some((before, statement, after, reexport)) = next_use(rest) {
        file.code.push_str(before);
        let mut paths = Vec::new();
        expand(&[], &statement.split_whitespace().collect::<Vec<_>>().join(" "), &mut paths);
        file.imports.extend(paths.into_iter().map(|(name, path)| Import { name, path, reexport }));
        rest = after;
    }
    file.code.push_str(rest);
    file
}

/// Whether a line is `mod child;`: a child may have the name of what it passes on.
fn declares(line: &str) -> bool {
    let words: Vec<&str> = line.split_whitespace().collect();
    line.ends_with(';') && (words.starts_with(&["mod"]) || words.get(1) == Some(&"mod"))
}

/// The next `use …;` at the start of a line: what is before it, its tree, what is after, and whether it is passed on.
fn next_use(text: &str) -> Option<(&str, &str, &str, bool)> {
    let mut from = 0;
    for line in text.split_inclusive('\n') {
        let bare = line.trim_start();
        let visible = bare.strip_prefix("pub(crate) ").or_else(|| bare.strip_prefix("pub(super) "));
        let visible = visible.or_else(|| bare.strip_prefix("pub "));
        if visible.unwrap_or(bare).starts_with("use ") {
            let start = from + text[from..].find("use ").unwrap();
            let end = start + text[start..].find(';').unwrap_or(0);
            let tree = &text[(start + 4).min(end)..end];
            // A line of a long text may begin with the word too.
            if !tree.is_empty()
                && tree.chars().all(|c| c.is_alphanumeric() || c.is_whitespace() || "_:{},*".contains(c))
            {
                return Some((&text[..from], tree, &text[end + 1..], visible.is_some()));
            }
        }
        from += line.len();
    }
    None
}

/// `a::{b, c as d}` as the names that it brings in, with their paths.
fn expand(before: &[String], tree: &str, found: &mut Vec<(String, Vec<String>)>) {
    let tree = tree.trim();
    if let Some((head, inner)) = tree.split_once('{') {
        let mut path = before.to_vec();
        path.extend(head.split("::").map(str::trim).filter(|part| !part.is_empty()).map(str::to_owned));
        let inner = inner.strip_suffix('}').unwrap();
        let (mut depth, mut start) = (0, 0);
        for (at, c) in inner.char_indices().chain([(inner.len(), ',')]) {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 0 => {
                    if !inner[start..at].trim().is_empty() {
                        expand(&path, &inner[start..at], found);
                    }
                    start = at + 1;
                }
                _ => {}
            }
        }
        return;
    }
    let (path, alias) = tree.split_once(" as ").map_or((tree, None), |(path, alias)| (path, Some(alias.trim())));
    let mut whole = before.to_vec();
    whole.extend(path.split("::").map(|part| part.trim().to_owned()));
    if whole.len() > 1 && whole.last().is_some_and(|last| last == "self") {
        whole.pop();
    }
    let name = alias.map_or_else(|| whole.last().unwrap().clone(), str::to_owned);
    found.push((name, whole));
}

/// A path as written in a module, from the crate's root; none when it leads out of the crate.
fn absolute(files: &Files, module: &str, path: &[String]) -> Option<Vec<String>> {
    let mut own: Vec<String> = module.split("::").map(str::to_owned).collect();
    match path[0].as_str() {
        "crate" => Some(path[1..].to_vec()),
        "self" => Some([own, path[1..].to_vec()].concat()),
        "super" => {
            let up = path.iter().take_while(|part| *part == "super").count();
            own.truncate(own.len() - up);
            Some([own, path[up..].to_vec()].concat())
        }
        first if files.contains_key(&format!("{module}::{first}")) => Some([own, path.to_vec()].concat()),
        _ => None,
    }
}

/// What a path from the crate's root leads to.
enum Target {
    Module(String),
    /// A name that this file defines.
    Item(String),
}

fn resolve(files: &Files, path: &[String]) -> Option<Target> {
    let mut module = String::new();
    for (at, part) in path.iter().enumerate() {
        let child = if module.is_empty() { part.clone() } else { format!("{module}::{part}") };
        if files.contains_key(&child) {
            module = child;
            continue;
        }
        let file = files.get(&module)?;
        let passed = file.imports.iter().find(|import| import.name == *part);
        return match passed.and_then(|import| absolute(files, &module, &import.path)) {
            Some(further) => resolve(files, &[&further, &path[at + 1..]].concat()),
            // What comes from another crate is nobody's here, such as `super::Path`.
            None if passed.is_some() => None,
            None => Some(Target::Item(module)),
        };
    }
    (!module.is_empty()).then_some(Target::Module(module))
}

/// Words and paths of code: `a::b::c`.
fn paths(code: &str) -> impl Iterator<Item = &str> {
    code.split(|c: char| !(c.is_alphanumeric() || c == '_' || c == ':')).map(|word| word.trim_matches(':'))
}

/// From each file to the files whose names it uses.
fn arrows(files: &Files) -> BTreeMap<String, BTreeSet<String>> {
    let mut arrows: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for (module, file) in files {
        let mut to = BTreeSet::new();
        let words: BTreeSet<&str> = paths(&file.code).filter(|word| !word.is_empty()).collect();
        let firsts: BTreeSet<&str> = words.iter().map(|word| word.split("::").next().unwrap()).collect();
        let mut aliases: BTreeMap<&str, Vec<String>> = BTreeMap::new();
        for import in &file.imports {
            let Some(path) = absolute(files, module, &import.path) else { continue };
            match resolve(files, &path) {
                Some(Target::Item(target)) if !import.reexport || firsts.contains(import.name.as_str()) => {
                    to.insert(target);
                }
                // Whatever is named through the module decides.
                Some(Target::Module(target)) => {
                    aliases.insert(&import.name, target.split("::").map(str::to_owned).collect());
                }
                _ => {}
            }
        }
        for word in words.iter().filter(|word| word.contains("::")) {
            let parts: Vec<String> = word.split("::").map(str::to_owned).collect();
            let path = match aliases.get(parts[0].as_str()) {
                Some(alias) => Some([alias.as_slice(), &parts[1..]].concat()),
                None => absolute(files, module, &parts),
            };
            match path.and_then(|path| resolve(files, &path)) {
                Some(Target::Item(target) | Target::Module(target)) => {
                    to.insert(target);
                }
                None => {}
            }
        }
        to.remove(module);
        arrows.insert(module.clone(), to);
    }
    arrows
}

/// The shortest way from a file back to itself.
fn circle(arrows: &BTreeMap<String, BTreeSet<String>>, start: &str) -> Option<Vec<String>> {
    let mut ways = vec![vec![start.to_owned()]];
    let mut seen = BTreeSet::new();
    while !ways.is_empty() {
        let mut further = Vec::new();
        for way in ways {
            for next in &arrows[way.last().unwrap()] {
                let longer = [way.clone(), vec![next.clone()]].concat();
                if next == start {
                    return Some(longer);
                }
                if seen.insert(next.clone()) {
                    further.push(longer);
                }
            }
        }
        ways = further;
    }
    None
}

#[test]
fn no_files_import_each_other_in_a_circle() {
    let arrows = arrows(&files());
    let (mut wrong, mut told) = (BTreeSet::new(), BTreeSet::new());
    for start in arrows.keys() {
        let Some(way) = circle(&arrows, start) else { continue };
        if !way.iter().all(|module| told.contains(module)) {
            told.extend(way.iter().cloned());
            wrong.insert(way.join(" -> "));
        }
    }
    assert!(wrong.is_empty(), "circles of imports:\n{}", wrong.into_iter().collect::<Vec<_>>().join("\n"));
}

#[test]
fn circles_are_seen_through_parents_and_re_exports() {
    let files: Files = [
        (
            "a",
            read(
                "mod b;\nmod c;\nmod e;\npub use e::e;\npub use b::{B, Other as O};\n\
                 use crate::d;\npub struct A;\nfn f() { d::g() }",
            ),
        ),
        ("a::b", read("use super::A;\npub struct B;")),
        ("a::c", read("use super::{B, O};\npub fn h() {}")),
        ("a::e", read("use super::A;\npub fn e(_: A) {}")),
        ("d", read("pub fn g() { crate::a::c::h() }\n#[cfg(test)]\nmod tests {\nuse crate::a::A;\n}")),
    ]
    .into_iter()
    .map(|(name, file)| (name.to_owned(), file))
    .collect();
    let arrows = arrows(&files);
    let to = |from: &str| arrows[from].iter().map(String::as_str).collect::<Vec<_>>();
    assert_eq!((to("a"), to("a::b"), to("a::c"), to("d")), (vec!["d"], vec!["a"], vec!["a::b"], vec!["a::c"]));
    assert_eq!(circle(&arrows, "a").unwrap(), ["a", "d", "a::c", "a::b", "a"]);
    let used = read("mod b;\npub use b::B;\nfn f(_: B) {}");
    assert!(used.imports[0].reexport && paths(&used.code).any(|word| word == "B"));
}
