//! What reviewers say of each child, from `review/decisions.tsv` as it is now.
//!
//! The cohort table has it too, but a run may have kept a late decision out of it. If the file has no decision on
//! a child, the table counts. If a child's results have changed since, the last decision counts as well: a child that
//! was excluded stays out until someone has looked again.

use std::collections::HashMap;
use std::path::Path;

use super::error::StackError;
use crate::review::decisions;
use crate::review::standing::{Standing, standing};
use crate::review::{Decision, RowId};

/// All decisions, by row of the cohort table.
#[derive(Debug)]
pub(crate) struct Reviews {
    lines: HashMap<RowId, Vec<decisions::Line>>,
    /// What could not be read, in words.
    pub skipped: Vec<String>,
}

impl Reviews {
    /// Empty where nothing was ever reviewed.
    pub(crate) fn read(results: &Path) -> Result<Self, StackError> {
        let read = decisions::read(results)?;
        let mut lines: HashMap<RowId, Vec<decisions::Line>> = HashMap::new();
        for line in read.lines {
            lines.entry(line.row.clone()).or_default().push(line);
        }
        Ok(Self { lines, skipped: read.skipped })
    }

    /// Where a child with these results stands, and whether the very last decision was to exclude; none where nobody
    /// decided.
    pub(crate) fn of(&self, ids: &[String; 3], digest: &str) -> Option<(Standing, bool)> {
        let lines = self.lines.get(&RowId::from_cells(&ids[0], &ids[1], &ids[2]))?;
        let all: Vec<&decisions::Line> = lines.iter().collect();
        Some((standing(&all, digest), lines.last()?.decision == Decision::Exclude))
    }
}

/// Why a child stays out, if it does.
pub(crate) fn excluded(review: &str, last_was_exclude: bool) -> Option<(String, String)> {
    match review {
        "exclude" => Some(("review_exclude".to_owned(), "excluded in review".to_owned())),
        "out_of_date" if last_was_exclude => Some((
            "review_exclude_out_of_date".to_owned(),
            "excluded in review of earlier results; look again with `keepstill review`".to_owned(),
        )),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::review::decisions::Line;

    fn line(child: &str, decision: Decision, digest: &str) -> Line {
        Line {
            time: "2026-11-25T09:00:00Z".to_owned(),
            reviewer: "AB".to_owned(),
            row: RowId::from_cells(child, "n/a", "n/a"),
            decision,
            reason: None,
            note: None,
            settles: false,
            blinded: true,
            results_digest: digest.repeat(64),
        }
    }

    #[test]
    fn an_exclusion_holds_over_changed_results_until_someone_looks_again() {
        let folder = tempfile::tempdir().unwrap();
        let ids = ["sub-1", "n/a", "n/a"].map(str::to_owned);
        let why = |digest: &str| {
            let reviews = Reviews::read(folder.path()).unwrap();
            let (standing, last) = reviews.of(&ids, &digest.repeat(64))?;
            excluded(standing.review.key(), last).map(|(reason, _)| reason)
        };
        assert_eq!(why("1"), None);
        let say = |decision, digest| decisions::append(folder.path(), &line("sub-1", decision, digest)).unwrap();
        say(Decision::Exclude, "0");
        decisions::append(folder.path(), &line("sub-2", Decision::Include, "0")).unwrap();
        assert_eq!(why("0").as_deref(), Some("review_exclude"));
        assert_eq!(why("1").as_deref(), Some("review_exclude_out_of_date"));
        say(Decision::Unsure, "0");
        assert_eq!((why("0"), why("1")), (None, None));
        say(Decision::Exclude, "1");
        assert_eq!(why("1").as_deref(), Some("review_exclude"));
    }
}
