//! The sentences: is it just motion, and do groups move alike?
//!
//! No sentence says more than the numbers. With few children a correlation must be large to stand out from chance, so
//! that nothing can be told; and a share above 5 % is no proof, since edges share children and parcels and go together.

use std::collections::HashSet;

use super::Quality;
use super::before::Before;
use super::children::Facts;
use super::groups::{Compared, Groups};
use super::rows::{Censoring, Row};
use crate::group::groups::{Comparison, Effect, Test};
use crate::group::quality::children_needed;
use crate::tables::figures;

/// The correlation that a study should be able to see (a medium one: Cohen 1988, Statistical Power Analysis; *from
/// memory*).
pub(super) const MEDIUM_R: f64 = 0.3;
/// A share of edges with p < 0.05 above which more than chance is spoken of: half as much again as chance gives (own
/// convention).
const MORE_THAN_CHANCE: f64 = 0.075;
/// A test below this is called a difference (common practice).
const LEVEL: f64 = 0.05;

/// Children of whom [`MEDIUM_R`] reaches p < 0.05.
pub(super) fn needed() -> usize {
    children_needed(MEDIUM_R, LEVEL).unwrap_or(usize::MAX)
}

/// A number with so many digits; what rounds to nothing has no sign.
pub(super) fn signed(value: f64, digits: usize) -> String {
    let text = figures(value, digits);
    let nothing = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if nothing { text.trim_start_matches('-').to_owned() } else { text }
}

pub(super) fn percent(share: f64) -> String {
    if share.is_finite() { format!("{} %", figures(100.0 * share, 1)) } else { "n/a".to_owned() }
}

/// p for people: three digits, or that it is smaller.
pub(super) fn p_words(p: f64) -> String {
    if p < 0.001 { "< 0.001".to_owned() } else { figures(p, 3) }
}

fn counted(children: usize) -> String {
    if children == 1 { "1 child".to_owned() } else { format!("{children} children") }
}

/// The plain rows of one atlas and measure: the one that the stack holds, then the one before censoring where that is
/// another.
pub(super) fn pair<'a>(rows: &'a [Row], atlas: &str, measure: &str) -> (Option<&'a Row>, Option<&'a Row>) {
    let own = |row: &&Row| row.atlas == atlas && row.measure == measure && row.adjusted_for.is_empty();
    let main = rows.iter().filter(own).find(|row| row.results == "main");
    let before = rows.iter().filter(own).find(|row| row.results != "main");
    (main, before)
}

/// The answer for the first atlas, of Pearson's correlation where there is one.
pub(super) fn answer(rows: &[Row], facts: &[Facts]) -> String {
    let first = rows.iter().find(|row| row.measure == "pearson").or(rows.first());
    let Some(first) = first else { return "It cannot be told: there is no matrix.".to_owned() };
    answer_of(rows, &first.atlas, &first.measure, facts)
}

/// The answer for one atlas and measure.
pub(super) fn answer_of(rows: &[Row], atlas: &str, measure: &str, facts: &[Facts]) -> String {
    let (Some(row), before) = pair(rows, atlas, measure) else { return "It cannot be told.".to_owned() };
    let needed = needed();
    let who = counted(row.children);
    if row.summary.edges == 0 {
        let mut fd = facts.iter().map(|facts| facts.mean_fd_mm).filter(|fd| fd.is_finite());
        let first = fd.next();
        let why = if row.dof == 0 {
            format!(
                "correlations over children need at least three of them, and there {} {who} with a mean FD; about {needed} are needed for |r| = {MEDIUM_R} to reach p < 0.05",
                if row.children == 1 { "is" } else { "are" }
            )
        } else if fd.all(|other| Some(other) == first) {
            format!("all {who} have the same mean FD")
        } else {
            "no edge differs between children".to_owned()
        };
        return format!("It cannot be told: {why}.");
    }
    let numbers = numbers(row, before);
    if row.children < needed {
        return format!(
            "With {who} nothing can be told for sure: a correlation with motion stands out only from |r| = {} up, and about {needed} children are needed for |r| = {MEDIUM_R} to reach p < 0.05. {numbers}",
            figures(row.critical(), 2)
        );
    }
    let (p, q) = (row.summary.share_p, row.summary.share_q);
    let found = (q * row.summary.edges as f64).round() as usize;
    format!("{} {numbers}", verdict(found, p))
}

