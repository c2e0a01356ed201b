//! The sentences: is it just motion, and do groups move alike?
//!
//! No sentence says more than the numbers. A share of edges above 5 % is no proof, since edges share children and
//! parcels and vary together, so it is compared with that under motion shuffled among the children. With few children a
//! correlation must be large to stand out from chance, so "no sign" says little. What does stand
//! out counts with few children as it does with many.

use serde_json::Value;

use super::before::Before;
use super::context::QualityContext;
use super::groups::{Compared, Groups};
use super::rows::{Censoring, QcFcRow};
use crate::group::groups::{Comparison, Effect, Test};
use crate::group::quality::{Beyond, children_needed, p_of_farthest};
use crate::stack::gather::request::Weights;
use crate::stack::gather::unlike;
use crate::tables::{and, counted, figures, p_words};

/// The correlation that a study should be able to see (a medium one: Cohen 1988, Statistical Power Analysis; *from
/// memory*).
pub(super) const MEDIUM_R: f64 = 0.3;
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

/// A share of edges; a few among many are not rounded to none.
pub(super) fn percent(share: f64) -> String {
    if share > 0.0 && share < 0.0005 {
        "< 0.1 %".to_owned()
    } else if share.is_finite() {
        format!("{} %", figures(100.0 * share, 1))
    } else {
        "n/a".to_owned()
    }
}

/// The plain rows of one atlas and measure: the one that the stack holds, then the one before censoring where that is
/// another.
pub(super) fn pair<'a>(rows: &'a [QcFcRow], atlas: &str, measure: &str) -> (Option<&'a QcFcRow>, Option<&'a QcFcRow>) {
    let own = |row: &&QcFcRow| row.atlas == atlas && row.measure == measure && row.adjusted_for.is_empty();
    let main = rows.iter().filter(own).find(|row| row.results == "main");
    let before = rows.iter().filter(own).find(|row| row.results != "main");
    (main, before)
}

/// The answer for the first atlas, with Pearson's correlation if it is there; if there are several, it says which.
pub(super) fn answer(quality: &QualityContext<'_>, rows: &[QcFcRow]) -> String {
    let Some((atlas, measure)) = answered(rows) else { return "It cannot be told: there is no matrix.".to_owned() };
    let answer = answer_of(quality, rows, atlas, measure);
    if rows.iter().all(|row| row.atlas == atlas && row.measure == measure) {
        answer
    } else {
        format!("{answer} This is for {atlas}, {measure}; the page has the others.")
    }
}

/// The atlas and measure that the answer is of.
pub(super) fn answered(rows: &[QcFcRow]) -> Option<(&str, &'static str)> {
    let first = rows.iter().find(|row| row.measure == "pearson").or(rows.first())?;
    Some((&first.atlas, first.measure))
}

/// The answer for one atlas and measure.
pub(super) fn answer_of(quality: &QualityContext<'_>, rows: &[QcFcRow], atlas: &str, measure: &str) -> String {
    let (Some(row), before) = pair(rows, atlas, measure) else { return "This cannot be answered.".to_owned() };
    let needed = needed();
    let who = counted(row.children, "child", "children");
    // It is worked out for independent rows, and how many children with several rows are as good is not known.
    let enough = (row.rows == row.children)
        .then(|| format!("about {needed} children are needed for |r| = {MEDIUM_R} to reach p < 0.05"));
    if row.summary.edges == 0 {
        let mut fd = quality.children.facts.iter().map(|facts| facts.mean_fd_mm).filter(|fd| fd.is_finite());
        let first = fd.next();
        let why = if row.children < 3 {
            format!(
                "correlations over children need at least three of them, and there {} {who} with a mean FD{}",
                if row.children == 1 { "is" } else { "are" },
                enough.map_or(String::new(), |enough| format!("; {enough}"))
            )
        } else if fd.all(|other| Some(other) == first) {
            format!("all {who} have the same mean FD")
        } else if row.all_edges == 0 {
            "there is no edge".to_owned()
        } else if row.left_out() == row.all_edges {
            format!("no edge is there in half of the {}", if row.rows == row.children { "children" } else { "rows" })
        } else {
            "no edge differs between children who have it".to_owned()
        };
        return format!("This cannot be answered: {why}.");
    }
    if row.orders < FEWEST_ORDERS && !quality.blocks.are_single() {
        return format!(
            "This cannot be answered: whole blocks of related rows are shuffled, each with others of its size, and the \
             {} rows of {who} have only {}; that is too few for p < 0.05. {}",
            row.rows,
            if row.orders < 2.0 { "1 order".to_owned() } else { format!("{} different orders", row.orders) },
            numbers(row, before)
        );
    }
    if row.children < FEWEST {
        return format!(
            "This cannot be answered: {who} are too few to shuffle motion among; at least {FEWEST} are needed{}. {}",
            enough.map_or(String::new(), |enough| format!(", and {enough}")),
            numbers(row, before)
        );
    }
    let own = |other: &&QcFcRow| other.atlas == atlas && other.measure == measure && other.results == "main";
    let looked: Vec<&Beyond> = rows.iter().filter(own).map(|row| &row.beyond).filter(|of| of.shuffles > 0).collect();
    let looks: Vec<f64> = looked.iter().flat_map(|of| [of.median_abs_r, of.share_p, of.share_q]).collect();
    let mut answer = verdict(&looks, p_of_farthest(&looked));
    if row.children < needed && !answer.starts_with(MOTION) {
        answer += &format!(
            " With {who} that says little: a correlation stands out only from |r| = {} up{}.",
            figures(row.critical(), 2),
            enough.map_or(String::new(), |enough| format!(", and {enough}"))
        );
    }
    format!("{answer} {}", numbers(row, before))
}

