//! The guess for a BIDS dataset: which runs, and patterns under which their other files lie.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use super::answer::Guess;
use super::files::{Kind, motion_table};
use super::folder::{Contents, relative};
use super::motion_columns;
use super::quoting::quoted;
use super::sections::{NOT_LOOKED_FOR, clean, head};
use crate::discover::bids::{self, BidsName, fill};
use crate::discover::{Scan, ScanId, tidy};
use crate::study::BidsPatterns;
use crate::study::bids_words::ENTITIES;
use crate::tables::TextTable;

/// Patterns that are tried on every scan, of each kind.
const MOST_PATTERNS: usize = 50;

/// A study file for a dataset; none if the folder is no dataset with runs.
pub(super) fn guess(found: &Contents<'_>) -> Option<Guess> {
    let none = BTreeMap::new();
    let all = bids::scans(found.data, &none, &BidsPatterns::default(), found.study_dir, &mut Vec::new());
    if all.is_empty() {
        return None;
    }
    let mut notes = vec![format!("{} is a BIDS dataset with {} runs", found.relative(found.data), all.len())];
    let mut text = head(found);
    let _ = writeln!(text, "[scans]\nbids = {}", quoted(&found.relative(found.data)));
    let scans = choose(all, &mut text, &mut notes);

    let motion = motion_pattern(found, &scans);
    let mut sample = None;
    match motion {
        Some((pattern, hits, table)) => {
            pattern_line("motion", &pattern, hits, scans.len(), &mut text, &mut notes);
            sample = Some(table);
        }
        None => {
            text.push_str(
                "# No motion tables were found. If there are any, name them with a pattern and remove [motion]:\n",
            );
            text.push_str("# motion = \"motion/sub-{participant}/ses-{session}/{stem}.txt\"\n");
            notes.push(motion_columns::FROM_IMAGES.to_owned());
        }
    }
    let mut complete = |key: &str, kind: Kind, text: &mut String| {
        let patterns = patterns(found, found.of_kind(kind));
        let Some((pattern, hits)) = best(found, &scans, &patterns) else { return false };
        // A tissue that only some scans have would make the others problems.
        let whole = hits == scans.len();
        if whole || key == "brain_mask" {
            pattern_line(key, &pattern, hits, scans.len(), text, &mut notes);
        }
        whole || key == "brain_mask"
    };
    let brain = complete("brain_mask", Kind::BrainMask, &mut text);
    let white_matter = complete("white_matter", Kind::WhiteMatter, &mut text);
    let csf = complete("csf", Kind::Csf, &mut text);
    if !brain {
        text.push_str("# No brain masks were found. If there are any, name them with a pattern:\n");
        text.push_str("# brain_mask = \"masks/sub-{participant}/ses-{session}/{stem}_mask.nii.gz\"\n");
        notes.push("no brain masks were found: masks are made from the images, which is second best".to_owned());
    }
    text.push('\n');
    text.push_str(&found.children(true, &mut notes));
    text.push('\n');
    text.push_str(&match sample {
        Some(table) => motion_columns::section(&table, &mut notes),
        None => motion_columns::from_images(),
    });
    text.push_str(&clean(white_matter, csf, &mut notes));
    text.push_str(&found.parcels(&mut notes));
    notes.push(NOT_LOOKED_FOR.to_owned());
    Some(Guess { study_toml: text, scan_table: None, notes })
}

/// Writes `where`: the resting task if it can be told, and in comments what else a person must choose.
fn choose(all: Vec<Scan>, text: &mut String, notes: &mut Vec<String>) -> Vec<Scan> {
    let tasks: BTreeSet<String> = all.iter().filter_map(|scan| scan.id.task.clone()).collect();
    let mut scans = all;
    let mut chosen = Vec::new();
    if tasks.len() > 1 {
        let told: Vec<&str> = tasks.iter().map(String::as_str).collect();
        let told = told.join(", ");
        match tasks.iter().find(|task| task.to_ascii_lowercase().contains("rest")) {
            Some(rest) => {
                scans.retain(|scan| scan.id.task.as_ref() == Some(rest));
                chosen.push(format!("task = {}", quoted(rest)));
                notes.push(format!("of the tasks {told} only {rest} is taken"));
            }
            None => {
                let first = tasks.first().map_or("", String::as_str);
                let _ = writeln!(text, "# CHOOSE: which task of {told}? As in where = {{ task = {} }}", quoted(first));
                notes.push(format!("several tasks ({told}): choose one with scans.where"));
            }
        }
    }
    let names: Vec<BidsName> =
        scans.iter().filter_map(|scan| Some(BidsName::parse(scan.bold.file_name()?.to_str()?))).collect();
    let mut by_id: BTreeMap<&ScanId, Vec<&BidsName>> = BTreeMap::new();
    for (scan, name) in scans.iter().zip(&names) {
        by_id.entry(&scan.id).or_default().push(name);
    }
    let mut told = Vec::new();
    for (key, _) in ENTITIES {
        let differs =
            by_id.values().any(|names| names.iter().any(|n| n.entities.get(key) != names[0].entities.get(key)));
        if differs {
            let labels: BTreeSet<&String> = names.iter().filter_map(|name| name.entities.get(key)).collect();
            let labels: Vec<String> = labels.into_iter().map(|label| quoted(label)).collect();
            told.push(format!("{key} is {}", labels.join(" or ")));
        }
    }
    if !told.is_empty() {
        let told = told.join("; ");
        let _ = writeln!(text, "# CHOOSE: some runs exist in several forms ({told}); add the one you want to where");
        notes.push(format!("some runs exist in several forms ({told}): choose with scans.where"));
    }
    if !chosen.is_empty() {
        let _ = writeln!(text, "where = {{ {} }}", chosen.join(", "));
    }
    scans
}

