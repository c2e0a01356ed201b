//! The invariants of the library's layout, held by reading its source: who may use whom, who may print, what messages
//! and module names must not hold.

mod circles;
mod lines;

use std::fs;
use std::path::{Path, PathBuf};

/// The stage that works over all children at once, and shares blocks of edges out on the pool that its caller runs it
/// in.
const SHARES_OUT: &str = "group";

/// What a stage may use beside foundations and earlier stages. `discover::Sex` is the one fact about a child that
/// changes a formula.
const OPEN_TO_STAGES: [&str; 2] = ["study::settings", "discover::Sex"];

/// The modules in the order of the flow, each with the comment that it stands under, as `src/lib.rs` has them.
fn flow() -> Vec<(String, String)> {
    let lib = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/lib.rs")).unwrap();
    let (mut heading, mut flow) = (String::new(), Vec::new());
    for line in lib.lines() {
        if let Some(comment) = line.strip_prefix("// ") {
            comment.clone_into(&mut heading);
        } else if let Some(module) = line.strip_prefix("pub ").unwrap_or(line).strip_prefix("mod ") {
            flow.push((module.trim_end_matches(';').to_owned(), heading.clone()));
        }
    }
    flow
}

/// The modules under headings that begin with this word, in the order of the flow.
fn under(word: &str) -> Vec<String> {
    let modules: Vec<String> =
        flow().into_iter().filter(|(_, heading)| heading.starts_with(word)).map(|(module, _)| module).collect();
    assert!(!modules.is_empty(), "src/lib.rs has no modules under \"{word}\"");
    modules
}

/// Modules that turn arrays and settings into values and know nothing of studies, records or each other's order.
fn stages() -> Vec<String> {
    under("Stages")
}

/// A source file of the library, without comments and tests.
struct Source {
    path: PathBuf,
    /// Its top module, as `clean` for `src/clean/fill.rs`.
    module: String,
    code: String,
}

fn sources() -> Vec<Source> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut sources = Vec::new();
    let mut folders = vec![root.clone()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_name().unwrap().to_str().unwrap().to_owned();
            if path.is_dir() {
                if name != "tests" {
                    folders.push(path);
                }
            } else if name.ends_with(".rs") && name != "tests.rs" {
                let text = fs::read_to_string(&path).unwrap();
                let end = text.find("#[cfg(test)]\nmod tests {").unwrap_or(text.len());
                let lines: Vec<&str> =
                    text[..end].lines().filter(|line| !line.trim_start().starts_with("//")).collect();
                let inside = path.strip_prefix(&root).unwrap();
                let module = inside.components().next().unwrap().as_os_str().to_str().unwrap();
                let module = module.trim_end_matches(".rs").to_owned();
                sources.push(Source { path: inside.to_owned(), module, code: lines.join("\n") });
            }
        }
    }
    sources.sort_by(|a, b| a.path.cmp(&b.path));
    assert!(sources.len() > 50, "only {} source files were found", sources.len());
    sources
}

/// The library alone: not the command line, which may use all of it.
fn library() -> Vec<Source> {
    let mut sources = sources();
    sources.retain(|source| !["main", "lib", "cli"].contains(&source.module.as_str()));
    sources
}

/// The paths after `crate::`, as `study::settings::Fill`.
fn uses(code: &str) -> Vec<String> {
    let path =
        |rest: &str| -> String { rest.chars().take_while(|c| c.is_alphanumeric() || "_:".contains(*c)).collect() };
    // `use crate::{a, b}` would pass unseen.
    assert!(!code.contains("crate::{"), "name one module a `use crate::` line");
    code.split("crate::").skip(1).map(path).collect()
}

fn begins(path: &str, with: &str) -> bool {
    path.strip_prefix(with).is_some_and(|rest| rest.is_empty() || rest.starts_with("::"))
}