/// Four children have 24 orders, and their own comes up too often among shuffles for a corrected p below 0.05; five
/// have 120.
const FEWEST: usize = 5;
const FEWEST_ORDERS: f64 = 120.0;

const MOTION: &str = "Motion is in the result";

/// What the shuffles show, from their p values of the median |r|, of the share of edges with p < 0.05, and of those
/// with q < 0.05, which motion in a few edges raises; plain and with covariates taken out. `counted` is the p value of
/// the smallest of them, corrected for the number of comparisons: the smallest p over the looks is computed for the
/// data and for each shuffle, and the p value is the rank of the data among the shuffles. By chance alone "motion is in
/// the result" is therefore said of at most one cohort in twenty.
fn verdict(looks: &[f64], counted: f64) -> String {
    let Some(smallest) = looks.iter().copied().reduce(f64::min) else {
        return "This cannot be answered: motion could not be shuffled.".to_owned();
    };
    let p = |p: f64| figures(p, if p < 0.1 { 3 } else { 2 });
    if counted < LEVEL {
        format!(
            "{MOTION}: edges are related to motion more strongly than in shuffled data (p = {}, corrected for {} \
             comparisons).",
            p(counted),
            looks.len()
        )
    } else if smallest < LEVEL {
        format!(
            "Perhaps: edges are related to motion more strongly than in shuffled data, but not by much (smallest p = \
             {}; {} corrected for {} comparisons).",
            p(smallest),
            p(counted),
            looks.len()
        )
    } else {
        format!(
            "No sign of it: edges are related to motion no more strongly than in shuffled data (p = {}, corrected for \
             {} comparisons).",
            p(counted),
            looks.len()
        )
    }
}

/// The numbers as a sentence, before and after.
fn numbers(row: &QcFcRow, before: Option<&QcFcRow>) -> String {
    let is = match row.censoring {
        Censoring::After => "",
        Censoring::Before => ", without censoring for motion,",
    };
    if row.summary.share_p.is_nan() {
        // Where motion cannot be shuffled in blocks, nothing is known of chance.
        return format!(
            "The median |r| of {} with mean FD{is} is {}; p is n/a.",
            counted(row.summary.edges, "edge", "edges"),
            figures(row.summary.median_abs_r, 2)
        );
    }
    let [low, _, high] = row.beyond.range_share_p.map(percent);
    let found = (row.summary.share_q * row.summary.edges as f64).round() as usize;
    let mut text = format!(
        "Mean FD{is} is related to {} of {} edges at p < 0.05 (in nine of ten shuffles: {low} to {high}), and to \
         {found} of them at q < 0.05; the median |r| is {} (by chance {}).",
        percent(row.summary.share_p),
        row.summary.edges,
        figures(row.summary.median_abs_r, 2),
        figures(row.chance_median(), 2)
    );
    if let Some(before) = before.filter(|before| before.summary.edges > 0) {
        text += &format!(
            " Before censoring it was {} of edges, with a median |r| of {}.",
            percent(before.summary.share_p),
            figures(before.summary.median_abs_r, 2)
        );
    }
    text
}

