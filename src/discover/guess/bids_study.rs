//! The guess for a BIDS dataset: which runs, and patterns under which their other files lie.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::Path;

use super::answer::Guess;
use super::events::{self, WatchLog};
use super::files::{Kind, motion_table};
use super::folder::{Contents, relative};
use super::motion_columns;
use super::quoting::quoted;
use super::sections::{self, NEITHER_FOUND, clean, head};
use crate::discover::bids::{self, BidsName, fill};
use crate::discover::{Scan, ScanId, tidy};
use crate::study::BidsPatterns;
use crate::study::bids_words::ENTITIES;
use crate::tables::TextTable;

/// Names of columns, and other sources of motion, that are told (own convention).
const MOST_NAMES: usize = 12;
const MOST_OTHERS: usize = 3;
/// Patterns that are tried on every scan, of each kind.
const MOST_PATTERNS: usize = 50;

/// How many runs a folder has as a dataset.
pub(super) fn runs(folder: &Path, study_dir: &Path) -> usize {
    bids::scans(folder, &BTreeMap::new(), &BidsPatterns::default(), study_dir, &mut Vec::new()).len()
}

/// A study file for a dataset; none if the folder is no dataset with runs.
pub(super) fn guess(found: &Contents<'_>) -> Option<Guess> {
    let none = BTreeMap::new();
    let all = bids::scans(found.data, &none, &BidsPatterns::default(), found.study_dir, &mut Vec::new());
    if all.is_empty() {
        return None;
    }
    let mut notes = vec![format!("{} is a BIDS dataset with {} runs", found.relative(found.data), all.len())];
    let mut scans_section = format!("bids = {}\n", quoted(&found.relative(found.data)));
    let text = &mut scans_section;
    let scans = choose(all, text, &mut notes);
    // The patterns that are in force, for a scan table.
    let mut columns: Vec<(&str, String)> = Vec::new();

    let motion = motion_patterns(found, &scans);
    let mut sample = None;
    match motion {
        Some(motion) => {
            pattern_line("motion", &motion.pattern, motion.hits, scans.len(), text, &mut notes);
            for (pattern, hits) in &motion.others {
                let _ = writeln!(
                    text,
                    "# motion = {}   # CHECK: also found, for {hits} of {} runs",
                    quoted(pattern),
                    scans.len()
                );
                notes.push(format!("other motion tables lie under {pattern} ({hits} of {} runs)", scans.len()));
            }
            columns.push(("motion", motion.pattern));
            sample = Some(motion.table);
        }
        None => {
            text.push_str(
                "# No motion tables were found. If there are any, name them with a pattern and remove [motion]:\n",
            );
            text.push_str("# motion = \"motion/sub-{participant}/ses-{session}/{stem}.txt\"\n");
            notes.push(motion_columns::FROM_IMAGES.to_owned());
        }
    }
    let mut complete = |key: &'static str, kind: Kind, text: &mut String| {
        let patterns = patterns(found, found.of_kind(kind));
        let Some((pattern, hits)) = best(found, &scans, &patterns) else { return false };
        // A tissue that only some scans have would make the others problems.
        let whole = hits == scans.len();
        if whole || key == "brain_mask" {
            pattern_line(key, &pattern, hits, scans.len(), text, &mut notes);
            columns.push((key, pattern));
        }
        whole || key == "brain_mask"
    };
    let brain = complete("brain_mask", Kind::BrainMask, text);
    let white_matter = complete("white_matter", Kind::WhiteMatter, text);
    let csf = complete("csf", Kind::Csf, text);
    if !brain {
        text.push_str("# No brain masks were found. If there are any, name them with a pattern:\n");
        text.push_str("# brain_mask = \"masks/sub-{participant}/ses-{session}/{stem}_mask.nii.gz\"\n");
        notes.push("no brain masks were found: masks are made from the images, which is second best".to_owned());
    }
    let watch_log = watch_logs(found, &scans, text, &mut notes);
    let confounds = confounds(found, &scans, text, &mut notes);
    let neither = watch_log.is_none() && !confounds;
    columns.extend(watch_log.flatten().map(|pattern| ("watch_log", pattern)));

    let table = found.wishes.table.then(|| scan_table(found, &scans, &columns));
    let mut text = head(found);
    match &table {
        Some(_) => {
            let name = quoted(&found.wishes.table_name);
            let _ = writeln!(text, "[scans]\ntable = {name}          # CHECK: the runs of the dataset and their files");
        }
        None => text.push_str(&format!("[scans]\n{scans_section}")),
    }
    text.push('\n');
    let children = found.children(table.is_none(), &mut notes);
    text.push_str(&children.text);
    text.push('\n');
    let lines = match sample {
        Some(table) => motion_columns::section(&table, &mut notes),
        None => motion_columns::FROM_IMAGES_LINE.to_owned(),
    };
    text.push_str(&sections::motion(&lines, children.ages));
    text.push_str(&clean(white_matter, csf, &mut notes));
    text.push_str(&found.parcels(&mut notes));
    notes.extend(neither.then(|| NEITHER_FOUND.to_owned()));
    Some(Guess { study_toml: text, scan_table: table, notes })
}

