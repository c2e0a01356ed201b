//! The lock of a results folder: whoever writes in it, or reads all of it, keeps the others out.

use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use super::STATE;

/// How long to wait for a results folder: `keepstill review` holds it only for the moment in which it writes the
/// reviewers' columns, a run for longer (own choice).
pub const PATIENCE: Duration = Duration::from_secs(3);
/// Time between two attempts (own choice).
const LOOK: Duration = Duration::from_millis(20);

/// Why the lock cannot be taken or tested.
#[derive(Debug, thiserror::Error)]
#[error("{}: cannot be opened: {source}; check that the results folder can be written to", path.display())]
pub struct LockError {
    pub path: PathBuf,
    #[source]
    pub source: io::Error,
}

/// Takes a results folder's lock, making its place; none when another process still has it after `patience`. Closing
/// the file releases it.
///
/// # Errors
/// [`LockError`].
pub fn lock_results(results: &Path, patience: Duration) -> Result<Option<File>, LockError> {
    let path = results.join(STATE).join("lock");
    let fail = |source| LockError { path: path.clone(), source };
    fs::create_dir_all(results.join(STATE)).map_err(fail)?;
    let file = File::options().create(true).truncate(false).write(true).open(&path).map_err(fail)?;
    let begin = Instant::now();
    loop {
        match file.try_lock() {
            Ok(()) => return Ok(Some(file)),
            Err(TryLockError::WouldBlock) if begin.elapsed() < patience => thread::sleep(LOOK),
            Err(TryLockError::WouldBlock) => return Ok(None),
            Err(TryLockError::Error(source)) => return Err(fail(source)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_that_is_held_for_a_moment_is_waited_for() {
        let folder = tempfile::tempdir().unwrap();
        let lock = || lock_results(folder.path(), PATIENCE).unwrap();
        let held = lock();
        assert!(held.is_some());
        thread::scope(|scope| {
            let waiting = scope.spawn(lock);
            // Many attempts find it held.
            thread::sleep(10 * LOOK);
            drop(held);
            assert!(waiting.join().unwrap().is_some());
        });
        let held = lock();
        assert!(lock().is_none());
        assert!(lock_results(folder.path(), Duration::ZERO).unwrap().is_none());
        drop(held);
    }
}
