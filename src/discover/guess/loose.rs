//! The guess for loose files: which child is which, by names and folders, and which masks and tables lie nearest to
//! each run.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use super::answer::Guess;
use super::events;
use super::files::{Kind, image_stem, motion_table};
use super::folder::Contents;
use super::motion_columns;
use super::quoting::quoted;
use super::sections::{self, NEITHER_FOUND, clean, head};
use crate::tables::TextTable;

/// One run as guessed.
struct GuessedRun<'a> {
    path: &'a Path,
    frames: Option<usize>,
    participant: String,
    session: Option<String>,
    run: Option<String>,
}

/// A study file and scan table for the 4-D images of a folder; none if there are none.
pub(super) fn guess(found: &Contents<'_>) -> Option<Guess> {
    let mut notes = Vec::new();
    let runs = runs(found, &mut notes)?;
    let table_name = found.wishes.table_name.as_str();
    let participants: BTreeSet<&str> = runs.iter().map(|run| run.participant.as_str()).collect();
    notes.insert(0, format!("{} runs of {} children among loose files", runs.len(), participants.len()));

    let (motion, table) = motion_tables(found, &runs, &participants);
    let mask = |kind: Kind| -> Vec<Option<&Path>> {
        let masks: Vec<&Path> = found.of_kind(kind).collect();
        runs.iter().map(|run| nearest_file(found, run, &masks, &participants, true)).collect()
    };
    let (brain, white_matter, csf) = (mask(Kind::BrainMask), mask(Kind::WhiteMatter), mask(Kind::Csf));
    let missing = |files: &[Option<&Path>]| files.iter().filter(|file| file.is_none()).count();
    match missing(&motion) {
        0 => {}
        count if count == runs.len() => notes.push(motion_columns::FROM_IMAGES.to_owned()),
        count => notes.push(format!("{count} of {} runs have no motion table: fill in {table_name}", runs.len())),
    }
    match missing(&brain) {
        0 => {}
        count => notes.push(format!(
            "{count} of {} runs have no brain mask: fill in {table_name}, or a mask is made from the images",
            runs.len()
        )),
    }

    let other = |fits: &dyn Fn(&Path, &GuessedRun<'_>) -> bool| -> Vec<Option<&Path>> {
        let texts: Vec<&Path> = found.files.iter().map(PathBuf::as_path).collect();
        let nearest = |run| ranked(found, run, &texts, &participants, false).find(|path| fits(path, run));
        runs.iter().map(nearest).collect()
    };
    let watch_logs = other(&|path, _| events::watch_log(path).is_some_and(|log| !log.others));
    let confounds = other(&|path, run| !motion.contains(&Some(path)) && events::confounds(path, run.frames).is_some());
    let mut further = Vec::new();
    for (name, files, told) in [("watch_log", &watch_logs, "watch logs"), ("confounds", &confounds, "confounds tables")]
    {
        let count = runs.len() - missing(files);
        if count > 0 {
            notes.push(format!("{told} were found for {count} of {} runs: CHECK the column {name}", runs.len()));
            further.push((name, files));
        }
    }

    let mut rows = "participant_id\tsession_id\trun_id\tbold\tmotion\tbrain_mask\twhite_matter\tcsf".to_owned();
    further.iter().for_each(|(name, _)| rows += &format!("\t{name}"));
    rows.push('\n');
    for (i, run) in runs.iter().enumerate() {
        let file = |path: Option<&Path>| path.map_or("n/a".to_owned(), |path| found.relative(path));
        let label = |label: &Option<String>, prefix: &str| {
            label.as_ref().map_or("n/a".to_owned(), |label| format!("{prefix}-{label}"))
        };
        let mut cells = vec![
            format!("sub-{}", run.participant),
            label(&run.session, "ses"),
            label(&run.run, "run"),
            file(Some(run.path)),
            file(motion[i]),
            file(brain[i]),
            file(white_matter[i]),
            file(csf[i]),
        ];
        cells.extend(further.iter().map(|(_, files)| file(files[i])));
        let _ = writeln!(rows, "{}", cells.join("\t"));
    }

    let mut text = head(found);
    let _ = writeln!(
        text,
        "[scans]\ntable = {}          # CHECK: the guessed list of runs and their files\n",
        quoted(table_name)
    );
    let children = found.children(false, &mut notes);
    text.push_str(&children.text);
    text.push('\n');
    let lines = match table {
        _ if missing(&motion) == runs.len() => motion_columns::FROM_IMAGES_LINE.to_owned(),
        Some(table) => motion_columns::section(&table, &mut notes),
        None => String::new(),
    };
    text.push_str(&sections::motion(&lines, children.ages));
    text.push_str(&clean(missing(&white_matter) == 0, missing(&csf) == 0, &mut notes));
    text.push_str(&found.parcels(&mut notes));
    notes.extend(further.is_empty().then(|| NEITHER_FOUND.to_owned()));
    Some(Guess { study_toml: text, scan_table: Some(rows), notes })
}

