//! Who is not in a stack, and why, in words.

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
    /// Row in `cohort.tsv`, counted from 0.
    pub row: usize,
    pub stem: String,
    /// `participant_id`, `session_id`, `run_id` as in `cohort.tsv`.
    pub ids: [String; 3],
    /// One word: `where`, a verdict, `too_few_minutes`, or one of those in docs/commands.md.
    pub reason: String,
    pub detail: String,
}

/// How many children were left out for each reason, in the order of first appearance.
pub(crate) fn reasons(left_out: &[LeftOut]) -> Vec<(&str, usize)> {
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
pub(crate) fn counted(left_out: &[LeftOut]) -> String {
    let words: Vec<String> = reasons(left_out).iter().map(|(reason, count)| format!("{count} {reason}")).collect();
    if words.is_empty() { "the table has no row".to_owned() } else { words.join(", ") }
}
