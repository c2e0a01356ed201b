//! `review/decisions.tsv`: every decision that was ever made, oldest first.

use std::path::{Path, PathBuf};

use super::ledger::{self, LedgerError};
use super::{Decision, RowId};
use crate::results::Layout;
use crate::results::layout::REVIEW;
use crate::tables::absent;

/// Columns of the table.
pub const HEADER: [&str; 11] = [
    "time",
    "reviewer",
    "participant_id",
    "session_id",
    "run_id",
    "decision",
    "reason",
    "note",
    "settles",
    "blinded",
    "results_digest",
];

/// Letters of a reviewer's initials, at most (own limit).
pub const LONGEST_INITIALS: usize = 8;
/// Characters of a reason or note, at most (own limit).
pub const LONGEST_TEXT: usize = 500;

/// Letters of a digest of results: BLAKE3, hexadecimal.
const DIGEST_LETTERS: usize = 64;

/// A decision as it is written down.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Line {
    /// UTC, as [`super::clock::now`] writes it.
    pub time: String,
    /// Initials.
    pub reviewer: String,
    pub row: RowId,
    pub decision: Decision,
    pub reason: Option<String>,
    pub note: Option<String>,
    /// Whether the reviewers talked a disagreement over and this is the outcome.
    pub settles: bool,
    /// Whether group, sex and age were hidden.
    pub blinded: bool,
    /// Digest of the results that were looked at.
    pub results_digest: String,
}

/// What the table holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Decisions {
    /// In the order of the file, which is the order in time.
    pub lines: Vec<Line>,
    /// What could not be read, in words: one entry per line of the file.
    pub skipped: Vec<String>,
}

/// Why what a reviewer typed cannot be written down.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum InputError {
    #[error("the reviewer's initials are missing; give 1 to {LONGEST_INITIALS} letters or digits")]
    NoInitials,
    #[error(
        "the initials \"{found}\" are not 1 to {LONGEST_INITIALS} letters or digits; shorten them or leave out other \
        characters"
    )]
    Initials { found: String },
    #[error("the {what} has {found} characters, and at most {LONGEST_TEXT} are kept; shorten it")]
    TooLong { what: &'static str, found: usize },
}

/// A reviewer's initials, without blanks around them.
///
/// # Errors
/// When there are none, too many, or other characters than letters and digits.
pub fn initials(text: &str) -> Result<String, InputError> {
    let text = text.trim();
    if text.is_empty() {
        return Err(InputError::NoInitials);
    }
    if text.chars().count() > LONGEST_INITIALS || !text.chars().all(char::is_alphanumeric) {
        // Only the beginning, since it may be a whole page.
        return Err(InputError::Initials { found: text.chars().filter(|c| !c.is_control()).take(30).collect() });
    }
    Ok(text.to_owned())
}

/// A reason or note as it is kept: on one line, without blanks around it; none if nothing is left.
///
/// # Errors
/// When it is too long; `what` is what the message calls it.
pub fn free_text(text: &str, what: &'static str) -> Result<Option<String>, InputError> {
    let found = text.trim().chars().count();
    if found > LONGEST_TEXT {
        return Err(InputError::TooLong { what, found });
    }
    let clean = crate::outputs::cell(text);
    Ok((!absent(&clean)).then(|| clean.trim().to_owned()))
}

/// Where the table is, in a results folder.
#[must_use]
pub fn path(results: &Path) -> PathBuf {
    Layout::new(results).decisions()
}

/// Adds a decision; when this returns it is on disk.
///
/// # Errors
/// [`LedgerError::Append`]; the decision is then not saved.
pub fn append(results: &Path, line: &Line) -> Result<(), LedgerError> {
    let flag = |yes: bool| if yes { "1" } else { "0" }.to_owned();
    let text = |text: &Option<String>| text.clone().unwrap_or_default();
    let cells = [
        line.time.clone(),
        line.reviewer.clone(),
        line.row.participant_id.clone(),
        text(&line.row.session_id),
        text(&line.row.run_id),
        line.decision.key().to_owned(),
        text(&line.reason),
        text(&line.note),
        flag(line.settles),
        flag(line.blinded),
        line.results_digest.clone(),
    ];
    ledger::append(&path(results), &HEADER, &cells)
}

/// Every decision of a results folder; none where nobody has decided.
///
/// # Errors
/// A table that cannot be opened. A bad line is no error: [`Decisions::skipped`] names it.
pub fn read(results: &Path) -> Result<Decisions, LedgerError> {
    let mut decisions = Decisions::default();
    for line in ledger::read(&path(results), &HEADER)? {
        match line.content.and_then(|cells| parse(&cells)) {
            Ok(decision) => decisions.lines.push(decision),
            Err(words) => decisions.skipped.push(format!(
                "{REVIEW}/decisions.tsv line {} {words}; it is passed over, and the file is left as it is",
                line.number
            )),
        }
    }
    Ok(decisions)
}

