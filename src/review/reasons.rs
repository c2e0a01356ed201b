//! `review/reasons.txt`: the reasons that reviewers choose from, one per line, to be edited by hand. And
//! `review/unhidden.tsv`: who looked at group, sex and age, and when.

use std::fs::File;
use std::io::{self, Read};
use std::path::{Path, PathBuf};

use super::clock;
use super::decisions::{LONGEST_TEXT, free_text};
use super::ledger::{self, LedgerError};
use crate::record::files::{WriteError, write_whole};
use crate::results::Layout;

/// A new list: our own words for what reviewers see most often (own choice).
const FIRST: [&str; 8] = [
    "too restless",
    "what is left is too scattered",
    "fell asleep late",
    "woke up early",
    "image looks damaged",
    "poor coverage",
    "brain mask does not fit",
    "not the right scan",
];

/// A longer list is no list to choose from (own limit).
const LARGEST: u64 = 1 << 18;

/// Why the list could not be read or written.
#[derive(Debug, thiserror::Error)]
pub enum ReasonsError {
    #[error("{}: cannot read: {source}; check its permissions, or move it away for a new list", path.display())]
    Read { path: PathBuf, source: io::Error },
    #[error("{}: is longer than {LARGEST} bytes; shorten the list of reasons", path.display())]
    TooLarge { path: PathBuf },
    #[error(transparent)]
    Write(#[from] WriteError),
    #[error(transparent)]
    Append(#[from] LedgerError),
}

fn path(results: &Path) -> PathBuf {
    Layout::new(results).reasons()
}

/// Makes the list, if there is none.
///
/// # Errors
/// When it cannot be written.
pub fn make(results: &Path) -> Result<(), ReasonsError> {
    let path = path(results);
    if !path.exists() {
        write_whole(&path, (FIRST.join("\n") + "\n").as_bytes())?;
    }
    Ok(())
}

/// The reasons, each once, in the order of the file; none if there is no file. Bytes that are no text become `�`.
///
/// # Errors
/// A file that cannot be read or is far too long.
pub fn read(results: &Path) -> Result<Vec<String>, ReasonsError> {
    let path = path(results);
    let mut bytes = Vec::new();
    let read = File::open(&path).and_then(|file| file.take(LARGEST + 1).read_to_end(&mut bytes));
    match read {
        Err(source) if source.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(source) => return Err(ReasonsError::Read { path, source }),
        Ok(_) if bytes.len() as u64 > LARGEST => return Err(ReasonsError::TooLarge { path }),
        Ok(_) => {}
    }
    let text = String::from_utf8_lossy(&bytes);
    let mut reasons: Vec<String> = Vec::new();
    for line in text.trim_start_matches('\u{feff}').lines() {
        let line: String = line.chars().take(LONGEST_TEXT).collect();
        match free_text(&line, "reason") {
            Ok(Some(reason)) if !reasons.contains(&reason) => reasons.push(reason),
            _ => {}
        }
    }
    Ok(reasons)
}

/// Adds a reason to the end of the list, unless it is there.
///
/// # Errors
/// When the list cannot be read or written.
pub fn add(results: &Path, reason: &str) -> Result<(), ReasonsError> {
    if !read(results)?.iter().any(|known| known == reason) {
        ledger::append_line(&path(results), reason)?;
    }
    Ok(())
}

/// Columns of the table of who looked.
const UNHIDDEN: [&str; 2] = ["time", "reviewer"];

fn unhidden_path(results: &Path) -> PathBuf {
    Layout::new(results).unhidden()
}

/// Notes that a reviewer looks at group, sex and age; when this returns it is on disk.
///
/// # Errors
/// As [`ledger::append`].
pub fn note_unhidden(results: &Path, reviewer: &str) -> Result<(), LedgerError> {
    let cells = [clock::now(), reviewer.to_owned()];
    ledger::append(&unhidden_path(results), &UNHIDDEN, &cells)
}

/// Everybody who looked at group, sex and age, one entry for each time. A line that was torn off while it was written
/// does not count, because nothing was shown then.
///
/// # Errors
/// As [`ledger::read`].
pub fn unhidden(results: &Path) -> Result<Vec<String>, LedgerError> {
    let lines = ledger::read(&unhidden_path(results), &UNHIDDEN)?;
    Ok(lines.into_iter().filter_map(|line| line.content.ok()?.pop()).collect())
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn the_list_is_made_once_edited_and_added_to() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(read(folder.path()).unwrap(), Vec::<String>::new());
        make(folder.path()).unwrap();
        assert_eq!(read(folder.path()).unwrap(), FIRST);
        // Edited by hand: empty lines, one twice, no line end at the end.
        fs::write(path(folder.path()), "\u{feff}cried\r\n\n  squirmed \ncried\nslept").unwrap();
        make(folder.path()).unwrap();
        assert_eq!(read(folder.path()).unwrap(), ["cried", "squirmed", "slept"]);
        add(folder.path(), "squirmed").unwrap();
        add(folder.path(), "hummed").unwrap();
        assert_eq!(read(folder.path()).unwrap(), ["cried", "squirmed", "slept", "hummed"]);
        let text = fs::read_to_string(path(folder.path())).unwrap();
        assert!(text.ends_with("cried\nslept\nhummed\n"), "{text:?}");
    }

    #[test]
    fn who_looked_is_noted() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(unhidden(folder.path()).unwrap(), Vec::<String>::new());
        note_unhidden(folder.path(), "AB").unwrap();
        note_unhidden(folder.path(), "CD").unwrap();
        let text = fs::read_to_string(folder.path().join("review/unhidden.tsv")).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert!(lines.len() == 3 && lines[0] == "time\treviewer");
        assert!(lines[1].ends_with("Z\tAB") && lines[2].ends_with("Z\tCD"), "{text}");
        assert_eq!(unhidden(folder.path()).unwrap(), ["AB", "CD"]);
    }
}
