//! Which children of `cohort.tsv` go into a stack, and why the others do not.
//!
//! A child is judged in this order, and the first that fails is the reason given: the conditions of `--where`; the
//! verdict (with `--min-minutes`, the minutes kept instead); the review.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::cohort::Cohort;
use super::condition::Condition;
use super::error::{FoldersError, NoColumn, StackError};
use super::folders::{Folders, SameId};
use super::left_out::LeftOut;
use super::request::StackRequest;
use super::reviewed::{self, Reviews};
use crate::pipeline::long_enough;
use crate::record::Verdict;
use crate::review::Decision;
use crate::review::table::COLUMNS;
use crate::tables::{self, absent, no_value};

/// A child who may be in the stack, if there is a matrix.
#[derive(Debug)]
pub(crate) struct Candidate {
    /// Row in the cohort table, or in all of them one after the other.
    pub row: usize,
    /// Place of its results folder.
    pub results: usize,
    /// Line in that folder's `cohort.tsv`, counted from 1.
    pub line: usize,
    /// `participant_id`, `session_id`, `run_id` as they are in the stack.
    pub ids: [String; 3],
    /// The same as `cohort.tsv` has them.
    pub own_ids: [String; 3],
    /// All cells of its row, with tabs between.
    pub cells: String,
    /// Minutes that replace the study's, for a child that the study calls too short: what its verdict would be
    /// otherwise is not known.
    pub judge_again: Option<f64>,
    /// Whether some run was joined, so that there must be a matrix.
    pub joined: bool,
    /// The word under `review`; `n/a` where nobody decided.
    pub review: String,
    /// Whether a child whom somebody should look at first is taken.
    pub looked: bool,
    /// Whether the child is one whom somebody should look at first and nobody has included.
    pub unlooked: bool,
}

impl Candidate {
    /// `sub-XX[_ses-YY][_run-N]`, without a task even where runs are not joined.
    pub(crate) fn short_stem(&self) -> String {
        stem_of(&self.own_ids)
    }

    pub(crate) fn leave_out(&self, stem: String, reason: &str, detail: String) -> LeftOut {
        let Self { row, results, ids, .. } = self;
        LeftOut { row: *row, results: *results, stem, ids: ids.clone(), reason: reason.to_owned(), detail }
    }
}

fn stem_of(ids: &[String; 3]) -> String {
    ids.iter().filter(|id| !absent(id)).map(String::as_str).collect::<Vec<_>>().join("_")
}

/// A folder's cohort table.
#[derive(Debug, Clone)]
pub(crate) struct CohortFacts {
    /// BLAKE3 of `cohort.tsv`, hex.
    pub digest: String,
    pub rows: usize,
}

impl CohortFacts {
    /// What `stack.json` says of it where there are several; `name` is that of the folder.
    pub(crate) fn told(&self, name: &str) -> Value {
        json!({ "name": name, "cohort_blake3": self.digest, "cohort_rows": self.rows })
    }
}

/// The cohort tables, judged.
#[derive(Debug)]
pub(crate) struct JudgedCohort {
    pub header: Vec<String>,
    /// Of each folder's cohort table.
    pub tables: Vec<CohortFacts>,
    pub rows: usize,
    /// Children whose rows these are.
    pub children: usize,
    pub candidates: Vec<Candidate>,
    pub left_out: Vec<LeftOut>,
    /// Lines of the decisions that could not be read, in words.
    pub skipped: Vec<String>,
    /// For each condition, the values that its column has, in words.
    pub seen: Vec<String>,
}