/// A line's cells, or what is wrong with them in words.
fn parse(cells: &[String]) -> Result<Line, String> {
    let [time, reviewer, participant, session, run, decision, reason, note, settles, blinded, digest] = cells else {
        return Err(format!("has {} cells, and {} are expected", cells.len(), HEADER.len()));
    };
    let some = |text: &String| (!absent(text)).then(|| text.clone());
    let flag = |text: &str, name: &str| match text {
        "1" => Ok(true),
        "0" => Ok(false),
        _ => Err(format!("has \"{text}\" under {name}, where 0 or 1 is expected")),
    };
    if absent(reviewer) || absent(participant) {
        return Err("names no reviewer or no child".to_owned());
    }
    Ok(Line {
        time: time.clone(),
        reviewer: reviewer.clone(),
        row: RowId::from_cells(participant, session, run),
        decision: Decision::of(decision)
            .ok_or_else(|| format!("decides \"{decision}\", where include, exclude or unsure is expected"))?,
        reason: some(reason),
        note: some(note),
        settles: flag(settles, "settles")?,
        blinded: flag(blinded, "blinded")?,
        results_digest: match digest.as_str() {
            "n/a" => String::new(),
            // After a crash, a line may lack only its end.
            digest if digest.len() == DIGEST_LETTERS && digest.bytes().all(|b| b.is_ascii_hexdigit()) => {
                digest.to_owned()
            }
            digest => return Err(format!("has \"{digest}\" under results_digest, which is no digest")),
        },
    })
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    fn line(note: Option<&str>) -> Line {
        Line {
            time: "2026-11-25T09:30:00Z".to_owned(),
            reviewer: "AB".to_owned(),
            row: RowId::from_cells("sub-01", "ses-1", "n/a"),
            decision: Decision::Exclude,
            reason: Some("too restless".to_owned()),
            note: note.map(str::to_owned),
            settles: false,
            blinded: true,
            results_digest: "d1".repeat(32),
        }
    }

    #[test]
    fn what_is_written_is_read_back() {
        let folder = tempfile::tempdir().unwrap();
        assert_eq!(read(folder.path()).unwrap(), Decisions::default());
        let lines = [line(None), line(Some("<script>alert(\"hm\")</script> é 🐚"))];
        lines.iter().for_each(|line| append(folder.path(), line).unwrap());
        assert_eq!(read(folder.path()).unwrap(), Decisions { lines: lines.to_vec(), skipped: Vec::new() });
        let text = fs::read_to_string(path(folder.path())).unwrap();
        assert_eq!(
            text.lines().take(2).collect::<Vec<_>>(),
            [
                &HEADER.join("\t"),
                &("2026-11-25T09:30:00Z\tAB\tsub-01\tses-1\tn/a\texclude\ttoo restless\tn/a\t0\t1\t".to_owned()
                    + &"d1".repeat(32))
            ]
        );
    }

    #[test]
    fn bad_lines_are_passed_over_and_told_of() {
        let folder = tempfile::tempdir().unwrap();
        append(folder.path(), &line(None)).unwrap();
        let good = fs::read_to_string(path(folder.path())).unwrap();
        let row = good.lines().nth(1).unwrap();
        let bad = [
            row.replace("exclude", "maybe"),
            row.replace("\t0\t1\t", "\t0\tyes\t"),
            row.replace("\tAB\t", "\tn/a\t"),
            row.replace("\tn/a", ""),
            row[..40].to_owned(),
            row[..row.len() - 1].to_owned(),
        ];
        fs::write(path(folder.path()), format!("{good}{}", bad.join("\n"))).unwrap();
        append(folder.path(), &line(Some("after"))).unwrap();
        let found = read(folder.path()).unwrap();
        assert_eq!(found.lines, [line(None), line(Some("after"))]);
        let numbers: Vec<bool> =
            (3..9).zip(&found.skipped).map(|(n, words)| words.contains(&format!("line {n} "))).collect();
        assert_eq!(numbers, [true; 6], "{:?}", found.skipped);
        assert!(found.skipped[0].contains("\"maybe\"") && found.skipped[1].contains("under blinded"));
    }

    #[test]
    fn what_reviewers_type_has_limits() {
        assert_eq!(initials(" Åb7 "), Ok("Åb7".to_owned()));
        assert_eq!(initials(" "), Err(InputError::NoInitials));
        for bad in ["A B", "A.B.", "a\tb", "ABCDEFGHI", "<b>"] {
            assert!(matches!(initials(bad), Err(InputError::Initials { .. })), "{bad}");
        }
        assert_eq!(free_text("  \n", "note"), Ok(None));
        assert_eq!(free_text(" n/a ", "note"), Ok(None));
        assert_eq!(free_text(" squirmed\nonce\t ", "note"), Ok(Some("squirmed once".to_owned())));
        assert_eq!(free_text(&"é".repeat(500), "note"), Ok(Some("é".repeat(500))));
        assert_eq!(free_text(&"é".repeat(501), "note"), Err(InputError::TooLong { what: "note", found: 501 }));
    }
}
