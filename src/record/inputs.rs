//! Whether a scan's input files are those that a record was made from.
//!
//! A file of the same path, size and modification time is taken as unchanged. Otherwise, or when asked to verify, its
//! contents are hashed (BLAKE3) and compared.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use serde::{Deserialize, Serialize};

use crate::nifti;

/// An input as it was when the record was made.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct InputState {
    pub role: String,
    /// Hash of the path: another file may have the same size and time.
    named: String,
    /// Bytes, and modification time in ns since 1970, of each file (two for a header/image pair).
    files: Vec<(u64, u64)>,
    /// Content hash, hex.
    pub content: String,
}

impl InputState {
    /// Notes an input whose content hash is known.
    ///
    /// # Errors
    /// When a file's size or time cannot be read.
    pub fn new(role: &str, path: &Path, content: &str) -> io::Result<Self> {
        Ok(Self { role: role.to_owned(), named: named(path), files: look(path)?, content: content.to_owned() })
    }

    /// Whether `path` is this input's, with the same size and modification time.
    #[must_use]
    pub fn looks_same(&self, path: &Path) -> bool {
        self.named == named(path) && look(path).is_ok_and(|files| files == self.files)
    }

    /// Whether the file at `path` still is this input.
    #[must_use]
    pub fn is_same(&self, path: &Path, verify: bool) -> bool {
        (!verify && self.looks_same(path)) || content_hash(path).is_ok_and(|hash| hash == self.content)
    }
}

/// Content hash of a table, or of an image's files, hex.
///
/// # Errors
/// When a file cannot be read.
pub fn content_hash(path: &Path) -> io::Result<String> {
    let mut hasher = blake3::Hasher::new();
    for file in files(path) {
        hasher.update_reader(File::open(file)?)?;
    }
    Ok(hasher.finalize().to_hex().to_string())
}

/// A path in a form that does not reveal it, the same from whatever folder the study is named.
fn named(path: &Path) -> String {
    let path = std::path::absolute(path).unwrap_or_else(|_| path.to_owned());
    blake3::hash(path.as_os_str().as_encoded_bytes()).to_hex().to_string()
}

fn files(path: &Path) -> Vec<PathBuf> {
    nifti::files_of(path).unwrap_or_else(|_| vec![path.to_owned()])
}

fn look(path: &Path) -> io::Result<Vec<(u64, u64)>> {
    files(path)
        .iter()
        .map(|file| {
            let metadata = fs::metadata(file)?;
            let since = metadata.modified()?.duration_since(UNIX_EPOCH).unwrap_or_default();
            Ok((metadata.len(), u64::try_from(since.as_nanos()).unwrap_or(u64::MAX)))
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_the_same_from_whatever_folder_it_is_named() {
        // Tests run in the folder of Cargo.toml.
        let state = InputState::new("table", Path::new("Cargo.toml"), "not asked for").unwrap();
        assert!(state.looks_same(&std::path::absolute("Cargo.toml").unwrap()));
        assert!(!state.looks_same(Path::new("README.md")));
    }
}
