//! A cohort's review at a glance: where each child stands, how far each two reviewers agree, what is to be settled.

use std::collections::{BTreeSet, HashMap};

use serde::Serialize;

use super::decisions::{Decisions, Line};
use super::kappa;
use super::standing::{self, Review, Standing, own_decisions};
use super::{Decision, RowId};

/// A child to be reviewed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Subject {
    pub stem: String,
    pub row: RowId,
    pub results_digest: String,
}

/// A child's standing and all that was ever decided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChildReview {
    #[serde(flatten)]
    pub standing: Standing,
    /// Oldest first.
    pub decisions: Vec<Told>,
}

/// A line as pages show it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Told {
    pub time: String,
    pub reviewer: String,
    pub decision: Decision,
    pub reason: Option<String>,
    pub note: Option<String>,
    pub settles: bool,
    pub blinded: bool,
    /// Made on these results.
    pub current: bool,
}

/// How far two reviewers agree.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    pub reviewers: [String; 2],
    /// Children on whom both decided.
    pub children: usize,
    /// Of them, those on whom they say the same.
    pub agree: usize,
    /// Cohen's kappa and its 95 % interval; none where [`kappa::kappa`] has none.
    pub kappa: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// Everything that the lines say of a cohort.
#[derive(Debug, Clone, PartialEq)]
pub struct Overview {
    /// Stem and review, one a subject, in their order.
    pub children: Vec<(String, ChildReview)>,
    /// By initials.
    pub agreement: Vec<Pair>,
    /// Stems of those to be settled.
    pub disagreements: Vec<String>,
    /// What could not be read or belongs to nobody, in words.
    pub skipped: Vec<String>,
}

/// The lines about each row, in the order of their writing.
#[must_use]
pub fn lines_by_row(decisions: &Decisions) -> HashMap<&RowId, Vec<&Line>> {
    let mut by_row: HashMap<&RowId, Vec<&Line>> = HashMap::new();
    for line in &decisions.lines {
        by_row.entry(&line.row).or_default().push(line);
    }
    by_row
}

/// Where each row stands, given its current digest.
#[must_use]
pub fn standings<'a>(decisions: &Decisions, rows: impl Iterator<Item = (&'a RowId, &'a str)>) -> Vec<Standing> {
    let lines = lines_by_row(decisions);
    rows.map(|(row, digest)| standing::standing(lines.get(row).map_or(&[], Vec::as_slice), digest)).collect()
}

/// Sees a cohort through.
#[must_use]
pub fn overview(decisions: &Decisions, subjects: &[Subject]) -> Overview {
    let by_row = lines_by_row(decisions);
    let mut own = Vec::with_capacity(subjects.len());
    let mut children = Vec::with_capacity(subjects.len());
    let mut disagreements = Vec::new();
    for subject in subjects {
        let lines = by_row.get(&subject.row).map_or(&[][..], Vec::as_slice);
        let child = child_review(lines, &subject.results_digest);
        if child.standing.review == Review::Disagreement {
            disagreements.push(subject.stem.clone());
        }
        own.push(own_decisions(lines, &subject.results_digest));
        children.push((subject.stem.clone(), child));
    }
    let mut skipped = decisions.skipped.clone();
    let known: BTreeSet<String> = subjects.iter().map(|subject| subject.row.label()).collect();
    let mut unknown: Vec<String> = by_row.keys().map(|row| row.label()).filter(|row| !known.contains(row)).collect();
    unknown.sort_unstable();
    skipped.extend(unknown.into_iter().map(|label| {
        format!("there are decisions about {label}, which has no row in the cohort now; they are kept and not counted")
    }));
    Overview { children, agreement: agreement(&own), disagreements, skipped }
}

/// One child's part.
#[must_use]
pub fn child_review(lines: &[&Line], digest: &str) -> ChildReview {
    let told = lines.iter().map(|line| Told {
        time: line.time.clone(),
        reviewer: line.reviewer.clone(),
        decision: line.decision,
        reason: line.reason.clone(),
        note: line.note.clone(),
        settles: line.settles,
        blinded: line.blinded,
        current: line.results_digest == digest,
    });
    ChildReview { standing: standing::standing(lines, digest), decisions: told.collect() }
}