/// One row per run, with the files that the patterns find.
fn scan_table(found: &Contents<'_>, scans: &[Scan], columns: &[(&str, String)]) -> String {
    let mut rows = "participant_id\tsession_id\trun_id\tbold\ttr_s".to_owned();
    columns.iter().for_each(|(name, _)| rows += &format!("\t{name}"));
    rows.push('\n');
    for scan in scans {
        let label = |label: &Option<String>, key: &str| {
            label.as_ref().map_or("n/a".to_owned(), |label| format!("{key}-{label}"))
        };
        let id = &scan.id;
        let mut cells = vec![
            format!("sub-{}", id.participant),
            label(&id.session, "ses"),
            label(&id.run, "run"),
            found.relative(&scan.bold),
            scan.tr.sidecar_s.map_or("n/a".to_owned(), |tr_s| tr_s.to_string()),
        ];
        cells.extend(columns.iter().map(|(_, pattern)| {
            let path = filled(found, pattern, scan);
            if path.is_file() { found.relative(&path) } else { "n/a".to_owned() }
        }));
        let _ = writeln!(rows, "{}", cells.join("\t"));
    }
    rows
}

/// A pattern of watch logs, by the words in events files. None: there are none; and no pattern where the files have
/// other events too, since then a person must choose which of them drop frames.
fn watch_logs(
    found: &Contents<'_>,
    scans: &[Scan],
    text: &mut String,
    notes: &mut Vec<String>,
) -> Option<Option<String>> {
    let mut candidates = patterns(found, found.files.iter().map(std::path::PathBuf::as_path));
    candidates.retain(|(_, path)| events::watch_log(path).is_some());
    let (pattern, hits) = best(found, scans, &candidates)?;
    let logs: Vec<WatchLog> =
        scans.iter().filter_map(|scan| events::watch_log(&filled(found, &pattern, scan))).collect();
    let words: BTreeSet<&str> = logs.iter().flat_map(|log| &log.watched).map(String::as_str).collect();
    let words: Vec<String> = words.into_iter().map(quoted).collect();
    let (told, count) = (words.join(", "), scans.len());
    if logs.iter().any(|log| log.others) {
        let _ = writeln!(
            text,
            "# watch_log = {}   # CHECK: {hits} of {count} runs; beside other events these have {told}: with it, set \
             censor.watch_log_types = [{told}]",
            quoted(&pattern)
        );
        notes.push(format!("{pattern} may be watch logs, among other events ({told}): see the study file"));
        return Some(None);
    }
    let _ = writeln!(text, "watch_log = {}   # CHECK: {hits} of {count} runs; events are {told}", quoted(&pattern));
    notes.push(format!("watch_log is taken from {pattern} ({hits} of {count} runs), by the words {told}"));
    Some(Some(pattern))
}

/// A pattern of confounds tables in a comment, since only a person can choose among their columns.
fn confounds(found: &Contents<'_>, scans: &[Scan], text: &mut String, notes: &mut Vec<String>) -> bool {
    let mut candidates = patterns(found, found.files.iter().map(std::path::PathBuf::as_path));
    candidates.retain(|(_, path)| events::confounds(path, None).is_some());
    let Some((pattern, hits)) = best(found, scans, &candidates) else { return false };
    let table = scans.iter().find_map(|scan| events::confounds(&filled(found, &pattern, scan), None));
    let names = table.and_then(|table| table.header).unwrap_or_default();
    let shown: Vec<&str> = names.iter().take(MOST_NAMES).map(String::as_str).collect();
    let more = if names.len() > MOST_NAMES { ", …" } else { "" };
    let _ = writeln!(
        text,
        "# confounds = {}   # CHECK: {hits} of {} runs; name columns in clean.confound_columns, of {}{more}",
        quoted(&pattern),
        scans.len(),
        shown.join(", ")
    );
    notes.push(format!("confounds tables lie under {pattern}: to use them, see the study file"));
    true
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

/// Motion tables: the pattern that fits most runs with one of its tables, and others with the runs that they fit.
struct MotionPatterns {
    pattern: String,
    hits: usize,
    table: TextTable,
    others: Vec<(String, usize)>,
}

fn motion_patterns(found: &Contents<'_>, scans: &[Scan]) -> Option<MotionPatterns> {
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
    // Of other patterns, those that find a file that none before finds.
    let files_of = |pattern: &str| -> Vec<std::path::PathBuf> {
        scans.iter().map(|scan| filled(found, pattern, scan)).filter(|path| path.is_file()).collect()
    };
    let mut seen: BTreeSet<std::path::PathBuf> = files_of(&pattern).into_iter().collect();
    let mut others = Vec::new();
    for (other, _) in &candidates {
        let files = files_of(other);
        if others.len() < MOST_OTHERS && files.iter().any(|file| !seen.contains(file)) {
            others.push((other.clone(), files.len()));
            seen.extend(files);
        }
    }
    Some(MotionPatterns { pattern, hits, table, others })
}