fn runs<'a>(found: &Contents<'a>, notes: &mut Vec<String>) -> Option<Vec<GuessedRun<'a>>> {
    let images: Vec<(&Path, Option<usize>)> = found
        .images
        .iter()
        .filter_map(|image| match image.kind {
            // A tab in a path cannot stand in a scan table.
            Kind::Run(frames) => {
                Some((image.path.as_path(), frames)).filter(|(p, _)| !p.to_string_lossy().contains('\t'))
            }
            _ => None,
        })
        .collect();
    if images.is_empty() {
        return None;
    }
    let labelled = images.iter().filter(|(path, _)| token(found, path, "sub").is_some()).count();
    let unsure = images.iter().filter(|(_, frames)| frames.is_none()).count();
    if unsure > 0 {
        notes.push(format!(
            "{unsure} images are taken for runs by their names alone, because their headers could not be read"
        ));
    }
    if labelled < images.len() {
        notes.push(format!(
            "{} runs have no sub- in their names: children are told apart by folder, or else by file name",
            images.len() - labelled
        ));
    }
    // A single folder around all of them names no child.
    let folders: BTreeSet<Option<String>> = images.iter().map(|(path, _)| by_folder(found, path)).collect();
    let folder = |path| by_folder(found, path).filter(|_| folders.len() > 1);
    let mut runs: Vec<GuessedRun<'a>> = images
        .into_iter()
        .map(|(path, frames)| GuessedRun {
            path,
            frames,
            participant: token(found, path, "sub").or_else(|| folder(path)).unwrap_or_else(|| by_name(path)),
            session: token(found, path, "ses"),
            run: token(found, path, "run"),
        })
        .collect();
    number_same_runs(&mut runs, notes);
    Some(runs)
}

