//! Kinds of matrices: an atlas and a measure, as the names of files have them.
//!
//! This is the one place where the text of a file name becomes a [`Measure`]. A name with another word in that place is
//! passed over, like every file that `keepstill run` does not write.

use std::cmp::Ordering;

use crate::results::{Contents, FileName, Form};
use crate::study::settings::Measure;

/// An atlas and a measure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Kind {
    pub atlas: String,
    pub measure: Measure,
}

impl Kind {
    /// Stem, kind and form, if a file of this name is a matrix.
    pub(crate) fn of_name(name: &str) -> Option<(&str, Self, Form)> {
        let FileName { stem, contents } = FileName::parse(name)?;
        let Contents::Matrix { atlas, measure, form } = contents else { return None };
        Some((stem, Self { atlas: atlas.to_owned(), measure: Measure::of_key(measure)? }, form))
    }

    /// The matrix of this kind, as the names of files have it.
    pub(crate) fn matrix(&self, form: Form) -> Contents<'_> {
        Contents::Matrix { atlas: &self.atlas, measure: self.measure.key(), form }
    }

    /// `atlas-A_desc-M`.
    pub(crate) fn name(&self) -> String {
        format!("atlas-{}_desc-{}", self.atlas, self.measure.key())
    }
}

/// In the order of their names: by atlas, then by the measure's word.
impl Ord for Kind {
    fn cmp(&self, other: &Self) -> Ordering {
        (&self.atlas, self.measure.key()).cmp(&(&other.atlas, other.measure.key()))
    }
}

impl PartialOrd for Kind {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_tell_whose_matrix_it_is() {
        let (stem, kind, form) = Kind::of_name("sub-1_ses-2_atlas-tern_30_desc-partial_matrix.npy").unwrap();
        assert_eq!((stem, form), ("sub-1_ses-2", Form::Npy));
        assert_eq!(kind.name(), "atlas-tern_30_desc-partial");
        let other = FileName { stem, contents: kind.matrix(Form::Tsv) }.to_string();
        assert_eq!(other, "sub-1_ses-2_atlas-tern_30_desc-partial_matrix.tsv");
        for other in [
            "sub-1_report.json",
            "sub-1_atlas-a_parcels.tsv",
            "sub-1_atlas-a_matrix.tsv",
            "sub-1_atlas-a_desc-odd_matrix.tsv",
        ] {
            assert!(Kind::of_name(other).is_none(), "{other}");
        }
    }

    #[test]
    fn kinds_are_in_the_order_of_their_names() {
        let mut kinds: Vec<Kind> = ["b", "a"]
            .into_iter()
            .flat_map(|atlas| Measure::ALL.map(|measure| Kind { atlas: atlas.to_owned(), measure }))
            .collect();
        kinds.sort();
        let names: Vec<String> = kinds.iter().map(Kind::name).collect();
        let mut sorted = names.clone();
        sorted.sort();
        assert_eq!(names, sorted);
        assert_eq!(names[0], "atlas-a_desc-covariance");
    }
}
