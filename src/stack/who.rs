//! Which children of `cohort.tsv` go into a stack, and why the others do not.
//!
//! A child is judged in this order, and the first that fails is the reason given: the conditions of `--where`; the verdict,
//! or with `--min-minutes` the minutes kept in its place; the review.

use std::collections::BTreeSet;
use std::fs::File;
use std::path::Path;
use std::str::FromStr;

use super::reviewed::{self, Reviews};
use super::{Choice, StackError};
use crate::pipeline::long_enough;
use crate::record::Verdict;
use crate::review::table::COLUMNS;
use crate::tables::{self, Tsv, absent, no_value};

/// A condition on a column of the cohort table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Condition {
    pub column: String,
    /// Whether the cell must be the value, or must not.
    pub equal: bool,
    pub value: String,
}

impl FromStr for Condition {
    type Err = String;

    /// `COLUMN=VALUE` or `COLUMN!=VALUE`.
    fn from_str(text: &str) -> Result<Self, String> {
        let (column, equal, value) = match text.split_once('=') {
            Some((before, value)) => match before.strip_suffix('!') {
                Some(column) => (column, false, value),
                None => (before, true, value),
            },
            None => ("", true, ""),
        };
        if column.trim().is_empty() || value.trim().is_empty() {
            return Err(
                "expected COLUMN=VALUE or COLUMN!=VALUE, such as sex=f; n/a stands for an empty cell".to_owned()
            );
        }
        Ok(Self { column: column.trim().to_owned(), equal, value: value.trim().to_owned() })
    }
}

impl std::fmt::Display for Condition {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}{}{}", self.column, if self.equal { "=" } else { "!=" }, self.value)
    }
}

impl Condition {
    /// Whether a cell meets it. Numbers are compared as numbers: 12 is 12.0.
    #[must_use]
    pub fn holds(&self, cell: &str) -> bool {
        let number = |text: &str| text.parse::<f64>().ok();
        let same = cell == self.value
            || (no_value(cell) && no_value(&self.value))
            || number(cell).is_some_and(|n| Some(n) == number(&self.value));
        same == self.equal
    }
}

/// A child who is not in the stack.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// Row in `cohort.tsv`, counted from 0.
    pub row: usize,
    pub stem: String,
    /// `participant_id`, `session_id`, `run_id` as in `cohort.tsv`.
    pub ids: [String; 3],
    /// One word: `where`, a verdict, `too_few_minutes`, or one of those in docs/commands.md.
    pub reason: String,
    pub detail: String,
}

/// A child who may be in the stack, if there is a matrix.
#[derive(Debug)]
pub(super) struct Candidate {
    pub row: usize,
    /// Line in `cohort.tsv`, counted from 1.
    pub line: usize,
    pub ids: [String; 3],
    /// All cells of its row, with tabs between.
    pub cells: String,
    /// Minutes that replace the study's, for a child that the study calls too short: its other verdicts are not known.
    pub judge_again: Option<f64>,
    /// Whether some run was joined, so that there must be a matrix.
    pub joined: bool,
    /// The word under `review`; `n/a` where nobody decided.
    pub review: String,
}

impl Candidate {
    /// `sub-XX[_ses-YY][_run-N]`, which lacks a task where runs are not joined.
    pub(super) fn short_stem(&self) -> String {
        stem_of(&self.ids)
    }

    pub(super) fn leave_out(&self, stem: String, reason: &str, detail: String) -> LeftOut {
        LeftOut { row: self.row, stem, ids: self.ids.clone(), reason: reason.to_owned(), detail }
    }
}

fn stem_of(ids: &[String; 3]) -> String {
    ids.iter().filter(|id| !absent(id)).map(String::as_str).collect::<Vec<_>>().join("_")
}

/// The cohort table, judged.
#[derive(Debug)]
pub(super) struct Chosen {
    pub header: Vec<String>,
    /// BLAKE3 of `cohort.tsv`, hex.
    pub digest: String,
    pub rows: usize,
    pub candidates: Vec<Candidate>,
    pub left_out: Vec<LeftOut>,
    /// Lines of the decisions that could not be read, in words.
    pub skipped: Vec<String>,
    /// Of each condition, the values that its column has, in words.
    pub seen: Vec<String>,
}

