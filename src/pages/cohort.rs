//! `cohort.html`: one row per child, with its stillness strip; sorted by motion, filtered at will.

use super::data::CohortData;
use super::document::{Parts, document, fill};
use super::kit::{Mode, escape};
use crate::record::Verdict;
use crate::report::figures;

const SCRIPT: &str = include_str!("page/cohort.js");
const BODY: &str = include_str!("page/cohort.html");

/// `cohort.html`, or the start page of `keepstill review`.
#[must_use]
pub fn cohort_page(data: &CohortData, mode: Mode<'_>) -> String {
    let enough = data.rows.iter().filter(|row| row.verdict == Verdict::Enough).count();
    let mut children: Vec<&str> = data.rows.iter().map(|row| row.participant_id.as_str()).collect();
    children.sort_unstable();
    children.dedup();
    let (kept, all) = data.rows.iter().fold((0.0, 0.0), |(k, a), row| (k + row.minutes_kept, a + row.minutes));
    let not_done = match data.rows.iter().filter(|row| row.verdict == Verdict::NotDone).count() {
        0 => String::new(),
        1 => " 1 is not done yet.".to_owned(),
        n => format!(" {n} are not done yet."),
    };
    let sentence = format!(
        "{enough} of {} {} enough data.{not_done} In all, {} of {} minutes are kept.",
        counted(children.len(), data.rows.len()),
        if data.rows.len() == 1 { "has" } else { "have" },
        figures(kept, 1),
        figures(all, 1)
    );
    let (study, sentence, version) = (escape(&data.study), escape(&sentence), escape(&data.version));
    let body = fill(BODY, &[("study", &study), ("sentence", &sentence), ("version", &version)]);
    let title = format!("{} – cohort", data.study);
    document(&Parts { title: &title, kind: "cohort", body: &body, script: SCRIPT, data }, mode)
}

/// "12 children", or "24 rows (of 12 children)" where sessions or runs stand alone.
fn counted(children: usize, rows: usize) -> String {
    let children_words = format!("{children} {}", if children == 1 { "child" } else { "children" });
    if rows == children { children_words } else { format!("{rows} rows (of {children_words})") }
}