/// What enough children tell, from the edges with q < 0.05 and the share with p < 0.05.
fn verdict(found: usize, share_p: f64) -> String {
    let edges = if found == 1 { "1 edge stands".to_owned() } else { format!("{found} edges stand") };
    match (found, share_p > MORE_THAN_CHANCE) {
        (0, false) => "No sign of it: no edge stands out after Benjamini–Hochberg, and no more go with motion than by chance alone.".to_owned(),
        (0, true) => "Perhaps: more edges go with motion than by chance alone, though none stands out after Benjamini–Hochberg.".to_owned(),
        (_, false) => format!("Perhaps: {edges} out after Benjamini–Hochberg, as in one study of twenty by chance alone, but no more edges go with motion than by chance."),
        (_, true) => format!("Motion is in the result: {edges} out even after Benjamini–Hochberg, and more go with it than by chance alone."),
    }
}

/// The numbers as a sentence, before and after.
fn numbers(row: &Row, before: Option<&Row>) -> String {
    let is = match row.censoring {
        Censoring::After => "",
        Censoring::Before => ", without censoring for motion,",
    };
    let mut text = format!(
        "Mean FD{is} goes with {} of {} edges at p < 0.05 (chance alone: 5 %), median |r| {} (chance alone: {}).",
        percent(row.summary.share_p),
        row.summary.edges,
        figures(row.summary.median_abs_r, 2),
        figures(row.chance_median(), 2)
    );
    if let Some(before) = before.filter(|before| before.summary.edges > 0) {
        text += &format!(
            " Before censoring it was {} of edges and {}.",
            percent(before.summary.share_p),
            figures(before.summary.median_abs_r, 2)
        );
    }
    text
}

/// What a person should know beside the answer; printed, in `quality.json` and on the page.
pub(super) fn notes(quality: &Quality<'_>, before: &Before) -> Vec<String> {
    let mut notes = Vec::new();
    if let Before::None(why) = before {
        let command = before.command(quality.settings.as_ref().ok()).unwrap_or_default();
        notes.push(format!(
            "quality is told after censoring alone: {why}; `{command}` makes what it is to be compared with"
        ));
    }
    if matches!(before, Before::Study) {
        notes.push(
            "the study drops no frame for motion: quality is told without censoring, with none to compare".into(),
        );
    }
    let facts = &quality.children.facts;
    let participants: HashSet<&str> = facts.iter().map(|facts| facts.ids[0].as_str()).collect();
    if participants.len() < facts.len() {
        notes.push(format!(
            "the stack has {} rows of {}: rows of one child are not independent, and quality counts each as a child",
            facts.len(),
            counted(participants.len())
        ));
    }
    let without = facts.iter().filter(|facts| facts.mean_fd_mm.is_nan()).count();
    if without > 0 {
        notes.push(format!("{} in the stack without a mean FD: not in QC-FC", counted(without)));
    }
    for covariate in &quality.children.covariates {
        if let (Some(column), Some(why)) = (&covariate.column, &covariate.unused) {
            notes.push(format!("{column} ({}) is not taken out of QC-FC: {why}", covariate.what));
        }
    }
    if let Some(why) = &quality.groups.why_not {
        notes.push(format!("groups are not compared: {why}"));
    }
    if quality.groups.why_not.is_none() && quality.groups.without > 0 {
        notes.push(format!("{} without a group: in no group", counted(quality.groups.without)));
    }
    notes.extend(trap(&quality.groups));
    notes
}