/// Who and what is in the stack.
pub(super) fn stacked(chosen: &Value) -> String {
    let list = |value: &Value| value.as_array().cloned().unwrap_or_default();
    let mut text = format!("{} of {} rows of cohort.tsv", chosen["rows_in_stack"], chosen["cohort_rows"]);
    let names: Vec<String> =
        list(&chosen["results"]).iter().filter_map(|of| of["name"].as_str().map(str::to_owned)).collect();
    if !names.is_empty() {
        text += &format!(" in {}", and(&names));
    }
    let left: Vec<String> = list(&chosen["left_out"])
        .iter()
        .map(|out| format!("{} {}", out["rows"], out["reason"].as_str().unwrap_or_default()))
        .collect();
    if !left.is_empty() {
        text += &format!("; left out: {}", left.join(", "));
    }
    text.push('.');
    let asked = &chosen["settings"];
    let mut wishes: Vec<String> = list(&asked["where"])
        .iter()
        .filter_map(Value::as_str)
        .map(|condition| format!("only children with {condition}"))
        .collect();
    if let Some(minutes) = asked["min_minutes"].as_f64() {
        wishes.push(format!("at least {minutes} minutes kept"));
    }
    if asked["all"] == true {
        wishes.push("children of every verdict".to_owned());
    }
    match asked["missing"].as_str() {
        Some("drop-parcel") => wishes.push("without parcels that are missing in at least one child".to_owned()),
        Some("drop-child") => wishes.push("without children who have a parcel missing".to_owned()),
        _ => {}
    }
    for (key, unit, words) in [("equal_minutes", "minutes", "minutes"), ("equal_dof", "dof", "degrees of freedom")] {
        if let Some(amount) = chosen[key][unit].as_f64() {
            let from = chosen[key]["from"].as_str().unwrap_or_default();
            wishes.push(format!("each matrix, before censoring too, from {amount} {words}: {from}"));
        }
    }
    if let Some(group) = chosen["match"]["group"].as_str() {
        let caliper = figures(chosen["match"]["caliper_mm"].as_f64().unwrap_or(f64::NAN), 4);
        let alike = if chosen["match"]["alike"] == "motion" { "means" } else { "pairs" };
        wishes.push(format!("groups of {group} matched in motion, {alike} within {caliper} mm"));
    }
    if let Some(column) = chosen["adjust_sites"]["column"].as_str() {
        let keep = chosen["adjust_sites"]["keep"].as_str();
        let keep = keep.map_or(String::new(), |keep| format!(", keeping the effects of {keep}"));
        wishes.push(format!("each matrix, before censoring too, adjusted for {column}{keep}"));
    }
    if !wishes.is_empty() {
        text += &format!(" {}.", capital(&wishes.join("; ")));
    }
    text
}

/// What a person should know besides the answer; printed, in `quality.json` and on the page.
pub(super) fn notes(quality: &QualityContext<'_>, before: &Before, rows: &[QcFcRow]) -> Vec<String> {
    let mut notes: Vec<String> = quality.studies.note().into_iter().collect();
    if let Before::None(why) = before {
        let command = before.command(&quality.studies).unwrap_or_default();
        notes.push(format!(
            "quality is reported after censoring only: {why}; run `{command}` to have results before censoring to \
             compare with"
        ));
    }
    if matches!(before, Before::Study) {
        notes.push(
            "the study drops no frame for motion: quality is reported without censoring, and there is nothing to \
             compare it with"
                .into(),
        );
    }
    let facts = &quality.children.facts;
    if !quality.blocks.are_single() {
        notes.push(format!(
            "the stack has {} rows of {} in {}: QC-FC shuffles whole blocks, each with others of its size, and its p \
             and degrees of freedom come from these shuffles",
            facts.len(),
            counted(quality.blocks.children(), "child", "children"),
            match quality.blocks.count() {
                1 => "1 block of related rows".to_owned(),
                several => format!("{several} blocks that are independent of each other"),
            }
        ));
    }
    let without = facts.iter().filter(|facts| facts.mean_fd_mm.is_nan()).count();
    if without > 0 {
        let rows = quality.blocks.rows() != quality.blocks.children();
        let who = if rows { format!("{without} of the rows") } else { counted(without, "child", "children") };
        notes.push(format!("{who} in the stack without a mean FD: not in QC-FC"));
    }
    // One study without a span is enough for its children to be judged by their TR.
    let spans = quality.studies.known().map(|(_, settings)| settings.motion.fd_span_s);
    if let Some(span) = spans.reduce(f64::min) {
        notes.extend(unlike::repetition_times(quality.header, quality.found, span));
    }
    notes.extend(left_out(rows));
    for covariate in &quality.children.covariates {
        if let (Some(column), Some(why)) = (&covariate.column, &covariate.unused) {
            notes.push(format!("{column} ({}) is not taken out of QC-FC: {why}", covariate.what));
        }
    }
    if let Some(why) = &quality.groups.why_not {
        notes.push(format!("groups are not compared: {why}"));
    }
    if quality.groups.why_not.is_none() && quality.groups.without > 0 {
        notes.push(format!(
            "{} without a group, who are in no comparison",
            counted(quality.groups.without, "child", "children")
        ));
    }
    notes.extend(trap(&quality.groups));
    if quality.request.weights == Weights::Equal {
        notes.push(
            "all children count alike (--weights equal) although those with less data are noisier: QC-FC, its shuffles \
             and tests may find motion where there is none"
                .to_owned(),
        );
    }
    notes
}

