//! Where a child stands: which lines count, and what they amount to.
//!
//! Only lines about the current results count, and of each reviewer only the latest. If the latest line of all settles
//! a disagreement, it counts alone, until anyone adds a later line. The lines that count either agree, and then their
//! word is the outcome, or they disagree.

use serde::{Serialize, Serializer};

use super::Decision;
use super::decisions::Line;

/// What the reviewers together say about a child.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Review {
    /// All lines that count say the same.
    Agreed(Decision),
    /// The lines that count differ.
    Disagreement,
    /// There are lines, all about results that are no longer there.
    OutOfDate,
    /// Nobody has decided.
    None,
    /// Others have decided, and what they decided is withheld; never in tables.
    Withheld,
}

impl Review {
    /// The word in tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Agreed(decision) => decision.key(),
            Self::Disagreement => "disagreement",
            Self::OutOfDate => "out_of_date",
            Self::None => "n/a",
            Self::Withheld => "withheld",
        }
    }
}

impl Serialize for Review {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.key())
    }
}

/// Where a child stands, as three columns of the cohort table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Standing {
    pub review: Review,
    /// Who decided on the current results, in the order in which they first did.
    pub reviewers: Vec<String>,
    /// The differing reasons of the lines that count, each with its note after a colon, separated by `; `.
    pub reason: Option<String>,
}

impl Standing {
    /// For a child about whom nobody has decided.
    #[must_use]
    pub fn none() -> Self {
        Self { review: Review::None, reviewers: Vec::new(), reason: None }
    }

    /// The cells under `review`, `reviewers` and `review_reason`.
    #[must_use]
    pub fn cells(&self) -> [String; 3] {
        [self.review.key().to_owned(), self.reviewers.join(";"), self.reason.clone().unwrap_or_default()]
    }
}

/// Where a child stands whose results have `digest`, from all lines about it in the order of their writing.
#[must_use]
pub fn standing(lines: &[&Line], digest: &str) -> Standing {
    let current: Vec<&Line> = lines.iter().copied().filter(|line| line.results_digest == digest).collect();
    let Some(last) = current.last() else {
        let review = if lines.is_empty() { Review::None } else { Review::OutOfDate };
        return Standing { review, ..Standing::none() };
    };
    let latest = latest_of_each(current.iter().copied());
    let reviewers = latest.iter().map(|line| line.reviewer.clone()).collect();
    let counted = if last.settles { vec![*last] } else { latest };
    let same = counted.iter().all(|line| line.decision == last.decision);
    let review = if same { Review::Agreed(last.decision) } else { Review::Disagreement };
    let mut reasons: Vec<String> = Vec::new();
    for line in counted {
        let words: Vec<&str> = [&line.reason, &line.note].into_iter().flatten().map(String::as_str).collect();
        let words = words.join(": ");
        if !words.is_empty() && !reasons.contains(&words) {
            reasons.push(words);
        }
    }
    let reason = (!reasons.is_empty()).then(|| reasons.join("; "));
    Standing { review, reviewers, reason }
}

/// What each reviewer says about a child alone, in the order in which they first did. Lines that settle a disagreement
/// are left out: they come from talking, and say nothing about agreement.
#[must_use]
pub fn own_decisions<'a>(lines: &[&'a Line], digest: &str) -> Vec<(&'a str, Decision)> {
    let own = lines.iter().copied().filter(|line| line.results_digest == digest && !line.settles);
    latest_of_each(own).into_iter().map(|line| (line.reviewer.as_str(), line.decision)).collect()
}

/// Whether there is, or was before it was settled, a disagreement.
#[must_use]
pub fn disputed(lines: &[&Line], digest: &str) -> bool {
    let own = own_decisions(lines, digest);
    own.windows(2).any(|pair| pair[0].1 != pair[1].1) || standing(lines, digest).review == Review::Disagreement
}

/// Whether a line that settles was written on these results after the first `seen` lines. Somebody who saw only those
/// would decide without knowing the settlement. It makes no difference whether anyone has decided again since.
#[must_use]
pub fn settled_since(lines: &[&Line], seen: usize, digest: &str) -> bool {
    lines.iter().skip(seen).any(|line| line.settles && line.results_digest == digest)
}

/// The latest line of each reviewer; reviewers in the order of their first.
fn latest_of_each<'a>(lines: impl Iterator<Item = &'a Line>) -> Vec<&'a Line> {
    let mut latest: Vec<&Line> = Vec::new();
    for line in lines {
        match latest.iter_mut().find(|known| known.reviewer == line.reviewer) {
            Some(known) => *known = line,
            None => latest.push(line),
        }
    }
    latest
}

#[cfg(test)]
mod tests {
    use super::super::RowId;
    use super::*;