/// "Welch p = 0.003, Kruskal–Wallis p = 0.004, Hedges's g = −0.8".
pub(super) fn tests_words(found: &Comparison) -> String {
    let welch = match found.welch {
        Test::WelchT { t, dof, p } => {
            format!("Welch t = {} ({} degrees of freedom), p {}", figures(t, 2), figures(dof, 1), is(p))
        }
        Test::WelchF { f, between, within, p } => {
            format!("Welch F({}, {}) = {}, p {}", figures(between, 0), figures(within, 1), figures(f, 2), is(p))
        }
        Test::KruskalWallis { .. } => String::new(),
    };
    format!("{welch}; Kruskal–Wallis p {}; {}", is(found.kruskal_wallis.p()), effect_words(&found.effect))
}

fn is(p: f64) -> String {
    let words = p_words(p);
    if words.starts_with('<') { words } else { format!("= {words}") }
}

fn effect_words(effect: &Effect) -> String {
    match effect {
        Effect::HedgesG(g) => format!("Hedges's g = {}", figures(*g, 2)),
        Effect::EtaSquared(share) => format!("η² = {}", figures(*share, 2)),
    }
}

fn differs(found: &Comparison) -> bool {
    found.welch.p() < LEVEL || found.kruskal_wallis.p() < LEVEL
}

/// That groups differ in motion, where they do.
pub(super) fn trap(groups: &Groups) -> Option<String> {
    let moved = |compared: &&Compared| compared.what != "minutes_kept";
    let (compared, found) = groups
        .compared
        .iter()
        .filter(moved)
        .find_map(|compared| compared.found.as_ref().ok().filter(|f| differs(f)).map(|found| (compared, found)))?;
    let means: Vec<String> =
        found.groups.iter().map(|g| format!("{} {} {}", g.name, figures(g.mean, 3), compared.unit)).collect();
    Some(format!(
        "groups differ in motion, and that is the trap: what differs between them in connectivity may be motion alone ({}: {}; {})",
        compared.words,
        means.join(", "),
        tests_words(found)
    ))
}

/// What is said above the table of groups.
pub(super) fn groups_sentence(groups: &Groups) -> String {
    if let Some(why) = &groups.why_not {
        return capital(&format!("{why}."));
    }
    if trap(groups).is_some() {
        return "No: what differs between them in connectivity may be motion alone.".to_owned();
    }
    let tested = |compared: &Compared| compared.found.as_ref().is_ok_and(|found| !found.kruskal_wallis.p().is_nan());
    if groups.compared.iter().any(tested) {
        "No difference in motion reaches p < 0.05. In small groups that does not show that they are alike: read the effect sizes."
            .to_owned()
    } else {
        "Whether the groups differ in motion cannot be tested with these numbers.".to_owned()
    }
}

pub(super) fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or(String::new(), |first| first.to_uppercase().chain(letters).collect())
}

/// What the numbers leave out.
pub(super) const LEFT_OUT: [&str; 5] = [
    "Edges share children and parcels and go together, so a share well above or below 5 % comes about by chance too, the more so the fewer the children.",
    "That no correlation shows does not mean that there is no motion in the result: motion can act otherwise than in a straight line, or alike in all children.",
    "Children who move more may differ in other things, such as age: a correlation with motion need not be made by motion. Rows with age and sex taken out tell what is left without them.",
    "The p value of the rank correlation with distance counts edges as if they were independent: read rho first.",
    "Mean FD is over all frames of a child's runs, kept or not, before and after censoring alike.",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn few_edges_that_stand_out_are_no_proof() {
        let starts =
            |found, share, expected: &str| assert!(verdict(found, share).starts_with(expected), "{found} {share}");
        starts(0, 0.05, "No sign of it");
        starts(0, 0.2, "Perhaps: more edges");
        starts(1, 0.05, "Perhaps: 1 edge stands out");
        starts(300, 0.2, "Motion is in the result: 300 edges stand out");
    }
}
