//! A first study file from what lies in a folder: `keepstill init`.
//!
//! Everything here is a guess, and the notes and the comments of the study file say so. Where only a person can choose,
//! the key is left in a comment that says so, and `keepstill check` then asks for it.

mod answer;
mod bids_study;
mod files;
mod folder;
mod loose;
mod motion_columns;
mod quoting;
mod sections;

use self::folder::{Contents, real};
pub use answer::{Guess, GuessError};
use std::path::Path;

/// Looks through a folder and describes what it seems to hold. `study_dir` is where the study file will lie; paths in
/// the texts are relative to it.
///
/// # Errors
/// A folder that cannot be read or holds no run.
pub fn guess(data: &Path, study_dir: &Path) -> Result<Guess, GuessError> {
    if !data.is_dir() {
        return Err(GuessError::NotAFolder { path: data.to_owned() });
    }
    // Links are followed once, here, so that `..` in the written paths leads where it says.
    let (data, study_dir) = (&real(data), &real(study_dir));
    let all = files::below(data)?;
    let images = files::images(&all);
    let found = Contents { data, study_dir, files: &all, images: &images };
    if let Some(guess) = bids_study::guess(&found) {
        return Ok(guess);
    }
    loose::guess(&found).ok_or_else(|| GuessError::NoRuns { path: data.to_owned() })
}

#[cfg(test)]
mod tests;
