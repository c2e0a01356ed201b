//! Matrices by their file names: an atlas, a measure, and how the matrix is written.
//!
//! This is the one place where the text of a file name becomes a [`Measure`]. A name with another word in that place is
//! passed over, as every file is that `keepstill run` does not write.

use std::cmp::Ordering;

use crate::study::settings::Measure;

/// How a matrix is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Form {
    Tsv,
    Npy,
}

impl Form {
    fn ending(self) -> &'static str {
        match self {
            Self::Tsv => "tsv",
            Self::Npy => "npy",
        }
    }
}

/// An atlas and a measure.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Kind {
    pub atlas: String,
    pub measure: Measure,
}

impl Kind {
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

/// `S_atlas-A_desc-M_matrix.npy`.
pub(crate) fn matrix_name(stem: &str, kind: &Kind, form: Form) -> String {
    format!("{stem}_{}_matrix.{}", kind.name(), form.ending())
}

/// Stem, kind and form, if a file of this name is a matrix.
pub(crate) fn matrix_parts(name: &str) -> Option<(&str, Kind, Form)> {
    let (before, form) = match name.strip_suffix("_matrix.npy") {
        Some(before) => (before, Form::Npy),
        None => (name.strip_suffix("_matrix.tsv")?, Form::Tsv),
    };
    let (before, measure) = before.rsplit_once("_desc-")?;
    let (stem, atlas) = before.rsplit_once("_atlas-")?;
    Some((stem, Kind { atlas: atlas.to_owned(), measure: Measure::of_key(measure)? }, form))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_tell_whose_matrix_it_is() {
        let (stem, kind, form) = matrix_parts("sub-1_ses-2_atlas-tern_30_desc-partial_matrix.npy").unwrap();
        assert_eq!((stem, form), ("sub-1_ses-2", Form::Npy));
        assert_eq!(kind.name(), "atlas-tern_30_desc-partial");
        assert_eq!(matrix_name(stem, &kind, Form::Tsv), "sub-1_ses-2_atlas-tern_30_desc-partial_matrix.tsv");
        for other in [
            "sub-1_report.json",
            "sub-1_atlas-a_parcels.tsv",
            "sub-1_atlas-a_matrix.tsv",
            "sub-1_atlas-a_desc-odd_matrix.tsv",
        ] {
            assert!(matrix_parts(other).is_none(), "{other}");
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