/// Runs that could not be told apart are numbered in the order of their names.
fn number_same_runs(runs: &mut [GuessedRun<'_>], notes: &mut Vec<String>) {
    let mut same: BTreeMap<(String, Option<String>, Option<String>), Vec<usize>> = BTreeMap::new();
    for (i, run) in runs.iter().enumerate() {
        same.entry((run.participant.clone(), run.session.clone(), run.run.clone())).or_default().push(i);
    }
    let mut children = 0;
    for ((_, _, label), group) in same.iter().filter(|(_, group)| group.len() > 1) {
        children += 1;
        for (n, &i) in group.iter().enumerate() {
            let label = label.as_deref().map_or(String::new(), |label| format!("{label}x"));
            runs[i].run = Some(format!("{label}{}", n + 1));
        }
    }
    if children > 0 {
        notes.push(format!("{children} children have several runs without a run label: numbered by file name"));
    }
}

/// The label of `key-label` in a path below the data folder, the file name first, then the nearest folder.
fn token(found: &Contents<'_>, path: &Path, key: &str) -> Option<String> {
    let inside = path.strip_prefix(found.data).unwrap_or(path);
    let components: Vec<String> = inside.components().map(|c| c.as_os_str().to_string_lossy().into_owned()).collect();
    components.iter().rev().find_map(|component| {
        component.split(['_', '.']).find_map(|part| {
            let label = part.strip_prefix(key)?.strip_prefix('-')?;
            let label: String = label.chars().take_while(char::is_ascii_alphanumeric).collect();
            (!label.is_empty()).then_some(label)
        })
    })
}

/// The first folder below the data folder, as a label.
fn by_folder(found: &Contents<'_>, path: &Path) -> Option<String> {
    let inside = path.strip_prefix(found.data).ok()?;
    let first = inside.parent()?.components().next()?;
    Some(letters(&first.as_os_str().to_string_lossy())).filter(|label| !label.is_empty())
}

/// The file's name as a label.
fn by_name(path: &Path) -> String {
    let label = letters(image_stem(path).unwrap_or_default());
    if label.is_empty() { "unnamed".to_owned() } else { label }
}

fn letters(text: &str) -> String {
    text.chars().filter(char::is_ascii_alphanumeric).collect()
}

/// A motion table for each run, none used twice, and one of them to look into.
fn motion_tables<'a>(
    found: &Contents<'a>,
    runs: &[GuessedRun<'a>],
    participants: &BTreeSet<&str>,
) -> (Vec<Option<&'a Path>>, Option<TextTable>) {
    let texts: Vec<&Path> =
        found.files.iter().map(PathBuf::as_path).filter(|path| image_stem(path).is_none()).collect();
    let mut used: BTreeSet<&Path> = BTreeSet::new();
    let mut sample = None;
    let tables = runs
        .iter()
        .map(|run| {
            let free: Vec<&Path> = texts.iter().copied().filter(|path| !used.contains(path)).collect();
            // Nearest first, so that few files need to be read.
            let mut free = ranked(found, run, &free, participants, false);
            let path = free.find_map(|path| {
                let table = motion_table(path, run.frames)?;
                sample.get_or_insert(table);
                Some(path)
            })?;
            used.insert(path);
            Some(path)
        })
        .collect();
    (tables, sample)
}

fn nearest_file<'a>(
    found: &Contents<'_>,
    run: &GuessedRun<'_>,
    files: &[&'a Path],
    participants: &BTreeSet<&str>,
    shared: bool,
) -> Option<&'a Path> {
    ranked(found, run, files, participants, shared).next()
}

/// Files that may belong to a run, the likeliest first: none of another child, session or run; those in the same
/// folder and with the longest common start of the name first. `shared`: a file that names no child may serve all.
fn ranked<'a>(
    found: &Contents<'_>,
    run: &GuessedRun<'_>,
    files: &[&'a Path],
    participants: &BTreeSet<&str>,
    shared: bool,
) -> impl Iterator<Item = &'a Path> + use<'a> {
    let stem = image_stem(run.path).unwrap_or_default();
    let fits = |path: &Path| {
        let child = token(found, path, "sub").or_else(|| by_folder(found, path));
        let child = child.filter(|label| participants.contains(label.as_str()));
        let agrees = |key: &str, own: &Option<String>| match (token(found, path, key), own) {
            (Some(theirs), Some(own)) => theirs == *own,
            _ => true,
        };
        let near = path.parent() == run.path.parent();
        let named = !stem.is_empty() && path.file_name().is_some_and(|name| name.to_string_lossy().contains(stem));
        let mine = match child {
            Some(child) => child == run.participant,
            None => shared || near || named,
        };
        mine && agrees("ses", &run.session) && agrees("run", &run.run)
    };
    let mut ranked: Vec<(bool, usize, &'a Path)> = files
        .iter()
        .filter(|path| fits(path))
        .map(|path| {
            let name = path.file_name().map_or(String::new(), |name| name.to_string_lossy().into_owned());
            let common = name.chars().zip(stem.chars()).take_while(|(a, b)| a == b).count();
            (path.parent() == run.path.parent(), common, *path)
        })
        .collect();
    ranked.sort_by(|a, b| (b.0, b.1).cmp(&(a.0, a.1)).then(a.2.cmp(b.2)));
    ranked.into_iter().map(|(_, _, path)| path)
}