/// Each pair of reviewers over the children that both decided on; `own` has one entry a child.
fn agreement(own: &[Vec<(&str, Decision)>]) -> Vec<Pair> {
    let reviewers: BTreeSet<&str> = own.iter().flatten().map(|(reviewer, _)| *reviewer).collect();
    let reviewers: Vec<&str> = reviewers.into_iter().collect();
    let of = |child: &[(&str, Decision)], who: &str| child.iter().find(|own| own.0 == who).map(|own| own.1);
    let mut pairs = Vec::new();
    for (i, first) in reviewers.iter().enumerate() {
        for second in &reviewers[i + 1..] {
            let both = own.iter().filter_map(|child| Some((of(child, first)?, of(child, second)?)));
            let counts = kappa::counts(both);
            let found = kappa::kappa(&counts);
            pairs.push(Pair {
                reviewers: [(*first).to_owned(), (*second).to_owned()],
                children: counts.iter().flatten().sum(),
                agree: (0..3).map(|k| counts[k][k]).sum(),
                kappa: found.map(|k| k.kappa),
                low: found.map(|k| k.low),
                high: found.map(|k| k.high),
            });
        }
    }
    pairs
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line(reviewer: &str, participant: &str, decision: Decision, settles: bool) -> Line {
        Line {
            time: "2026-11-25T09:30:00Z".to_owned(),
            reviewer: reviewer.to_owned(),
            row: RowId::from_cells(participant, "n/a", "n/a"),
            decision,
            reason: None,
            note: None,
            settles,
            blinded: true,
            results_digest: "d1".to_owned(),
        }
    }

    fn subject(participant: &str) -> Subject {
        Subject {
            stem: participant.to_owned(),
            row: RowId::from_cells(participant, "n/a", "n/a"),
            results_digest: "d1".to_owned(),
        }
    }

    #[test]
    fn pairs_disagreements_and_strangers_are_told() {
        use Decision::{Exclude, Include, Unsure};
        let lines = vec![
            line("CD", "sub-01", Include, false),
            line("AB", "sub-01", Include, false),
            line("AB", "sub-02", Exclude, false),
            line("CD", "sub-02", Unsure, false),
            line("AB", "sub-03", Exclude, false),
            line("CD", "sub-03", Exclude, false),
            line("AB", "sub-04", Exclude, false),
            line("CD", "sub-04", Include, false),
            line("CD", "sub-04", Exclude, true),
            line("EF", "sub-05", Include, false),
            line("AB", "sub-99", Include, false),
        ];
        let decisions = Decisions { lines, skipped: vec!["line 7 is bad".to_owned()] };
        let subjects: Vec<Subject> = (1..=6).map(|n| subject(&format!("sub-{n:02}"))).collect();
        let found = overview(&decisions, &subjects);
        assert_eq!(found.disagreements, ["sub-02"]);
        let words: Vec<&str> = found.children.iter().map(|(_, child)| child.standing.review.key()).collect();
        assert_eq!(words, ["include", "disagreement", "exclude", "exclude", "include", "n/a"]);
        assert!(found.skipped.len() == 2 && found.skipped[1].contains("sub-99"), "{:?}", found.skipped);
        let told: Vec<(String, usize, usize)> =
            found.agreement.iter().map(|pair| (pair.reviewers.join("+"), pair.children, pair.agree)).collect();
        assert_eq!(told, [("AB+CD".to_owned(), 4, 2), ("AB+EF".to_owned(), 0, 0), ("CD+EF".to_owned(), 0, 0)]);
        // Over include/exclude/unsure: AB 1 3 0, CD 2 1 1; po 1/2, pe (2 + 3)/16.
        let kappa = found.agreement[0].kappa.unwrap();
        assert!((kappa - (0.5 - 5.0 / 16.0) / (11.0 / 16.0)).abs() < 1e-12, "{kappa}");
        assert_eq!(found.agreement[1].kappa, None);
        assert_eq!(found.children[3].1.decisions.len(), 3);
        let rows: Vec<&RowId> = subjects.iter().map(|subject| &subject.row).collect();
        let alone = standings(&decisions, rows.iter().map(|row| (*row, "d1")));
        assert!(alone.iter().zip(&found.children).all(|(a, (_, b))| *a == b.standing));
    }
}
