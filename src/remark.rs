//! A remark: what is said about a scan or a child in words, beside its numbers, such as a problem or a warning.
//!
//! A reviewer who is blinded must not learn a child's age, sex or group. Only the code that makes a message knows
//! whether its words tell any of these, so it marks the message there. The mark then goes wherever the message goes:
//! into a scan's record, a child's receipt and the data of a page. `cohort.tsv` and reports hold the words alone. A
//! remark that is read back from such a place has no mark. It is then taken to tell, because hiding too much does no
//! harm.

use std::fmt::{self, Display};

use serde::{Deserialize, Serialize};

/// A message about a scan or a child.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(from = "Stored")]
pub struct Remark {
    pub text: String,
    /// Whether the words may tell the child's age, sex or group, or what the participants table says of the child.
    pub tells_child: bool,
}

impl Remark {
    /// A message about files, settings or measurements, which everybody may read.
    #[must_use]
    pub fn about_data(text: impl Display) -> Self {
        Self { text: text.to_string(), tells_child: false }
    }

    /// A message that may tell the child's age, sex or group. A blinded reviewer does not see it.
    #[must_use]
    pub fn about_child(text: impl Display) -> Self {
        Self { text: text.to_string(), tells_child: true }
    }

    /// The same remark in other words, such as with shorter paths.
    #[must_use]
    pub fn reworded(&self, reword: impl FnOnce(&str) -> String) -> Self {
        Self { text: reword(&self.text), tells_child: self.tells_child }
    }

    /// Several remarks as one, separated by `; `. It tells of the child as soon as one of them does.
    #[must_use]
    pub fn joined(remarks: &[Self]) -> Self {
        Self { text: texts(remarks).join("; "), tells_child: remarks.iter().any(|remark| remark.tells_child) }
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

/// A remark as it can be found in a file: with its mark, or as bare words.
#[derive(Deserialize)]
#[serde(untagged)]
enum Stored {
    Marked { text: String, tells_child: bool },
    Unmarked(String),
}

impl From<Stored> for Remark {
    fn from(stored: Stored) -> Self {
        match stored {
            Stored::Marked { text, tells_child } => Self { text, tells_child },
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
        for remark in [Remark::about_data("a.nii is cut short"), Remark::about_child("no age is known")] {
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