fn pattern_line(key: &str, pattern: &str, hits: usize, scans: usize, text: &mut String, notes: &mut Vec<String>) {
    let check = if hits == scans { String::new() } else { format!("   # CHECK: fits {hits} of {scans} runs") };
    let _ = writeln!(text, "{key} = {}{check}", quoted(pattern));
    notes.push(format!("{key} is taken from {pattern} ({hits} of {scans} runs)"));
}

/// Files as patterns: the entities of each file's own name become placeholders. With one file of each pattern.
fn patterns<'p>(found: &Contents<'_>, files: impl Iterator<Item = &'p Path>) -> Vec<(String, &'p Path)> {
    let mut seen: BTreeMap<String, (usize, &Path)> = BTreeMap::new();
    for path in files {
        let Some(name) = path.file_name().and_then(|name| name.to_str()) else { continue };
        let name = BidsName::parse(name);
        let mut pattern = relative(found.study_dir, path);
        // Braces in a folder's name would read as placeholders.
        if pattern.contains(['{', '}']) {
            continue;
        }
        for (key, word) in [("sub", "participant"), ("ses", "session"), ("task", "task"), ("run", "run")] {
            if let Some(label) = name.entities.get(key) {
                pattern = swap(&pattern, &format!("{key}-{label}"), &format!("{key}-{{{word}}}"));
            }
        }
        seen.entry(pattern).or_insert((0, path)).0 += 1;
    }
    let mut patterns: Vec<_> = seen.into_iter().collect();
    patterns.sort_by_key(|(_, (count, _))| std::cmp::Reverse(*count));
    patterns.truncate(MOST_PATTERNS);
    patterns.into_iter().map(|(pattern, (_, path))| (pattern, path)).collect()
}

/// Replaces whole `key-label` tokens.
fn swap(text: &str, token: &str, by: &str) -> String {
    let mut swapped = String::new();
    let mut rest = text;
    while let Some(at) = rest.find(token) {
        let after = &rest[at + token.len()..];
        swapped.push_str(&rest[..at]);
        let whole = !after.starts_with(|c: char| c.is_ascii_alphanumeric())
            && !rest[..at].ends_with(|c: char| c.is_ascii_alphanumeric());
        swapped.push_str(if whole { by } else { token });
        rest = after;
    }
    swapped + rest
}

/// Where a pattern leads for a scan. The study's folder need not exist yet, so `..` is taken away by letters.
fn filled(found: &Contents<'_>, pattern: &str, scan: &Scan) -> std::path::PathBuf {
    tidy(&found.study_dir.join(fill(pattern, &scan.id, "")))
}

/// The pattern that finds files for most scans, with their count; the shorter of equals.
fn best(found: &Contents<'_>, scans: &[Scan], patterns: &[(String, &Path)]) -> Option<(String, usize)> {
    let hits = |pattern: &str| scans.iter().filter(|scan| filled(found, pattern, scan).is_file()).count();
    let counted = patterns.iter().map(|(pattern, _)| (hits(pattern), pattern)).filter(|(hits, _)| *hits > 0);
    let (hits, pattern) = counted.max_by_key(|(hits, pattern)| (*hits, std::cmp::Reverse(pattern.len())))?;
    Some((pattern.clone(), hits))
}

/// The best pattern of motion tables, with one of the tables.
fn motion_pattern(found: &Contents<'_>, scans: &[Scan]) -> Option<(String, usize, TextTable)> {
    let frames = |path: &Path| {
        let scan_of = |pattern: &str| scans.iter().find(|scan| filled(found, pattern, scan) == path);
        let scan = patterns(found, std::iter::once(path)).first().and_then(|(pattern, _)| scan_of(pattern))?;
        found.images.iter().find(|image| image.path == scan.bold).and_then(|image| match image.kind {
            Kind::Run(frames) => frames,
            _ => None,
        })
    };
    let mut candidates = patterns(found, found.files.iter().map(std::path::PathBuf::as_path));
    candidates.retain(|(_, path)| motion_table(path, frames(path)).is_some());
    let (pattern, hits) = best(found, scans, &candidates)?;
    let (_, path) = candidates.iter().find(|(candidate, _)| *candidate == pattern)?;
    let table = motion_table(path, frames(path))?;
    Some((pattern, hits, table))
}
