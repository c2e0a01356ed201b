//! The names of a run's files.

/// Where one run's files are, relative to the cohort's folder.
#[derive(Debug, Clone)]
pub(super) struct ScanFiles {
    pub(super) participant: String,
    pub(super) run: usize,
    pub(super) bold: String,
    pub(super) motion: String,
    pub(super) brain_mask: String,
    pub(super) white_matter: String,
    pub(super) csf: String,
    pub(super) watch_log: Option<String>,
}

impl ScanFiles {
    /// Name of the file with the run's true poses, below `truth/`.
    pub(super) fn pose(&self) -> String {
        format!("{}_task-rest_run-{}_pose.tsv", self.participant, self.run)
    }
}
