//! Reviewers decide without knowing what others said: a child's review as one reviewer may see it.
//!
//! Agreement between reviewers means something only if each of them looked alone. So what others decided about a child
//! is withheld from a reviewer until that reviewer has a current line about the child, or the child was settled. How
//! many others have decided is always shown. Initials that differ only in capital letters are one reviewer's.
//!
//! Somebody who saw group, sex and age may mention them in a reason or note ("still, for six months"), so such words
//! are withheld from pages that hide these.

use std::collections::BTreeSet;

use super::decisions::Decisions;
use super::overview::{ChildReview, Told};
use super::standing::{Review, Standing};

/// Shown instead of a reason or note that may tell what blinding hides.
pub const UNBLINDED_WORDS: &str = "written with group, sex and age shown";

/// Whether two spellings are one reviewer's initials.
#[must_use]
pub fn same_reviewer(a: &str, b: &str) -> bool {
    a == b || a.to_lowercase() == b.to_lowercase()
}

/// The child as `reviewer` may see it; none: as somebody may see it who has not given initials.
#[must_use]
pub fn seen_by(mut child: ChildReview, reviewer: Option<&str>) -> ChildReview {
    let own = |told: &Told| reviewer.is_some_and(|reviewer| same_reviewer(&told.reviewer, reviewer));
    let current = || child.decisions.iter().filter(|told| told.current);
    let others: BTreeSet<String> =
        current().filter(|told| !own(told)).map(|told| told.reviewer.to_lowercase()).collect();
    child.others = others.len();
    if current().any(own) || current().next_back().is_some_and(|told| told.settles) {
        return child;
    }
    if child.others > 0 {
        child.standing = Standing { review: Review::Withheld, ..Standing::none() };
    }
    child.decisions.retain(own);
    child
}

/// Replaces reasons and notes that were written with group, sex and age shown by words that say so.
pub fn hide_unblinded_words(decisions: &mut Decisions) {
    for line in decisions.lines.iter_mut().filter(|line| !line.blinded) {
        if line.reason.take().is_some() | line.note.take().is_some() {
            line.note = Some(UNBLINDED_WORDS.to_owned());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::decisions::Line;
    use super::super::overview::{Subject, overview};
    use super::super::{Decision, RowId};
    use super::*;

    fn line(reviewer: &str, settles: bool, digest: &str) -> Line {
        Line {
            time: "2026-11-25T09:30:00Z".to_owned(),
            reviewer: reviewer.to_owned(),
            row: RowId::from_cells("sub-01", "n/a", "n/a"),
            decision: Decision::Exclude,
            reason: Some("too restless".to_owned()),
            note: Some(format!("note of {reviewer}")),
            settles,
            blinded: reviewer != "CD",
            results_digest: digest.to_owned(),
        }
    }

    fn child(lines: &[Line]) -> ChildReview {
        let subject = Subject {
            stem: "sub-01".to_owned(),
            row: RowId::from_cells("sub-01", "n/a", "n/a"),
            results_digest: "d1".to_owned(),
        };
        let decisions = Decisions { lines: lines.to_vec(), skipped: Vec::new() };
        overview(&decisions, &[subject]).children.swap_remove(0).1
    }

    #[test]
    fn what_others_say_is_withheld_until_one_has_decided() {
        let two = child(&[line("AB", false, "d1"), line("CD", false, "d1"), line("EF", false, "d0")]);
        assert_eq!(two.others, 2, "of nobody in particular");
        for (reviewer, others) in [(None, 2), (Some("GH"), 2), (Some("EF"), 2)] {
            let seen = seen_by(two.clone(), reviewer);
            assert_eq!(seen.others, others);
            assert_eq!(seen.standing, Standing { review: Review::Withheld, reviewers: Vec::new(), reason: None });
            // EF's own line is on other results.
            let own: Vec<&str> = seen.decisions.iter().map(|told| told.reviewer.as_str()).collect();
            assert_eq!(own, if reviewer == Some("EF") { vec!["EF"] } else { vec![] });
        }
        for reviewer in ["AB", "ab"] {
            assert_eq!(seen_by(two.clone(), Some(reviewer)), ChildReview { others: 1, ..two.clone() });
        }
        let settled = child(&[line("AB", false, "d1"), line("CD", true, "d1")]);
        assert_eq!(seen_by(settled.clone(), Some("GH")), settled);
        let reopened = child(&[line("AB", false, "d1"), line("CD", true, "d1"), line("AB", false, "d1")]);
        assert_eq!(seen_by(reopened, Some("GH")).standing.review, Review::Withheld);
    }

    #[test]
    fn where_nobody_has_decided_nothing_is_withheld_but_old_lines() {
        let none = child(&[]);
        assert_eq!(seen_by(none.clone(), None), none);
        let old = child(&[line("AB", false, "d0")]);
        let seen = seen_by(old.clone(), Some("CD"));
        assert_eq!((seen.standing, seen.others, seen.decisions), (old.standing.clone(), 0, Vec::new()));
        assert_eq!(old.standing.review, Review::OutOfDate);
    }

    #[test]
    fn words_written_unblinded_are_taken_out() {
        let bare = Line { reason: None, note: None, ..line("CD", false, "d1") };
        let lines = vec![line("AB", false, "d1"), line("CD", false, "d1"), bare.clone()];
        let mut decisions = Decisions { lines: lines.clone(), skipped: Vec::new() };
        hide_unblinded_words(&mut decisions);
        assert_eq!((&decisions.lines[0], &decisions.lines[2]), (&lines[0], &bare));
        let told = child(&decisions.lines[..2]);
        assert_eq!(told.decisions[1].reason, None);
        assert_eq!(told.decisions[1].note.as_deref(), Some("written with group, sex and age shown"));
        assert_eq!(
            told.standing.reason.as_deref(),
            Some("too restless: note of AB; written with group, sex and age shown")
        );
    }
}
