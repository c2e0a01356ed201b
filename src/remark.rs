//! A remark: what is said about a scan or a child in words, beside its numbers, such as a problem or a warning.
//!
//! A reviewer who is blinded must not learn a child's age, sex or group. Only the code that makes a message knows
//! whether its words tell any of these, so it marks the message there. The mark then goes wherever the message goes:
//! into a scan's record, a child's receipt and the data of a page. `cohort.tsv` and reports hold the words alone. A
//! remark that is read back from such a place has no mark. It is then taken to tell, because hiding too much does no
//! harm.
//!
//! A remark may also carry what it [notices](Noticed): a code that tables can be sorted by. Some of these may mean
//! wrong data. A child with one of them needs a person's look before it counts as enough.

pub mod noticed;

use std::fmt::{self, Display};

use serde::{Deserialize, Serialize};

pub use noticed::{Noticed, Weight};

/// A message about a scan or a child.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct Remark {
    pub text: String,
    /// Whether the words may tell the child's age, sex or group, or what the participants table says of the child.
    pub tells_child: bool,
    /// What is noticed, if it has a code.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub noticed: Option<Noticed>,
}

impl Remark {
    /// A message about files, settings or measurements, which everybody may read.
    #[must_use]
    pub fn about_data(text: impl Display) -> Self {
        Self { text: text.to_string(), tells_child: false, noticed: None }
    }

    /// A message that may tell the child's age, sex or group. A blinded reviewer does not see it.
    #[must_use]
    pub fn about_child(text: impl Display) -> Self {
        Self { text: text.to_string(), tells_child: true, noticed: None }
    }

    /// The same remark with the code of what it notices.
    #[must_use]
    pub fn noticing(self, noticed: Noticed) -> Self {
        Self { noticed: Some(noticed), ..self }
    }

    /// Whether it may mean wrong data, so that a person must look first.
    #[must_use]
    pub fn asks_for_a_look(&self) -> bool {
        self.noticed.is_some_and(|noticed| noticed.weight() == Weight::Look)
    }

    /// The same remark in other words, such as with shorter paths.
    #[must_use]
    pub fn reworded(&self, reword: impl FnOnce(&str) -> String) -> Self {
        Self { text: reword(&self.text), ..*self }
    }

    /// Several remarks as one, separated by `; `, without a code. It tells of the child as soon as one of them does.
    #[must_use]
    pub fn joined(remarks: &[Self]) -> Self {
        let tells_child = remarks.iter().any(|remark| remark.tells_child);
        Self { text: texts(remarks).join("; "), tells_child, noticed: None }
    }
}

impl Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

/// The words of several remarks.
#[must_use]
pub fn texts(remarks: &[Remark]) -> Vec<&str> {
    remarks.iter().map(|remark| remark.text.as_str()).collect()
}

/// The codes of what remarks notice, each once, in the order of the codes.
#[must_use]
pub fn codes(remarks: &[Remark]) -> Vec<Noticed> {
    let mut codes: Vec<Noticed> = remarks.iter().filter_map(|remark| remark.noticed).collect();
    codes.sort();
    codes.dedup();
    codes
}

/// A remark as it can be found in a file: with its mark, or as bare words.
#[derive(Deserialize)]
#[serde(untagged)]
enum Stored {
    Marked {
        text: String,
        tells_child: bool,
        #[serde(default)]
        noticed: Option<Noticed>,
    },
    Unmarked(String),
}

impl From<Stored> for Remark {
    fn from(stored: Stored) -> Self {
        match stored {
            Stored::Marked { text, tells_child, noticed } => Self { text, tells_child, noticed },
            // Nobody can say any more whether it tells.
            Stored::Unmarked(text) => Self::about_child(text),
        }
    }
}

#[cfg(test)]
mod tests {
    use serde_json::{from_value, json};

    use super::*;

    #[test]
    fn the_mark_goes_through_json_and_bare_words_are_taken_to_tell() {
        let bare = [Remark::about_data("a.nii is cut short"), Remark::about_child("no age is known")];
        let coded = bare.clone().map(|remark| remark.noticing(Noticed::SmallMotion));
        for remark in bare.into_iter().chain(coded) {
            assert_eq!(from_value::<Remark>(json!(remark)).unwrap(), remark);
        }
        assert_eq!(
            from_value::<Remark>(json!("a.nii is cut short")).unwrap(),
            Remark::about_child("a.nii is cut short")
        );
        assert!(from_value::<Remark>(json!({ "text": "half of a remark" })).is_err());
    }

    #[test]
    fn remarks_joined_tell_as_soon_as_one_tells() {
        let (open, telling) = (Remark::about_data("a"), Remark::about_child("b"));
        assert_eq!(Remark::joined(&[open.clone(), open.clone()]), Remark::about_data("a; a"));
        assert_eq!(Remark::joined(&[open, telling]), Remark::about_child("a; b"));
    }
}