    /// A line as `AB+d1` (include), `-` (exclude), `?` (unsure), with `!` before it when it settles.
    fn line(text: &str) -> Line {
        let (settles, text) = (text.starts_with('!'), text.trim_start_matches('!'));
        let at = text.find(['+', '-', '?']).unwrap();
        let decision = match &text[at..=at] {
            "+" => Decision::Include,
            "-" => Decision::Exclude,
            _ => Decision::Unsure,
        };
        Line {
            time: String::new(),
            reviewer: text[..at].to_owned(),
            row: RowId::from_cells("sub-01", "n/a", "n/a"),
            decision,
            reason: (decision == Decision::Exclude).then(|| format!("reason of {}", &text[..at])),
            note: settles.then(|| "talked over".to_owned()),
            settles,
            blinded: true,
            results_digest: text[at + 1..].to_owned(),
        }
    }

    fn of(texts: &str) -> Vec<Line> {
        texts.split_whitespace().map(line).collect()
    }

    #[track_caller]
    fn holds(texts: &str, expected: [&str; 3]) {
        let lines = of(texts);
        assert_eq!(standing(&lines.iter().collect::<Vec<_>>(), "d1").cells(), expected, "{texts}");
    }

    #[test]
    fn the_latest_line_of_each_reviewer_on_these_results_counts() {
        holds("", ["n/a", "", ""]);
        holds("AB+d1", ["include", "AB", ""]);
        holds("AB+d1 AB-d1", ["exclude", "AB", "reason of AB"]);
        holds("AB-d1 AB+d1", ["include", "AB", ""]);
        holds("AB?d1 CD?d1", ["unsure", "AB;CD", ""]);
        holds("AB-d1 CD-d1", ["exclude", "AB;CD", "reason of AB; reason of CD"]);
        holds("AB+d1 CD-d1", ["disagreement", "AB;CD", "reason of CD"]);
        holds("AB+d1 CD-d1 AB-d1", ["exclude", "AB;CD", "reason of AB; reason of CD"]);
        holds("AB+d0", ["out_of_date", "", ""]);
        holds("AB+d0 CD-d1", ["exclude", "CD", "reason of CD"]);
        holds("AB+d1 AB-d0", ["include", "AB", ""]);
    }

    #[test]
    fn a_settling_line_counts_alone_until_a_later_one() {
        holds("AB+d1 CD-d1 !AB+d1", ["include", "AB;CD", "talked over"]);
        holds("AB+d1 CD-d1 !AB-d1", ["exclude", "AB;CD", "reason of AB: talked over"]);
        holds("AB+d1 CD-d1 !EF+d1", ["include", "AB;CD;EF", "talked over"]);
        // CD still says exclude, and AB's latest line is the one that settled.
        holds("AB+d1 CD-d1 !AB+d1 CD-d1", ["disagreement", "AB;CD", "talked over; reason of CD"]);
        holds("AB+d1 CD-d1 !AB+d1 CD+d1", ["include", "AB;CD", "talked over"]);
        holds("AB+d1 CD-d1 !AB+d0", ["disagreement", "AB;CD", "reason of CD"]);
    }

    #[test]
    fn agreement_is_about_what_each_said_before_talking() {
        let lines = of("AB+d1 CD-d1 CD?d1 !AB-d1 EF+d0");
        let lines: Vec<&Line> = lines.iter().collect();
        assert_eq!(own_decisions(&lines, "d1"), [("AB", Decision::Include), ("CD", Decision::Unsure)]);
        assert!(disputed(&lines, "d1") && !disputed(&lines, "d0") && !disputed(&lines, "d2"));
    }

    /// Every history of up to five lines of two people, compared with the same rules read from the end backwards.
    #[test]
    fn every_short_history_means_what_a_slow_reading_says() {
        let kinds = ["AB+d1", "AB-d1", "CD+d1", "CD-d1", "!AB+d1", "!CD-d1", "AB-d0"];
        let mut count = 0;
        for code in 0..kinds.len().pow(5) {
            let lines: Vec<Line> = (0..5).map(|k| line(kinds[code / kinds.len().pow(k) % kinds.len()])).collect();
            for length in [4, 5] {
                let lines: Vec<&Line> = lines[..length].iter().collect();
                let newest: Vec<&&Line> = lines.iter().rev().filter(|line| line.results_digest == "d1").collect();
                let of = |who: &str| newest.iter().find(|line| line.reviewer == who).map(|line| line.decision);
                let expected = match (newest.first(), of("AB"), of("CD")) {
                    (None, ..) => "out_of_date",
                    (Some(first), ..) if first.settles => first.decision.key(),
                    (_, Some(a), Some(b)) if a != b => "disagreement",
                    (_, a, b) => a.or(b).unwrap().key(),
                };
                assert_eq!(standing(&lines, "d1").review.key(), expected);
                count += 1;
            }
        }
        assert_eq!(count, 2 * 16_807);
    }
}
