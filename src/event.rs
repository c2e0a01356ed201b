//! What a run tells the outside. The library never prints; `cli` draws, and `run-log.jsonl` keeps every event but
//! frames.

use serde::Serialize;

use crate::record::Verdict;
use crate::remark::Noticed;

/// Something that happened.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "event", rename_all = "snake_case")]
pub enum Event {
    /// A run begins: scans in the study, how many of them must be done, and bytes of memory that it may use.
    Started { version: String, study: String, scans: usize, to_do: usize, jobs: usize, memory_bytes: u64 },
    /// A scan is taken up.
    ScanStarted { scan: String, frames: usize },
    /// A scan's image is opened to be read, since no digest of it serves; `ahead`: on a core that stands idle, it is
    /// unpacked in a thread of its own.
    ImageOpened { scan: String, ahead: bool },
    /// Frames read so far.
    #[serde(skip)]
    Frames { scan: String, read: usize },
    /// A scan is done.
    ScanDone {
        scan: String,
        minutes: f64,
        minutes_kept: f64,
        mean_fd_mm: f64,
        verdict: Verdict,
        noticed: Vec<Noticed>,
        seconds: f64,
    },
    /// A scan was done before, and nothing that it depends on has changed.
    ScanUnchanged { scan: String },
    /// A scan has no result. `alike`: the problem without the scan's own name and files, the same for scans that fail
    /// in the same way.
    ScanFailed {
        scan: String,
        problem: String,
        #[serde(skip)]
        alike: String,
    },
    /// A warning about one scan, with `alike` as of a failure.
    #[serde(rename = "warning")]
    ScanWarning {
        about: String,
        message: String,
        #[serde(skip)]
        alike: String,
    },
    /// Something worth knowing that stops nothing.
    Warning { about: String, message: String },
    /// A child's runs are joined and its report is written.
    ChildDone { child: String, minutes_kept: f64, verdict: Verdict },
    /// A child's report could not be made.
    ChildFailed { child: String, problem: String },
    /// The run ends; the largest memory that the process had, where the system tells.
    Finished { done: usize, unchanged: usize, failed: usize, interrupted: bool, seconds: f64, peak_bytes: Option<u64> },
}

/// Who listens; called from many threads.
pub type Listener<'a> = &'a (dyn Fn(&Event) + Sync);
