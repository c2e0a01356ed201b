//! Files that are whole or not there: written under another name in the same folder, synced, then renamed.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::process;
use std::sync::atomic::{AtomicU64, Ordering};

/// Names of unfinished files start with this; a run removes those that a killed run left.
pub const UNFINISHED: &str = ".unfinished-";

/// A file could not be written.
#[derive(Debug, thiserror::Error)]
#[error("{}: cannot write: {source}; check free space and permissions, then run the same command \
    again", path.display())]
pub struct WriteError {
    pub path: PathBuf,
    #[source]
    pub source: io::Error,
}

/// Writes a whole file, making its folder; when this returns, the file would survive a power cut.
///
/// # Errors
/// [`WriteError`] with the path.
pub fn write_whole(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    write_named_later(path, bytes)?;
    sync_folder(path)
}

/// Writes a whole file, making its folder, but leaves it to [`sync_folder`] to make sure of its name. This is for
/// several files of one folder, before the file that says that they are there.
///
/// # Errors
/// [`WriteError`] with the path.
pub fn write_named_later(path: &Path, bytes: &[u8]) -> Result<(), WriteError> {
    let write = || -> io::Result<()> {
        let folder = folder_of(path);
        if !folder.is_dir() {
            fs::create_dir_all(folder)?;
        }
        let unfinished = folder.join(unfinished_name(path));
        let written = File::create(&unfinished).and_then(|mut file| {
            file.write_all(bytes)?;
            file.sync_all()
        });
        if let Err(error) = written.and_then(|()| fs::rename(&unfinished, path)) {
            // Half a file must not take room on a full disk.
            let _ = fs::remove_file(&unfinished);
            return Err(error);
        }
        Ok(())
    };
    write().map_err(|source| WriteError { path: path.to_owned(), source })
}

/// A name that no other writer uses, in this run or another: two scans with the same image share their digest's file.
fn unfinished_name(path: &Path) -> String {
    static WRITINGS: AtomicU64 = AtomicU64::new(0);
    let name = path.file_name().unwrap_or_default().to_string_lossy();
    format!("{UNFINISHED}{}-{}-{name}", process::id(), WRITINGS.fetch_add(1, Ordering::Relaxed))
}

/// Makes sure of the names of the files that were written to the folder of `path`.
///
/// # Errors
/// [`WriteError`] with the path.
pub fn sync_folder(path: &Path) -> Result<(), WriteError> {
    let sync = || File::open(folder_of(path))?.sync_all();
    sync().map_err(|source| WriteError { path: path.to_owned(), source })
}

/// The parent of a bare file name is an empty path, which no system call takes.
fn folder_of(path: &Path) -> &Path {
    path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."))
}

/// Removes what a killed run left below a folder.
///
/// # Errors
/// [`WriteError`] when a folder cannot be listed or a file not removed.
pub fn remove_unfinished(folder: &Path) -> Result<(), WriteError> {
    let fail = |path: &Path| {
        let path = path.to_owned();
        move |source| WriteError { path, source }
    };
    for entry in fs::read_dir(folder).map_err(fail(folder))? {
        let entry = entry.map_err(fail(folder))?;
        let path = entry.path();
        if entry.file_type().map_err(fail(&path))?.is_dir() {
            remove_unfinished(&path)?;
        } else if entry.file_name().to_string_lossy().starts_with(UNFINISHED) {
            fs::remove_file(&path).map_err(fail(&path))?;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::thread;

    use super::*;

    #[test]
    fn many_may_write_one_file_at_once() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("shared.npz");
        thread::scope(|scope| {
            for writer in 0..8_u8 {
                let path = &path;
                scope.spawn(move || (0..20).for_each(|_| write_whole(path, &[writer; 5000]).unwrap()));
            }
        });
        let bytes = fs::read(&path).unwrap();
        assert!(bytes.len() == 5000 && bytes.iter().all(|b| b == &bytes[0]));
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