/// Judges every row of the cohort tables.
pub(crate) fn judge_cohort(folders: &Folders, request: &StackRequest) -> Result<JudgedCohort, StackError> {
    let cohort = Cohort::open(folders)?;
    let conditions = placed(&request.conditions, cohort.header())?;
    let mut seen = vec![BTreeSet::new(); conditions.len()];
    let mut chosen = JudgedCohort {
        rows: 0,
        children: 0,
        header: cohort.header().to_vec(),
        tables: Vec::new(),
        seen: Vec::new(),
        candidates: Vec::new(),
        left_out: Vec::new(),
        skipped: Vec::new(),
    };
    let in_header = |name: &str| cohort.header().iter().position(|known| known == name);
    let (participant, review, noticed) = (in_header("participant_id"), in_header("review"), in_header("noticed"));
    // Of each id, the folder that has it first.
    let mut participants: BTreeMap<String, usize> = BTreeMap::new();
    let mut shared: Vec<(String, usize)> = Vec::new();
    for (results, table) in cohort.tables().iter().enumerate() {
        let ids = [table.need("participant_id")?, table.need("session_id")?, table.need("run_id")?];
        let (verdict, minutes) = (table.need("verdict")?, table.need("minutes_kept")?);
        let joined = table.need("runs_joined")?;
        let digest_column = table.column("results_digest");
        let reviews = Reviews::read(folders.path(results))?;
        let named = |line: &String| folders.name(results).map_or(line.clone(), |name| format!("{name}: {line}"));
        chosen.skipped.extend(reviews.skipped.iter().map(named));
        let before = chosen.rows;
        for line in table.rows() {
            let line = line?;
            let row = chosen.rows;
            chosen.rows += 1;
            let own_ids = ids.map(|at| line.cells[at].clone());
            let mut ids = own_ids.clone();
            if folders.same_id() == Some(SameId::TwoChildren) {
                ids[0] = folders.own(results, &ids[0]);
            }
            if *participants.entry(ids[0].clone()).or_insert(results) != results {
                shared.push((ids[0].clone(), results));
            }
            let mut cells = cohort.cells(results, &line);
            let digest = digest_column.and_then(|at| table.text(&line, at)).unwrap_or_default();
            let standing = reviews.of(&own_ids, digest);
            let of_table = review.map_or("n/a", |at| cells[at].as_str());
            let review = standing.as_ref().map_or(of_table, |(standing, _)| standing.review.key()).to_owned();
            if let Some((standing, _)) = &standing {
                // A decision that the table does not have yet.
                let places =
                    COLUMNS.iter().zip(standing.cells()).filter_map(|(name, cell)| Some((in_header(name)?, cell)));
                places.for_each(|(at, cell)| cells[at] = cell);
            }
            for ((_, at), seen) in conditions.iter().zip(&mut seen) {
                if seen.len() <= MOST_SEEN && !seen.contains(&cells[*at]) {
                    seen.insert(cells[*at].clone());
                }
            }
            let mut candidate = Candidate {
                row,
                results,
                line: line.line,
                ids,
                own_ids,
                cells: String::new(),
                judge_again: None,
                joined: table.number(&line, joined)?.is_some_and(|runs| runs > 0.0),
                looked: request.take_unlooked || review == Decision::Include.key(),
                unlooked: cells[verdict] == Verdict::LookFirst.key() && review != Decision::Include.key(),
                review,
            };
            let minutes_kept = table.number(&line, minutes)?.unwrap_or(0.0);
            let noticed = noticed.map_or("", |at| cells[at].as_str());
            let last_was_exclude = standing.is_some_and(|(_, last_was_exclude)| last_was_exclude);
            let why = failed_condition(&conditions, &cells)
                .or_else(|| judge(request, &line.cells[verdict], noticed, minutes_kept, &mut candidate))
                .or_else(|| reviewed::excluded(&candidate.review, last_was_exclude));
            // Conditions are about the ids that the folder itself has.
            if let Some(at) = participant {
                cells[at].clone_from(&candidate.ids[0]);
            }
            candidate.cells = cells.iter().map(|c| crate::outputs::cell(c)).collect::<Vec<_>>().join("\t");
            match why {
                Some((reason, detail)) => {
                    let stem = folders.own(results, &candidate.short_stem());
                    chosen.left_out.push(candidate.leave_out(stem, &reason, detail));
                }
                None => chosen.candidates.push(candidate),
            }
        }
        chosen.tables.push(CohortFacts { digest: table.digest()?, rows: chosen.rows - before });
    }
    if folders.same_id().is_none() {
        require_own_ids(folders, &participants, &shared)?;
    }
    chosen.children = participants.len();
    chosen.seen = conditions.iter().zip(&seen).map(|((condition, _), seen)| seen_words(condition, seen)).collect();
    Ok(chosen)
}

/// Refuses ids that stand in several folders: `shared` are such ids, each with the later folder.
fn require_own_ids(
    folders: &Folders,
    participants: &BTreeMap<String, usize>,
    shared: &[(String, usize)],
) -> Result<(), FoldersError> {
    let Some((id, other)) = shared.first() else { return Ok(()) };
    let name = |at: usize| folders.name(at).unwrap_or_default().to_owned();
    let one = participants.get(id).map_or(String::new(), |&at| name(at));
    let others = shared.iter().map(|(id, _)| id).collect::<BTreeSet<_>>().len() - 1;
    Err(FoldersError::SharedId { id: id.clone(), others, one, other: name(*other) })
}

/// Values of a column that are named where a condition fits nobody (own request).
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
fn placed<'a>(conditions: &'a [Condition], header: &[String]) -> Result<Vec<(&'a Condition, usize)>, NoColumn> {
    conditions
        .iter()
        .map(|condition| {
            let at = header.iter().position(|name| *name == condition.column);
            at.map(|at| (condition, at)).ok_or_else(|| NoColumn::new("--where", &condition.column, header))
        })
        .collect()
}

fn failed_condition(conditions: &[(&Condition, usize)], cells: &[String]) -> Option<(String, String)> {
    let (failed, at) = conditions.iter().find(|(condition, at)| !condition.holds(&cells[*at]))?;
    let found = if no_value(&cells[*at]) { "n/a" } else { &cells[*at] };
    Some(("where".to_owned(), format!("{} is {found}, asked {failed}", failed.column)))
}

/// The verdict, or the minutes that stand in its place.
fn judge(
    request: &StackRequest,
    verdict: &str,
    noticed: &str,
    minutes_kept: f64,
    candidate: &mut Candidate,
) -> Option<(String, String)> {
    if verdict == Verdict::NotDone.key() {
        // What lies in its folder is of other settings or files, so not even --all takes it.
        return Some((verdict.to_owned(), "not done yet with the study's settings; do `keepstill run`".to_owned()));
    }
    if let Some(least) = request.min_minutes.filter(|&least| !long_enough(minutes_kept, least)) {
        let kept = tables::figures(minutes_kept, 2);
        return Some(("too_few_minutes".to_owned(), format!("{kept} min kept, {least} asked")));
    }
    if request.all || verdict == Verdict::Enough.key() {
        return None;
    }
    if verdict == Verdict::LookFirst.key() {
        if candidate.looked {
            return None;
        }
        let detail =
            format!("noticed: {noticed}; look, and include the child in `keepstill review`, or --take-unlooked");
        return Some((verdict.to_owned(), detail));
    }
    if verdict == Verdict::TooShort.key() && request.min_minutes.is_some() {
        candidate.judge_again = request.min_minutes;
        return None;
    }
    Some((verdict.to_owned(), "verdict of keepstill run".to_owned()))
}
