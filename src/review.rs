//! Review: what people decided about each child, how far they agree, and the local server where they decide.
//!
//! A decision is one line of `review/decisions.tsv` and is never rewritten: if somebody changes their mind, a new line
//! is added ([`decisions`], over [`ledger`]). The line names the digest of the results that were looked at, so it stops
//! counting when they change. Everything else follows from the lines and the current digests, by pure functions:
//!
//! - where each child stands ([`standing`]);
//! - how far any two reviewers agree ([`kappa`]);
//! - both for a whole cohort ([`overview`]);
//! - what a reviewer may see of it before having decided ([`independent`]).
//!
//! [`table`] puts the outcome into the cohort table. The server (cargo feature `review`) only adds lines and shows
//! pages.

pub mod clock;
pub mod decisions;
pub mod folder;
pub mod independent;
pub mod kappa;
pub mod ledger;
pub mod overview;
pub mod reasons;
#[cfg(feature = "review")]
pub mod server;
pub mod standing;
pub mod table;

use serde::Serialize;

use crate::tables::absent;

/// What names a row of the cohort table.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct RowId {
    /// With `sub-`.
    pub participant_id: String,
    /// With `ses-`; none where the child has no sessions or they are joined.
    pub session_id: Option<String>,
    /// With `run-`, where runs are not joined.
    pub run_id: Option<String>,
}

impl RowId {
    /// From cells, where `n/a` is none.
    #[must_use]
    pub fn from_cells(participant: &str, session: &str, run: &str) -> Self {
        let some = |text: &str| (!absent(text)).then(|| text.to_owned());
        Self { participant_id: participant.to_owned(), session_id: some(session), run_id: some(run) }
    }

    /// The three parts joined by `_`, as in file names.
    #[must_use]
    pub fn label(&self) -> String {
        let parts = [Some(&self.participant_id), self.session_id.as_ref(), self.run_id.as_ref()];
        parts.into_iter().flatten().map(String::as_str).collect::<Vec<_>>().join("_")
    }
}

/// What a reviewer says about a child.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Decision {
    Include,
    Exclude,
    Unsure,
}

impl Decision {
    pub const ALL: [Self; 3] = [Self::Include, Self::Exclude, Self::Unsure];

    /// The word that tables use.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Include => "include",
            Self::Exclude => "exclude",
            Self::Unsure => "unsure",
        }
    }

    /// The decision of this word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|decision| decision.key() == word)
    }
}
