//! A first study file from what lies in a folder: `keepstill init`.
//!
//! Everything here is a guess, and the notes and the comments of the study file say so. Where only a person can choose,
//! the key is left in a comment that says so, and `keepstill check` then asks for it.

mod answer;
mod bids_study;
mod events;
mod files;
mod folder;
mod loose;
mod motion_columns;
mod quoting;
mod sections;

use self::folder::{Contents, real};
pub use answer::{Guess, GuessError, Wishes};
use std::path::{Path, PathBuf};

/// Looks through a folder and describes what it seems to hold. `study_dir` is where the study file will lie; paths in
/// the texts are relative to it.
///
/// # Errors
/// A folder that cannot be read or holds no run.
pub fn guess(data: &Path, study_dir: &Path, wishes: &Wishes) -> Result<Guess, GuessError> {
    if !data.is_dir() {
        return Err(GuessError::NotAFolder { path: data.to_owned() });
    }
    // Links are followed once, here, so that `..` in the written paths leads where it says.
    let (data, study_dir) = (&real(data), &real(study_dir));
    let all = files::below(data)?;
    let images = files::images(&all);
    let at = |data| Contents { data, study_dir, files: &all, images: &images, wishes };
    if let Some(guess) = bids_study::guess(&at(data)) {
        return Ok(guess);
    }
    // A dataset one folder down, with its masks and tables perhaps beside it.
    let inside = folders_in(data);
    let mut datasets: Vec<(&PathBuf, usize)> =
        inside.iter().map(|folder| (folder, bids_study::runs(folder, study_dir))).filter(|(_, n)| *n > 0).collect();
    datasets.sort_by_key(|(folder, runs)| (std::cmp::Reverse(*runs), *folder));
    if let Some((first, _)) = datasets.first()
        && let Some(mut guess) = bids_study::guess(&at(first))
    {
        let others: Vec<String> = datasets[1..].iter().map(|(folder, _)| folder::relative(study_dir, folder)).collect();
        if !others.is_empty() {
            guess.notes.push(format!("there are other datasets, which are left out: {}", others.join(", ")));
        }
        return Ok(guess);
    }
    loose::guess(&at(data)).ok_or_else(|| GuessError::NoRuns { path: data.to_owned() })
}

/// The folders in a folder, in order; hidden ones are left out.
fn folders_in(folder: &Path) -> Vec<PathBuf> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let visible = entries.filter(|entry| !entry.file_name().to_string_lossy().starts_with('.'));
    let mut folders: Vec<PathBuf> = visible.map(|entry| entry.path()).filter(|path| path.is_dir()).collect();
    folders.sort();
    folders
}

#[cfg(test)]
mod tests;
