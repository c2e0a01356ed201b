//! The note that a failed scan leaves instead of a record: what was tried, and why it failed.
//!
//! It makes a failure count as decided: as long as settings and inputs are the same, a run that is not asked for the
//! scan keeps what an earlier run said of it. A run that is asked for it tries again.

use std::fs;
use std::path::Path;

use serde::{Deserialize, Serialize};
use serde_json::json;

use super::files::{WriteError, write_whole};
use super::inputs::InputState;

/// The version of [`Failure`].
const FORMAT: u32 = 1;

/// A scan that failed.
#[derive(Debug, Serialize, Deserialize)]
pub struct Failure {
    format: u32,
    /// Hash of everything but its inputs that the failure depends on.
    pub fingerprint: String,
    /// The inputs that were there, with empty content hashes.
    inputs: Vec<InputState>,
    /// Why, in words.
    pub problem: String,
}

impl Failure {
    /// Notes a failure, with the inputs as they are on disk; one that is not there has no state.
    #[must_use]
    pub fn new(fingerprint: String, files: &[(&str, &Path)], problem: String) -> Self {
        Self { format: FORMAT, fingerprint, inputs: states(files), problem }
    }

    /// Whether the same inputs are there with the same sizes and times, and the same are not there.
    #[must_use]
    pub fn inputs_are_same(&self, files: &[(&str, &Path)]) -> bool {
        self.inputs == states(files)
    }

    /// Writes the note.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), WriteError> {
        write_whole(path, json!(self).to_string().as_bytes())
    }

    /// A note of this version; none when it is not there or cannot be read.
    #[must_use]
    pub fn read(path: &Path) -> Option<Self> {
        let failure: Self = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
        (failure.format == FORMAT).then_some(failure)
    }
}

fn states(files: &[(&str, &Path)]) -> Vec<InputState> {
    files.iter().filter_map(|(role, path)| InputState::new(role, path, "").ok()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_failure_holds_as_long_as_the_same_files_are_there_or_missing() {
        let folder = tempfile::tempdir().unwrap();
        let (bold, table, note) =
            (folder.path().join("bold.nii"), folder.path().join("motion.tsv"), folder.path().join("note.json"));
        fs::write(&bold, "cut").unwrap();
        let files = [("bold", bold.as_path()), ("motion", table.as_path())];
        Failure::new("f".to_owned(), &files, "it is cut short".to_owned()).write(&note).unwrap();
        let read = Failure::read(&note).unwrap();
        assert_eq!((read.fingerprint.as_str(), read.problem.as_str()), ("f", "it is cut short"));
        assert!(read.inputs_are_same(&files));
        fs::write(&table, "x").unwrap();
        assert!(!read.inputs_are_same(&files), "the table has come");
        fs::remove_file(&table).unwrap();
        fs::write(&bold, "whole").unwrap();
        assert!(!read.inputs_are_same(&files), "the image is another");
        fs::write(&note, "{}").unwrap();
        assert!(Failure::read(&note).is_none());
    }
}