/// Judges every row of the cohort table.
pub(super) fn choose(results: &Path, choice: &Choice) -> Result<Chosen, StackError> {
    let path = results.join("cohort.tsv");
    let digest = digest(&path)?;
    let table = Tsv::open(&path)?;
    let conditions = placed(&choice.conditions, &table.header)?;
    let mut seen = vec![BTreeSet::new(); conditions.len()];
    let need =
        |column: &'static str| table.column(column).ok_or_else(|| StackError::NoColumn { path: path.clone(), column });
    let ids = [need("participant_id")?, need("session_id")?, need("run_id")?];
    let (verdict, minutes, joined) = (need("verdict")?, need("minutes_kept")?, need("runs_joined")?);
    let review = table.column("review");
    let digest_column = table.column("results_digest");
    let reviews = Reviews::read(results)?;

    let mut chosen = Chosen {
        rows: 0,
        header: table.header.clone(),
        digest,
        seen: Vec::new(),
        candidates: Vec::new(),
        left_out: Vec::new(),
        skipped: reviews.skipped.clone(),
    };
    for (row, line) in table.rows().enumerate() {
        let line = line?;
        chosen.rows += 1;
        let cell = |at: usize| line.cells[at].as_str();
        let ids = ids.map(|at| cell(at).to_owned());
        let digest = digest_column.map(cell).filter(|digest| !absent(digest)).unwrap_or_default();
        let standing = reviews.of(&ids, digest);
        let review =
            standing.as_ref().map_or(review.map_or("n/a", cell), |(standing, _)| standing.review.key()).to_owned();
        let mut cells = line.cells.clone();
        if let Some((standing, _)) = &standing {
            // A decision that the table does not have yet.
            let places =
                COLUMNS.iter().zip(standing.cells()).filter_map(|(name, cell)| Some((table.column(name)?, cell)));
            places.for_each(|(at, cell)| cells[at] = cell);
        }
        let mut candidate = Candidate {
            row,
            line: line.line,
            ids,
            cells: cells.iter().map(|c| crate::outputs::cell(c)).collect::<Vec<_>>().join("\t"),
            judge_again: None,
            joined: table.number(&line, joined)?.is_some_and(|runs| runs > 0.0),
            review,
        };
        let minutes_kept = table.number(&line, minutes)?.unwrap_or(0.0);
        for ((_, at), seen) in conditions.iter().zip(&mut seen) {
            if seen.len() <= MOST_SEEN && !seen.contains(&cells[*at]) {
                seen.insert(cells[*at].clone());
            }
        }
        let last_was_exclude = standing.is_some_and(|(_, last_was_exclude)| last_was_exclude);
        let why = failed_condition(&conditions, &cells)
            .or_else(|| judge(choice, cell(verdict), minutes_kept, &mut candidate))
            .or_else(|| reviewed::excluded(&candidate.review, last_was_exclude));
        match why {
            Some((reason, detail)) => {
                let stem = candidate.short_stem();
                chosen.left_out.push(candidate.leave_out(stem, &reason, detail));
            }
            None => chosen.candidates.push(candidate),
        }
    }
    chosen.seen = conditions.iter().zip(&seen).map(|((condition, _), seen)| seen_words(condition, seen)).collect();
    Ok(chosen)
}

/// BLAKE3 of a file, hex.
fn digest(path: &Path) -> Result<String, StackError> {
    let fail = |e: std::io::Error| StackError::Unreadable { path: path.to_owned(), message: e.to_string() };
    let mut hasher = blake3::Hasher::new();
    hasher.update_reader(File::open(path).map_err(fail)?).map_err(fail)?;
    Ok(hasher.finalize().to_hex().to_string())
}

/// Values of a column that are named where a condition fits nobody (own choice).
const MOST_SEEN: usize = 8;

