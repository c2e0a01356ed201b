//! A study file that has been read and checked.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::settings::{
    CensorSettings, ChildrenSettings, CleanSettings, ConnectivitySettings, EnoughSettings, MotionSettings,
    NoticeSettings, OutputSettings, ParcelsSettings,
};

/// A study file that has been read and checked; paths are joined to the study file's folder.
#[derive(Debug, Clone)]
pub struct Study {
    /// The study file itself.
    pub path: PathBuf,
    pub name: String,
    pub results: PathBuf,
    pub scans: ScanSource,
    /// Repetition time of every scan whose row in the scan table gives none, s.
    pub tr_s: Option<f64>,
    pub children: ChildrenSettings,
    pub motion: MotionSettings,
    pub censor: CensorSettings,
    pub clean: CleanSettings,
    pub parcels: Vec<ParcelsSettings>,
    pub connectivity: ConnectivitySettings,
    pub enough: EnoughSettings,
    pub notice: NoticeSettings,
    pub output: OutputSettings,
}

/// Where the list of scans comes from.
#[derive(Debug, Clone)]
pub enum ScanSource {
    /// A tab-separated scan table.
    Table(PathBuf),
    /// A BIDS dataset.
    Bids {
        root: PathBuf,
        /// Entities that a file must match.
        entities: BTreeMap<String, String>,
        patterns: BidsPatterns,
    },
}

/// Where a scan's other files lie, with `{participant}` `{session}` `{task}` `{run}` `{stem}` to fill in; relative
/// paths are taken from the study file's folder.
#[derive(Debug, Clone, Default)]
pub struct BidsPatterns {
    pub motion: Option<String>,
    pub confounds: Option<String>,
    pub brain_mask: Option<String>,
    pub white_matter: Option<String>,
    pub csf: Option<String>,
    pub watch_log: Option<String>,
}
