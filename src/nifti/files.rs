//! Which files an image is made of: one `.nii`, or a `.hdr` beside an `.img`. Each may be gzipped, and endings may be
//! in capitals.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use super::NiftiError;

/// The files of one image; `header` and `data` are the same path unless it is a pair.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Files {
    pub header: PathBuf,
    pub data: PathBuf,
    pub pair: bool,
}

/// Whether a name ends in `.gz`, in either case.
pub(super) fn named_gz(path: &Path) -> bool {
    path.extension().is_some_and(|end| end.eq_ignore_ascii_case("gz"))
}

impl Files {
    /// Finds the other file of a pair, and makes sure that the named one is there.
    pub fn find(path: &Path) -> Result<Self, NiftiError> {
        let gz = named_gz(path);
        let inner = if gz { path.with_extension("") } else { path.to_path_buf() };
        let kind = inner.extension().map(|end| end.to_string_lossy().into_owned()).unwrap_or_default();
        let other = match kind.to_ascii_lowercase().as_str() {
            "nii" => None,
            "hdr" => Some("img"),
            "img" => Some("hdr"),
            _ => return Err(NiftiError::UnknownName { path: path.to_path_buf() }),
        };
        if let Err(source) = std::fs::metadata(path) {
            return Err(NiftiError::Open { path: path.to_path_buf(), source });
        }
        let Some(other) = other else {
            return Ok(Self { header: path.to_path_buf(), data: path.to_path_buf(), pair: false });
        };
        let capitals = kind.chars().all(|letter| letter.is_ascii_uppercase());
        let stem = inner.with_extension("");
        let partner = partner_names(other, capitals, gz)
            .into_iter()
            .map(|end| with_ending(&stem, &end))
            .find(|candidate| candidate.is_file())
            .ok_or_else(|| NiftiError::MissingPair {
                path: path.to_path_buf(),
                missing: with_ending(&stem, &if capitals { other.to_ascii_uppercase() } else { other.to_owned() }),
            })?;
        let named = path.to_path_buf();
        Ok(if other == "img" {
            Self { header: named, data: partner, pair: true }
        } else {
            Self { header: partner, data: named, pair: true }
        })
    }
}

/// Endings to try, those most like the named file first.
fn partner_names(other: &str, capitals: bool, gz: bool) -> Vec<String> {
    let upper = other.to_ascii_uppercase();
    let mut names = vec![
        (false, false, other.to_owned()),
        (false, true, format!("{other}.gz")),
        (true, false, upper.clone()),
        (true, true, format!("{upper}.GZ")),
        (true, true, format!("{upper}.gz")),
        (false, true, format!("{other}.GZ")),
    ];
    names.sort_by_key(|name| (name.0 != capitals, name.1 != gz));
    names.into_iter().map(|name| name.2).collect()
}

/// Adds an ending without touching dots that are part of the stem.
fn with_ending(stem: &Path, ending: &str) -> PathBuf {
    let mut name: OsString = stem.as_os_str().to_owned();
    name.push(".");
    name.push(ending);
    PathBuf::from(name)
}