/// "sex has F, M".
fn seen_words(condition: &Condition, seen: &BTreeSet<String>) -> String {
    let mut words: Vec<&str> =
        seen.iter().take(MOST_SEEN).map(|cell| if no_value(cell) { "n/a" } else { cell }).collect();
    if seen.len() > MOST_SEEN {
        words.push("…");
    }
    format!("{} has {}", condition.column, words.join(", "))
}

/// The conditions with their column's place.
fn placed<'a>(conditions: &'a [Condition], header: &[String]) -> Result<Vec<(&'a Condition, usize)>, StackError> {
    conditions
        .iter()
        .map(|condition| {
            let at = header.iter().position(|name| *name == condition.column);
            at.map(|at| (condition, at)).ok_or_else(|| StackError::UnknownColumn {
                column: condition.column.clone(),
                nearest: tables::nearest(&condition.column, header.iter().map(String::as_str)).map(str::to_owned),
                known: header.join(", "),
            })
        })
        .collect()
}

fn failed_condition(conditions: &[(&Condition, usize)], cells: &[String]) -> Option<(String, String)> {
    let (failed, at) = conditions.iter().find(|(condition, at)| !condition.holds(&cells[*at]))?;
    let found = if no_value(&cells[*at]) { "n/a" } else { &cells[*at] };
    Some(("where".to_owned(), format!("{} is {found}, asked {failed}", failed.column)))
}

/// The verdict, or the minutes that stand in its place.
fn judge(choice: &Choice, verdict: &str, minutes_kept: f64, candidate: &mut Candidate) -> Option<(String, String)> {
    if let Some(least) = choice.min_minutes.filter(|&least| !long_enough(minutes_kept, least)) {
        let kept = tables::figures(minutes_kept, 2);
        return Some(("too_few_minutes".to_owned(), format!("{kept} min kept, {least} asked")));
    }
    if choice.all || verdict == Verdict::Enough.key() {
        return None;
    }
    if verdict == Verdict::TooShort.key() && choice.min_minutes.is_some() {
        candidate.judge_again = choice.min_minutes;
        return None;
    }
    Some((verdict.to_owned(), "verdict of keepstill run".to_owned()))
}

/// How many children were left out for each reason, in the order of first appearance.
pub(super) fn reasons(left_out: &[LeftOut]) -> Vec<(&str, usize)> {
    let mut counts: Vec<(&str, usize)> = Vec::new();
    for child in left_out {
        match counts.iter_mut().find(|(reason, _)| *reason == child.reason) {
            Some((_, count)) => *count += 1,
            None => counts.push((&child.reason, 1)),
        }
    }
    counts
}

/// The same in words: `3 too_short, 1 where`.
pub(super) fn counted(left_out: &[LeftOut]) -> String {
    let words: Vec<String> = reasons(left_out).iter().map(|(reason, count)| format!("{count} {reason}")).collect();
    if words.is_empty() { "the table has no row".to_owned() } else { words.join(", ") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn conditions_are_read_and_compare_numbers_as_numbers() {
        let read = |text: &str| text.parse::<Condition>();
        let sex = read("sex = f").unwrap();
        assert!(sex.holds("f") && !sex.holds("F") && !sex.holds("n/a"));
        let age = read("age!=12").unwrap();
        assert!(!age.holds("12.0") && age.holds("12.5") && age.holds("n/a"));
        for nothing in ["", "N/A", "NA", "nan"] {
            assert!(read("note=n/a").unwrap().holds(nothing) && !read("note!=n/a").unwrap().holds(nothing));
        }
        assert_eq!(read("a=b=c").unwrap(), Condition { column: "a".to_owned(), equal: true, value: "b=c".to_owned() });
        assert_eq!(read("a=b!=c").unwrap().value, "b!=c");
        for wrong in ["", "sex", "=f", "!=f", "sex=", "sex!= "] {
            assert!(read(wrong).unwrap_err().contains("COLUMN=VALUE"), "{wrong}");
        }
    }
}
