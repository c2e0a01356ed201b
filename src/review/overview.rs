//! A cohort's review at a glance: where each child stands, how far any two reviewers agree, and what must be settled.

use std::collections::{BTreeSet, HashMap};

use serde::{Serialize, Serializer};

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

impl Subject {
    /// What names it, and its digest.
    #[must_use]
    pub fn named(&self) -> (&RowId, &str) {
        (&self.row, &self.results_digest)
    }
}

/// A child's standing and all that was ever decided.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ChildReview {
    #[serde(flatten)]
    pub standing: Standing,
    /// Reviewers with a current decision, apart from the one who asks.
    pub others: usize,
    /// Lines about it, on whatever results: what a page that was loaded now has seen.
    pub lines: usize,
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
    /// Whether it was made on these results.
    pub current: bool,
}

/// How far two reviewers agree.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    pub reviewers: [String; 2],
    /// Children on whom both decided.
    pub children: usize,
    /// How many of them both say the same about.
    pub agree: usize,
    /// Cohen's kappa and its 95 % interval; none where [`kappa::kappa`] has none, the interval also where kappa has.
    pub kappa: Option<f64>,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

/// Everything that the lines say of a cohort.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Overview {
    /// Stem and review, one entry per subject, in their order; in JSON one object.
    #[serde(serialize_with = "as_object")]
    pub children: Vec<(String, ChildReview)>,
    /// By initials.
    pub agreement: Vec<Pair>,
    /// Stems of the children that must be settled.
    pub disagreements: Vec<String>,
    /// What could not be read or belongs to nobody, in words.
    pub skipped: Vec<String>,
}

fn as_object<S: Serializer>(children: &[(String, ChildReview)], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_map(children.iter().map(|(stem, child)| (stem, child)))
}

/// Lines by the row that they are about.
pub struct Lines<'a> {
    by_row: HashMap<&'a RowId, Vec<&'a Line>>,
    /// Current digests of the rows of one name: runs of several tasks that are not joined share theirs.
    digests: HashMap<&'a RowId, Vec<&'a str>>,
}

impl<'a> Lines<'a> {
    /// Sorts the lines to the rows; each row comes with its current digest.
    #[must_use]
    pub fn new(decisions: &'a Decisions, rows: impl Iterator<Item = (&'a RowId, &'a str)>) -> Self {
        let mut lines = Self { by_row: HashMap::new(), digests: HashMap::new() };
        for line in &decisions.lines {
            lines.by_row.entry(&line.row).or_default().push(line);
        }
        for (row, digest) in rows {
            lines.digests.entry(row).or_default().push(digest);
        }
        lines
    }

    /// Those about a row, in the order of their writing: not those about the current results of another of its name.
    #[must_use]
    pub fn about(&self, row: &RowId, digest: &str) -> Vec<&'a Line> {
        let lines = self.named(row);
        let digests = self.digests.get(row).map_or(&[][..], Vec::as_slice);
        let of_another =
            |line: &&&Line| line.results_digest != digest && digests.contains(&line.results_digest.as_str());
        lines.iter().filter(|line| !of_another(line)).copied().collect()
    }

    /// All lines about rows of this name, in the order of their writing. Their number only grows, because the file is
    /// only added to.
    #[must_use]
    pub fn named(&self, row: &RowId) -> &[&'a Line] {
        self.by_row.get(row).map_or(&[][..], Vec::as_slice)
    }

    /// Rows that lines are about but that are not there, by name.
    fn strangers(&self) -> Vec<String> {
        let unknown = self.by_row.keys().filter(|row| !self.digests.contains_key(*row));
        let mut labels: Vec<String> = unknown.map(|row| row.label()).collect();
        labels.sort_unstable();
        labels
    }
}

/// Where each row stands, given its current digest.
#[must_use]
pub fn standings<'a>(
    decisions: &'a Decisions,
    rows: impl Iterator<Item = (&'a RowId, &'a str)> + Clone,
) -> Vec<Standing> {
    let lines = Lines::new(decisions, rows.clone());
    rows.map(|(row, digest)| standing::standing(&lines.about(row, digest), digest)).collect()
}

/// The review of a whole cohort.
#[must_use]
pub fn overview(decisions: &Decisions, subjects: &[Subject]) -> Overview {
    let all = Lines::new(decisions, subjects.iter().map(Subject::named));
    let mut own = Vec::with_capacity(subjects.len());
    let mut children = Vec::with_capacity(subjects.len());
    let mut disagreements = Vec::new();
    for subject in subjects {
        let lines = all.about(&subject.row, &subject.results_digest);
        let child = child_review(&lines, &subject.results_digest, all.named(&subject.row).len());
        if child.standing.review == Review::Disagreement {
            disagreements.push(subject.stem.clone());
        }
        own.push(own_decisions(&lines, &subject.results_digest));
        children.push((subject.stem.clone(), child));
    }
    let mut skipped = decisions.skipped.clone();
    skipped.extend(all.strangers().into_iter().map(|label| {
        format!("there are decisions about {label}, which has no row in the cohort now; they are kept and not counted")
    }));
    Overview { children, agreement: agreement(&own), disagreements, skipped }
}

/// One child's part, asked for by nobody in particular; `written` lines are about rows of its name.
#[must_use]
pub fn child_review(lines: &[&Line], digest: &str, written: usize) -> ChildReview {
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
    let standing = standing::standing(lines, digest);
    ChildReview { others: standing.reviewers.len(), lines: written, standing, decisions: told.collect() }
}

/// Each pair of reviewers, over the children on whom both decided; `own` has one entry per child.
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
            let interval = found.and_then(|k| k.interval);
            pairs.push(Pair {
                reviewers: [(*first).to_owned(), (*second).to_owned()],
                children: counts.iter().flatten().sum(),
                agree: (0..3).map(|k| counts[k][k]).sum(),
                kappa: found.map(|k| k.kappa),
                low: interval.map(|[low, _]| low),
                high: interval.map(|[_, high]| high),
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
        let lines: Vec<usize> = found.children.iter().map(|(_, child)| child.lines).collect();
        assert_eq!(lines, [2, 2, 2, 3, 1, 0]);
        let alone = standings(&decisions, subjects.iter().map(Subject::named));
        assert!(alone.iter().zip(&found.children).all(|(a, (_, b))| *a == b.standing));
    }

    #[test]
    fn rows_of_one_name_keep_their_lines_apart() {
        let other = |digest: &str| Subject { results_digest: digest.to_owned(), ..subject("sub-01") };
        let stale = Line { results_digest: "d0".to_owned(), ..line("AB", "sub-01", Decision::Unsure, false) };
        let decisions = Decisions { lines: vec![line("AB", "sub-01", Decision::Include, false)], skipped: Vec::new() };
        let words = |decisions: &Decisions, subjects: &[Subject]| -> Vec<&str> {
            standings(decisions, subjects.iter().map(Subject::named)).iter().map(|found| found.review.key()).collect()
        };
        assert_eq!(words(&decisions, &[other("d1"), other("d2")]), ["include", "n/a"]);
        assert_eq!(words(&decisions, &[other("d3"), other("d2")]), ["out_of_date", "out_of_date"]);
        let decisions = Decisions { lines: vec![stale, decisions.lines[0].clone()], skipped: Vec::new() };
        assert_eq!(words(&decisions, &[other("d2"), other("d1")]), ["out_of_date", "include"]);
    }
}
