//! Brings the cohort table up to date after decisions: soon after them, several at once, and never while a run is at
//! work in the results folder, since the run writes the table itself.

use std::io;
use std::path::Path;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, Sender};
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use super::told::told;
use crate::event::Event;
use crate::review::table::{self, Updated};

/// Decisions that come within this time are written together (own choice).
const PAUSE: Duration = Duration::from_millis(400);
/// How long to wait for a run (own choice).
const RETRY: Duration = Duration::from_secs(2);
/// How long to wait after a failure, so that its cause can be put right (own choice).
const RETRY_FAILED: Duration = Duration::from_secs(15);

/// Listens to what the server tells.
pub type Tell = Arc<dyn Fn(&Event) + Send + Sync>;

/// A thread that keeps the table.
pub(super) struct Keeper {
    /// None after it was asked to end.
    at_work: Mutex<Option<(Sender<()>, JoinHandle<()>)>>,
}

impl Keeper {
    pub(super) fn start(results: &Path, tell: Tell) -> io::Result<Self> {
        let (sender, decided) = mpsc::channel();
        let results = results.to_owned();
        let thread =
            thread::Builder::new().name("cohort table".to_owned()).spawn(move || keep(&results, &decided, &tell))?;
        Ok(Self { at_work: Mutex::new(Some((sender, thread))) })
    }

    /// A decision is on disk.
    pub(super) fn decided(&self) {
        if let Some((sender, _)) = &*self.at_work.lock().unwrap_or_else(|e| e.into_inner()) {
            let _ = sender.send(());
        }
    }

    /// Writes the table a last time and ends.
    pub(super) fn finish(&self) {
        let at_work = self.at_work.lock().unwrap_or_else(|e| e.into_inner()).take();
        if let Some((sender, thread)) = at_work {
            drop(sender);
            let _ = thread.join();
        }
    }
}

fn keep(results: &Path, decided: &Receiver<()>, tell: &Tell) {
    // A server that was killed may have left the table behind its decisions.
    let mut due = Some(Instant::now());
    let mut last_problem = String::new();
    loop {
        let ended = match due {
            None => match decided.recv() {
                Ok(()) => {
                    due = Some(Instant::now() + PAUSE);
                    continue;
                }
                Err(_) => return,
            },
            Some(at) => match decided.recv_timeout(at.saturating_duration_since(Instant::now())) {
                Ok(()) => continue,
                Err(RecvTimeoutError::Timeout) => false,
                Err(RecvTimeoutError::Disconnected) => true,
            },
        };
        let mut problem = String::new();
        due = match table::update(results) {
            Ok(Updated::Written | Updated::Same) => None,
            Ok(Updated::Busy) => {
                if ended {
                    problem = "a run is at work in the results folder; it will put the decisions into it".to_owned();
                }
                Some(Instant::now() + RETRY)
            }
            Err(error) => {
                problem =
                    format!("cannot be brought up to date; decisions are safe: {}", told(results, &error.to_string()));
                // Also when `finish` asks for a last time.
                Some(Instant::now() + RETRY_FAILED)
            }
        };
        if !problem.is_empty() && problem != last_problem {
            tell(&Event::Warning { about: "cohort.tsv".to_owned(), message: problem.clone() });
        }
        last_problem = problem;
        if ended {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use std::fs;

    use super::*;

    #[test]
    fn after_an_error_the_table_is_written_a_last_time() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cohort.tsv");
        let (sender, said) = mpsc::channel();
        let sender = Mutex::new(sender);
        let tell: Tell = Arc::new(move |event: &Event| {
            if let Event::Warning { message, .. } = event {
                sender.lock().unwrap().send(message.clone()).unwrap();
            }
        });
        let keeper = Keeper::start(folder.path(), tell).unwrap();
        let message = said.recv().unwrap();
        assert!(message.contains("decisions are safe: cohort.tsv: is not there"), "{message}");
        let header = "participant_id\tsession_id\trun_id\treview\treviewers\treview_reason\tresults_digest\n";
        fs::write(&path, format!("{header}sub-01\tn/a\tn/a\told\told\told\td1\n")).unwrap();
        keeper.finish();
        let text = fs::read_to_string(&path).unwrap();
        assert_eq!(text, format!("{header}sub-01\tn/a\tn/a\tn/a\tn/a\tn/a\td1\n"));
    }
}