#[test]
fn dependencies_run_down_the_flow_only() {
    let flow = flow();
    let place = |module: &str| flow.iter().position(|(known, _)| known == module);
    let mut wrong = Vec::new();
    for source in library() {
        let Some(own) = place(&source.module) else {
            panic!("{} is not in src/lib.rs; add it at its place in the flow", source.path.display())
        };
        for used in uses(&source.code) {
            let top = used.split("::").next().unwrap();
            if top != source.module && place(top).is_none_or(|other| other > own) {
                wrong.push(format!("{} uses crate::{used}", source.path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "against the flow:\n{}", wrong.join("\n"));
}

#[test]
fn the_guide_has_the_modules_in_the_order_of_the_flow() {
    let guide = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("DEVELOPERS.md")).unwrap();
    let table = guide.split("| module | holds |").nth(1).unwrap().split("\n\n").next().unwrap();
    let cells = table.lines().filter_map(|row| row.split('|').nth(1));
    let named: Vec<&str> = cells.flat_map(|cell| cell.split('`').skip(1).step_by(2)).collect();
    let flow = flow();
    let own: Vec<&str> = flow.iter().map(|(module, _)| module.as_str()).chain(["cli"]).collect();
    assert_eq!(named, own, "DEVELOPERS.md and src/lib.rs");
}

#[test]
fn stages_know_only_settings_and_earlier_stages() {
    let (stages, foundations) = (stages(), under("Foundations"));
    let mut wrong = Vec::new();
    for source in library() {
        let Some(own) = stages.iter().position(|stage| *stage == source.module) else { continue };
        for used in uses(&source.code) {
            let earlier = stages[..=own].iter().chain(&foundations).any(|module| begins(&used, module));
            let open = OPEN_TO_STAGES.iter().any(|open| begins(&used, open));
            if !earlier && !open {
                wrong.push(format!("{} uses crate::{used}", source.path.display()));
            }
        }
    }
    assert!(wrong.is_empty(), "stages know too much:\n{}", wrong.join("\n"));
}

#[test]
fn stages_know_neither_clock_nor_threads_nor_environment() {
    let clock = ["SystemTime", "Instant::", "std::env", "env::", "thread::", "ThreadPool", "num_threads"].as_slice();
    let threads = ["rayon", "par_iter", "rand::"].as_slice();
    // Draws by a seed that is given are the same for all; those of the machine are not.
    let chance = ["thread_rng", "rand::rng()", "from_os_rng", "OsRng"].as_slice();
    let stages = stages();
    let mut wrong = Vec::new();
    for source in library().iter().filter(|source| stages.contains(&source.module)) {
        let more = if source.module == SHARES_OUT { chance } else { threads };
        let banned = clock.iter().chain(more).filter(|word| source.code.contains(**word));
        wrong.extend(banned.map(|w| (source.path.clone(), *w)));
    }
    assert!(wrong.is_empty(), "{wrong:?}");
}

#[test]
fn the_library_draws_and_prints_nothing() {
    let banned = ["println!", "eprintln!", "print!(", "eprint!(", "dbg!", "stdout()", "stderr()", "indicatif", "clap"];
    let mut wrong = Vec::new();
    for source in library() {
        wrong.extend(banned.iter().filter(|word| source.code.contains(*word)).map(|w| (source.path.clone(), *w)));
    }
    assert!(wrong.is_empty(), "{wrong:?}");
    let lib = fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("src/lib.rs")).unwrap();
    assert!(lib.contains("#![deny(clippy::print_stdout, clippy::print_stderr)]"));
}

#[test]
fn progress_bars_are_drawn_in_one_place() {
    for source in sources().iter().filter(|source| source.code.contains("indicatif")) {
        let name = source.path.to_str().unwrap();
        assert!(["cli/progress.rs", "cli/synth.rs"].contains(&name), "{name} uses indicatif");
    }
}

#[test]
fn messages_hold_no_debug_text_and_start_small() {
    let mut wrong = Vec::new();
    for source in library() {
        for attribute in source.code.split("#[error(").skip(1) {
            let text = attribute.split(")]").next().unwrap();
            let literal = text.trim_start().trim_start_matches('"');
            let capital = text.trim_start().starts_with('"')
                && literal.chars().next().is_some_and(char::is_uppercase)
                && !literal.starts_with("DVARS");
            if text.contains(":?") || capital {
                wrong.push(format!("{}: {}", source.path.display(), text.trim()));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn modules_open_with_an_essay_and_have_telling_names() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for source in sources() {
        let text = fs::read_to_string(root.join(&source.path)).unwrap();
        assert!(text.starts_with("//! "), "{} does not say what it is for", source.path.display());
        let stem = source.path.file_stem().unwrap().to_str().unwrap();
        assert!(!["mod", "utils", "util", "helpers", "common", "misc"].contains(&stem), "{}", source.path.display());
    }
}

#[test]
fn settings_have_no_defaults_in_code() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let settings = fs::read_to_string(root.join("study/settings.rs")).unwrap();
    assert!(!settings.contains("Default)") && !settings.contains("Default,") && !settings.contains("impl Default"));
}
