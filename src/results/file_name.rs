//! Names of the files of a scan and of a child: made here, and read back here.
//!
//! `stem_frames.tsv`, `stem_atlas-A_parcels.tsv`, `stem_atlas-A_series.npy` are a scan's; `stem_report.json` and
//! `stem_atlas-A_desc-M_matrix.tsv` are a child's. The stem is `sub-XX[_ses-YY][_task-T][_run-N]`.

use std::fmt;

/// How an array is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Form {
    /// Before `Tsv`, so that the first of two forms is the one that is read faster.
    Npy,
    Tsv,
}

impl Form {
    /// The ending of such a file's name.
    #[must_use]
    pub fn ending(self) -> &'static str {
        match self {
            Self::Npy => "npy",
            Self::Tsv => "tsv",
        }
    }

    fn of(ending: &str) -> Option<Self> {
        [Self::Npy, Self::Tsv].into_iter().find(|form| form.ending() == ending)
    }
}

/// What a file of a scan or of a child holds. The measure is the word in the name, which may be one that this version
/// does not know.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Contents<'a> {
    FramesTable,
    FramesDictionary,
    Parcels { atlas: &'a str },
    Series { atlas: &'a str, form: Form },
    ReportForMachines,
    ReportPage,
    Matrix { atlas: &'a str, measure: &'a str, form: Form },
}

/// The name of a file of a scan or of a child.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct FileName<'a> {
    pub stem: &'a str,
    pub contents: Contents<'a>,
}

impl<'a> FileName<'a> {
    /// Takes a name apart; none when the file is neither a scan's nor a child's.
    #[must_use]
    pub fn parse(name: &'a str) -> Option<Self> {
        let (before, last) = name.rsplit_once('_')?;
        let (what, ending) = last.split_once('.')?;
        let of_atlas = || before.rsplit_once("_atlas-");
        let (stem, contents) = match (what, ending) {
            ("frames", "tsv") => (before, Contents::FramesTable),
            ("frames", "json") => (before, Contents::FramesDictionary),
            ("report", "json") => (before, Contents::ReportForMachines),
            ("report", "html") => (before, Contents::ReportPage),
            ("parcels", "tsv") => {
                let (stem, atlas) = of_atlas()?;
                (stem, Contents::Parcels { atlas })
            }
            ("series", ending) => {
                let ((stem, atlas), form) = (of_atlas()?, Form::of(ending)?);
                (stem, Contents::Series { atlas, form })
            }
            ("matrix", ending) => {
                let form = Form::of(ending)?;
                let (before, measure) = before.rsplit_once("_desc-")?;
                let (stem, atlas) = before.rsplit_once("_atlas-")?;
                (stem, Contents::Matrix { atlas, measure, form })
            }
            _ => return None,
        };
        Some(Self { stem, contents })
    }

    /// Whether the file is one of a scan's own, not one of a child's joined results.
    #[must_use]
    pub fn of_scan(&self) -> bool {
        match self.contents {
            Contents::FramesTable | Contents::FramesDictionary | Contents::Parcels { .. } | Contents::Series { .. } => {
                true
            }
            Contents::ReportForMachines | Contents::ReportPage | Contents::Matrix { .. } => false,
        }
    }
}

impl fmt::Display for FileName<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}_", self.stem)?;
        match self.contents {
            Contents::FramesTable => f.write_str("frames.tsv"),
            Contents::FramesDictionary => f.write_str("frames.json"),
            Contents::Parcels { atlas } => write!(f, "atlas-{atlas}_parcels.tsv"),
            Contents::Series { atlas, form } => write!(f, "atlas-{atlas}_series.{}", form.ending()),
            Contents::ReportForMachines => f.write_str("report.json"),
            Contents::ReportPage => f.write_str("report.html"),
            Contents::Matrix { atlas, measure, form } => {
                write!(f, "atlas-{atlas}_desc-{measure}_matrix.{}", form.ending())
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_back_as_they_are_made() {
        for (name, of_scan, stem) in [
            ("sub-01_ses-2_frames.tsv", true, "sub-01_ses-2"),
            ("sub-01_ses-2_frames.json", true, "sub-01_ses-2"),
            ("sub-01_run-1_atlas-tern30_series.npy", true, "sub-01_run-1"),
            ("sub-01_run-1_atlas-tern30_series.tsv", true, "sub-01_run-1"),
            ("sub-01_task-rest_run-1_atlas-tern30_parcels.tsv", true, "sub-01_task-rest_run-1"),
            ("sub-01_ses-2_report.json", false, "sub-01_ses-2"),
            ("sub-01_ses-2_report.html", false, "sub-01_ses-2"),
            ("sub-1_ses-2_atlas-tern_30_desc-partial_matrix.npy", false, "sub-1_ses-2"),
            ("sub-01_atlas-tern30_desc-partial_matrix.tsv", false, "sub-01"),
        ] {
            let parsed = FileName::parse(name).unwrap_or_else(|| panic!("{name} is not known"));
            assert_eq!((parsed.of_scan(), parsed.stem), (of_scan, stem), "{name}");
            assert_eq!(parsed.to_string(), name);
        }
        let matrix = FileName::parse("sub-1_atlas-tern_30_desc-partial_matrix.npy").unwrap();
        assert_eq!(matrix.contents, Contents::Matrix { atlas: "tern_30", measure: "partial", form: Form::Npy });
        for other in [
            "sub-01_task-rest_bold.nii",
            "sub-1_atlas-a_matrix.tsv",
            "sub-1_parcels.tsv",
            "sub-1_atlas-a_series.mat",
            "cohort.tsv",
        ] {
            assert!(FileName::parse(other).is_none(), "{other}");
        }
    }
}
