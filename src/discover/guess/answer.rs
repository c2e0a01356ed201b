//! What a guess comes to, and why there is none.

use std::path::PathBuf;

/// What is wanted of a guess.
#[derive(Debug, Clone)]
pub struct Wishes {
    /// Name of the scan table, which will lie beside the study file.
    pub table_name: String,
    /// Whether a BIDS dataset gets a scan table too, in place of patterns.
    pub table: bool,
}

/// A study file to start from.
#[derive(Debug, Clone, PartialEq)]
pub struct Guess {
    /// Text of the study file.
    pub study_toml: String,
    /// Text of the scan table, to be written beside the study file; none for a BIDS dataset that has patterns.
    pub scan_table: Option<String>,
    /// What was guessed, in plain words.
    pub notes: Vec<String>,
}

/// Why nothing could be guessed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GuessError {
    #[error("{} is not a folder; name the folder that holds the scans", path.display())]
    NotAFolder { path: PathBuf },
    #[error("cannot list {}: {reason}; check the permissions", path.display())]
    Unlistable { path: PathBuf, reason: String },
    #[error("more than {limit} files; name the folder that holds this study's scans alone")]
    TooManyFiles { limit: usize },
    #[error("{} holds no 4-D image (.nii, .nii.gz or .hdr with .img); name the folder that holds the scans",
        path.display())]
    NoRuns { path: PathBuf },
}
