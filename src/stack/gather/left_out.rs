//! Who is not in a stack, and why, in words.

use std::collections::BTreeSet;

/// Too few minutes for `--equal-minutes`.
pub(crate) const LESS_THAN_EQUAL_MINUTES: &str = "less_than_equal_minutes";
/// Too few degrees of freedom for `--equal-dof`.
pub(crate) const LESS_THAN_EQUAL_DOF: &str = "less_than_equal_dof";
/// No partner for `--match motion-pairs`.
pub(crate) const NO_PARTNER: &str = "match_no_partner";
/// `--match motion`: no choice of children brings the means together; the child moves more, or less, than its group
/// may.
pub(crate) const NO_OVERLAP: &str = "match_no_overlap";
pub(crate) const MOVES_MORE: &str = "match_moves_more";
pub(crate) const MOVES_LESS: &str = "match_moves_less";
/// Reasons that another caliper may remove.
pub(crate) const OF_THE_CALIPER: [&str; 4] = [NO_PARTNER, NO_OVERLAP, MOVES_MORE, MOVES_LESS];

/// No site for `--adjust-sites`, or no value in a column of `--keep`.
pub(crate) const NO_SITE: &str = "adjust_no_site";
pub(crate) const NO_KEPT_VALUE: &str = "adjust_no_kept_value";
/// How both begin.
pub(crate) const OF_SITES: &str = "adjust_no_";

/// A child who is not in the stack.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LeftOut {
    /// Row in `cohort.tsv`, or in those of all results folders one after the other, counted from 0.
    pub row: usize,
    /// Place of its results folder.
    pub results: usize,
    pub stem: String,
    /// `participant_id`, `session_id`, `run_id` as they would be in the stack.
    pub ids: [String; 3],
    /// One word: `where`, a verdict, `too_few_minutes`, or one of those in docs/commands.md.
    pub reason: String,
    pub detail: String,
}

/// How often a reason applies.
#[derive(Debug)]
pub(crate) struct CountedReason<'a> {
    pub reason: &'a str,
    /// Children with a row that was left out for it.
    pub children: usize,
    /// Their rows: more where a child has several sessions or runs.
    pub rows: usize,
}

/// How many were left out for each reason, in the order of first appearance.
pub(crate) fn reasons(left_out: &[LeftOut]) -> Vec<CountedReason<'_>> {
    let mut counts: Vec<(&str, Vec<&str>)> = Vec::new();
    for row in left_out {
        let participant = row.ids[0].as_str();
        match counts.iter_mut().find(|(reason, _)| *reason == row.reason) {
            Some((_, participants)) => participants.push(participant),
            None => counts.push((&row.reason, vec![participant])),
        }
    }
    let counted = |(reason, participants): (_, Vec<&str>)| CountedReason {
        reason,
        rows: participants.len(),
        children: participants.into_iter().collect::<BTreeSet<_>>().len(),
    };
    counts.into_iter().map(counted).collect()
}

/// Children of each reason in words: `3 too_short, 1 where`.
pub(crate) fn counted(left_out: &[LeftOut]) -> String {
    let words: Vec<String> = reasons(left_out).iter().map(|of| format!("{} {}", of.children, of.reason)).collect();
    if words.is_empty() { "the table has no row".to_owned() } else { words.join(", ") }
}