/// A note of the edges that too few children have: of each atlas those of the look that leaves out most. Measures of an
/// atlas lack the same parcels.
fn left_out(rows: &[QcFcRow]) -> Option<String> {
    let mut most: Vec<(&str, usize, usize)> = Vec::new();
    for row in rows.iter().filter(|row| row.left_out() > 0) {
        match most.iter_mut().find(|(atlas, ..)| *atlas == row.atlas) {
            Some((.., count)) => *count = row.left_out().max(*count),
            None => most.push((&row.atlas, row.all_edges, row.left_out())),
        }
    }
    let of_atlas = |(atlas, edges, count): &(&str, usize, usize)| {
        format!("{count} of {} of {atlas}", counted(*edges, "edge", "edges"))
    };
    let counts: Vec<String> = most.iter().map(of_atlas).collect();
    let who = if rows.iter().any(|row| row.rows != row.children) { "rows" } else { "children" };
    (!counts.is_empty())
        .then(|| format!("QC-FC leaves out edges that fewer than half of its {who} have: {}", counts.join(", ")))
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
        Effect::OmegaSquared(share) => format!("ω² = {}", signed(*share, 2)),
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
        "groups differ in motion, and that is the trap: differences in connectivity between them may be motion alone \
         ({}: {}; {}); match them with --match motion, and put mean_fd_mm into the model of a test",
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
        return "No: differences in connectivity between them may be motion alone.".to_owned();
    }
    let tested = |compared: &Compared| compared.found.as_ref().is_ok_and(|found| !found.kruskal_wallis.p().is_nan());
    if groups.compared.iter().any(tested) {
        "No difference in motion reaches p < 0.05. In small groups that does not show that they are alike: read the \
         effect sizes."
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
pub(super) const LEFT_OUT: [&str; 6] = [
    "By chance 5 % of edges have p < 0.05 on average over cohorts. In one cohort it can be far more or far fewer, \
     since edges share children and parcels and so vary together; the shuffles show how many.",
    "A result without such a correlation can still hold motion: its effect need not be a straight line, and can be the \
     same in all children.",
    "Children who move more may differ in other things, such as age, so a correlation with motion need not be caused \
     by motion. Rows with age and sex taken out show what is left without them.",
    "Shuffling assumes that blocks are exchangeable: a child with all its rows, or the blocks of --blocks. Siblings \
     who are not in one block, and sites that differ in motion and in edges, are not.",
    "Each number of the groups has two tests, and each is read at p < 0.05 by itself.",
    "Mean FD is the mean over all frames of a child's runs, kept or not, both before and after censoring.",
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_look_of_several_is_no_proof() {
        let starts = |looks: &[f64], counted: f64, expected: &str| {
            let said = verdict(looks, counted);
            assert!(said.starts_with(expected), "{looks:?}: {said}");
        };
        starts(&[0.3, 0.4, 1.0], 0.35, "No sign of it");
        starts(&[0.04, 0.06, 1.0], 0.07, "Perhaps");
        starts(&[0.9, 0.005, 0.8], 0.01, "Motion is in the result");
        starts(&[], f64::NAN, "This cannot be answered");
        assert!(verdict(&[0.005, 0.005, 1.0], 0.005).contains("(p = 0.005, corrected for 3 comparisons)"));
        assert!(verdict(&[0.6, 0.9, 1.0], 0.8).contains("(p = 0.80, corrected for 3 comparisons)"));
        assert!(verdict(&[0.04, 0.9, 1.0], 0.07).contains("(smallest p = 0.040; 0.070 corrected for 3 comparisons)"));
    }
}
