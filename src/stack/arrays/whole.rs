//! Large files that are whole or not there: the streamed twin of [`crate::record::files`].
//!
//! A file grows under an unfinished name in its folder, is synced, and gets its own name only when every file of the
//! stack is whole. What is dropped before that is removed.

use std::fs::{self, File};
use std::io::{self, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process;

use serde_json::Value;

use crate::outputs;
use crate::record::files::{UNFINISHED, WriteError, sync_folder, write_whole};

/// A file that is being written.
#[derive(Debug)]
pub(crate) struct Unfinished {
    file: File,
    whole: Whole,
}

/// A file that is whole and synced, but still under its unfinished name.
#[derive(Debug)]
pub(crate) struct Whole {
    path: PathBuf,
    /// None once it has its own name.
    unfinished: Option<PathBuf>,
}

impl Unfinished {
    /// Begins a file, making its folder.
    pub(crate) fn create(path: &Path) -> Result<Self, WriteError> {
        let fail = |source| WriteError { path: path.to_owned(), source };
        let folder = path.parent().unwrap_or(Path::new("."));
        fs::create_dir_all(folder).map_err(fail)?;
        let name = path.file_name().unwrap_or_default().to_string_lossy();
        // The results folder is locked, so no other process has this name, and a stack writes each file once.
        let unfinished = folder.join(format!("{UNFINISHED}{}-{name}", process::id()));
        let file = File::create(&unfinished).map_err(fail)?;
        Ok(Self { file, whole: Whole { path: path.to_owned(), unfinished: Some(unfinished) } })
    }

    /// An error of this file.
    pub(crate) fn error(&self, source: io::Error) -> WriteError {
        WriteError { path: self.whole.path.clone(), source }
    }

    /// Appends.
    pub(crate) fn append(&mut self, bytes: &[u8]) -> Result<(), WriteError> {
        self.file.write_all(bytes).map_err(|e| self.error(e))
    }

    /// Writes at a place, counted from the start.
    pub(crate) fn write_at(&self, bytes: &[u8], at: u64) -> Result<(), WriteError> {
        self.file.write_all_at(bytes, at).map_err(|e| self.error(e))
    }

    /// Sets its length; what was not written is zero.
    pub(crate) fn set_length(&self, bytes: u64) -> Result<(), WriteError> {
        self.file.set_len(bytes).map_err(|e| self.error(e))
    }

    /// Makes sure that it is on the disk.
    pub(crate) fn finish(self) -> Result<Whole, WriteError> {
        self.file.sync_all().map_err(|e| self.error(e))?;
        Ok(self.whole)
    }
}

impl Write for Unfinished {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Whole {
    /// A small file.
    pub(crate) fn of(path: &Path, bytes: &[u8]) -> Result<Self, WriteError> {
        let mut file = Unfinished::create(path)?;
        file.append(bytes)?;
        file.finish()
    }

    fn put_in_place(mut self) -> Result<(), WriteError> {
        if let Some(unfinished) = &self.unfinished {
            fs::rename(unfinished, &self.path).map_err(|source| WriteError { path: self.path.clone(), source })?;
            self.unfinished = None;
        }
        Ok(())
    }
}

impl Drop for Whole {
    fn drop(&mut self) {
        // Half-written files must not stay on a full disk.
        if let Some(unfinished) = &self.unfinished {
            let _ = fs::remove_file(unfinished);
        }
    }
}

/// Whether a file of this name is part of a stack, of this one or an earlier.
pub(crate) fn is_ours(name: &str) -> bool {
    const NAMES: [&str; 9] = [
        "children.tsv",
        "left_out.tsv",
        "reliability.tsv",
        "agreement.tsv",
        "agreement_summary.tsv",
        "test.json",
        "quality.tsv",
        "quality.json",
        "quality.html",
    ];
    const ENDINGS: [&str; 21] = [
        "_parcels.tsv",
        "_edges.tsv",
        "_missing.tsv",
        "_edges.npy",
        "_matrices.npy",
        "_edges.parquet",
        "_stack.mat",
        "_standard_errors.npy",
        "_standard_errors.tsv",
        "_standard_errors.parquet",
        "_standard_errors.mat",
        "_test.tsv",
        "_mean.npy",
        "_mean.tsv",
        "_mean_weighted.npy",
        "_mean_weighted.tsv",
        "_networks.tsv",
        "_networks_children.tsv",
        "_qcfc.tsv",
        "_sites.tsv",
        "_sessions.tsv",
    ];
    NAMES.contains(&name)
        || (name.starts_with("atlas-")
            && (name.contains("_coefficient-")
                || name.contains("_term-")
                || ENDINGS.iter().any(|ending| name.ends_with(ending))))
}

/// Gives all files their names and takes away those of an earlier stack, whose rows may be of other children.
/// `stack.json` goes first and comes last: where it is, all the files that it lists are whole and of one stack.
pub(crate) fn put_all_in_place(folder: &Path, files: Vec<Whole>, about: &Value) -> Result<(), WriteError> {
    let about_path = folder.join("stack.json");
    let remove = |path: &Path| match fs::remove_file(path) {
        Err(source) if source.kind() != io::ErrorKind::NotFound => Err(WriteError { path: path.to_owned(), source }),
        _ => Ok(()),
    };
    remove(&about_path)?;
    sync_folder(&about_path)?;
    let fail = |source| WriteError { path: folder.to_owned(), source };
    for entry in fs::read_dir(folder).map_err(fail)? {
        let path = entry.map_err(fail)?.path();
        let ours = path.file_name().is_some_and(|name| is_ours(&name.to_string_lossy()));
        if ours && !files.iter().any(|file| file.path == path) {
            remove(&path)?;
        }
    }
    files.into_iter().try_for_each(Whole::put_in_place)?;
    sync_folder(&about_path)?;
    write_whole(&about_path, outputs::pretty(about).as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_finished_is_taken_away() {
        let folder = tempfile::tempdir().unwrap();
        let count = || fs::read_dir(folder.path()).unwrap().count();
        let mut file = Unfinished::create(&folder.path().join("atlas-a_edges.tsv")).unwrap();
        file.append(b"half").unwrap();
        assert_eq!(count(), 1);
        drop(file);
        assert_eq!(count(), 0);
        let whole = Whole::of(&folder.path().join("children.tsv"), b"x").unwrap();
        assert!(!folder.path().join("children.tsv").exists());
        drop(whole);
        assert_eq!(count(), 0);
    }

    #[test]
    fn an_earlier_stack_goes_and_other_files_stay() {
        let folder = tempfile::tempdir().unwrap();
        let put = |name: &&str| fs::write(folder.path().join(name), "old").unwrap();
        ["atlas-a_desc-pearson_edges.npy", "atlas-a_edges.tsv", "stack.json", "notes.txt"].iter().for_each(put);
        let files = vec![Whole::of(&folder.path().join("atlas-a_edges.tsv"), b"new").unwrap()];
        put_all_in_place(folder.path(), files, &serde_json::json!({ "a": 1 })).unwrap();
        let mut names: Vec<String> = fs::read_dir(folder.path())
            .unwrap()
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        assert_eq!(names, ["atlas-a_edges.tsv", "notes.txt", "stack.json"]);
        assert_eq!(fs::read(folder.path().join("atlas-a_edges.tsv")).unwrap(), b"new");
        assert!(fs::read_to_string(folder.path().join("stack.json")).unwrap().contains("\"a\""));
    }
}
