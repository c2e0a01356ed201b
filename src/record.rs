//! What one finished scan leaves: its report row, and the arrays that joining and cohort work need, in one file.
//!
//! The file is `.keepstill/scans/R.npz`. It holds `meta` (JSON as bytes: `format`, `fingerprint`, inputs, outputs, the
//! run's row) and plain arrays that numpy can read. It has a version and is checked when it is read; if it does not
//! fit, the scan is done again. It is written last, so a scan whose record is there has all its outputs.

mod archive;
pub mod digests;
mod dropped;
mod error;
pub mod failure;
pub mod files;
pub mod inputs;
pub mod lock;
mod picture;
mod results_digest;
mod stored;

use std::collections::BTreeMap;

use ndarray::{Array1, Array2};
use serde::{Deserialize, Serialize};
use serde_json::{Value, json};

use crate::censor::PerReason;
use crate::discover::ScanId;
use crate::motion::watch_log::Interval;
use crate::picture::Slice;
use crate::remark::{self, Remark};

pub use error::RecordError;
pub use results_digest::results_digest;
pub use stored::{Provenance, provenance, read, write};

/// Folder of digests, records and receipts, inside the results folder; safe to delete.
pub const STATE: &str = ".keepstill";

/// The verdict on a run or a child.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    Enough,
    /// Enough, but something may be wrong with the data, which a person must look at.
    LookFirst,
    TooShort,
    TooFewDof,
    PoorCoverage,
    Failed,
    /// Not done yet with the settings and files that the study has now.
    NotDone,
}

impl Verdict {
    /// In the order of tables.
    pub const ALL: [Self; 7] = [
        Self::Enough,
        Self::LookFirst,
        Self::TooShort,
        Self::TooFewDof,
        Self::PoorCoverage,
        Self::Failed,
        Self::NotDone,
    ];

    /// The word used in tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Enough => "enough",
            Self::LookFirst => "look_first",
            Self::TooShort => "too_short",
            Self::TooFewDof => "too_few_dof",
            Self::PoorCoverage => "poor_coverage",
            Self::Failed => "failed",
            Self::NotDone => "not_done",
        }
    }
}

/// NaN is written as null, and null is read as NaN.
pub(crate) mod number {
    use serde::{Deserialize, Deserializer, Serializer};

    pub(crate) fn serialize<S: Serializer>(value: &f64, s: S) -> Result<S::Ok, S::Error> {
        if value.is_finite() { s.serialize_f64(*value) } else { s.serialize_none() }
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(d: D) -> Result<f64, D::Error> {
        Ok(Option::<f64>::deserialize(d)?.unwrap_or(f64::NAN))
    }
}

/// One row of the retained-data report: of a run, or of a child's joined runs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ReportRow {
    pub participant_id: String,
    pub session_id: Option<String>,
    pub run_id: Option<String>,
    #[serde(with = "number")]
    pub tr_s: f64,
    /// Sizes of the image's voxels, to a hundredth of a mm; none if joined runs differ.
    pub voxel_mm: Option<[f64; 3]>,
    /// `file`, `image`, or `both` if joined runs differ; empty where nothing is known.
    pub brain_mask_from: String,
    pub frames: usize,
    pub frames_kept: usize,
    #[serde(with = "number")]
    pub minutes: f64,
    #[serde(with = "number")]
    pub minutes_kept: f64,
    #[serde(with = "number")]
    pub kept_share: f64,
    #[serde(with = "number")]
    pub mean_fd_mm: f64,
    /// NaN where the settings give no span.
    #[serde(with = "number")]
    pub mean_fd_span_mm: f64,
    #[serde(with = "number")]
    pub mean_fd_kept_mm: f64,
    #[serde(with = "number")]
    pub max_fd_mm: f64,
    #[serde(with = "number")]
    pub median_dvars_percent: f64,
    #[serde(with = "number")]
    pub sphere_radius_mm: f64,
    /// How the radius was got, in words.
    pub sphere_radius_from: String,
    /// Frames dropped, by first reason; stored as `dropped_settling` and so on.
    #[serde(flatten, with = "dropped")]
    pub dropped: PerReason<usize>,
    #[serde(with = "number")]
    pub longest_stretch_s: f64,
    /// Degrees of freedom left after cleaning, with the autocorrelation of the run's own series
    /// ([`crate::clean::dof`]).
    #[serde(with = "number")]
    pub dof: f64,
    /// The same if frames were independent before cleaning.
    #[serde(with = "number")]
    pub dof_white: f64,
    /// As `dof`, but before the confounds are regressed out.
    #[serde(with = "number")]
    pub dof_before_regression: f64,
    /// Over all atlases.
    pub parcels_used: usize,
    pub parcels: usize,
    #[serde(with = "number")]
    pub tsnr_median: f64,
    /// Median over the used parcels of the cleaned series' lag-1 autocorrelation. The higher it is, the less each frame
    /// adds to what the earlier ones say.
    #[serde(with = "number")]
    pub lag1_autocorrelation: f64,
    pub verdict: Verdict,
    pub problem: Option<Remark>,
    /// For a run: where its motion comes from, and what other choices would have made of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub motion: Option<MotionFacts>,
    /// Parcels by atlas.
    pub atlases: Vec<AtlasCount>,
    pub warnings: Vec<Remark>,
    /// Content hash (BLAKE3, hex) of each input file, by its role. A report has them with each run, not with the whole.
    #[serde(default)]
    pub inputs: BTreeMap<String, String>,
}

impl ReportRow {
    /// The row as a report holds it: problem and warnings as plain words, without their marks.
    #[must_use]
    pub fn reported(&self) -> Value {
        let mut fields = json!(self);
        fields["problem"] = json!(self.problem.as_ref().map(|problem| &problem.text));
        fields["warnings"] = json!(remark::texts(&self.warnings));
        let noticed = self.warnings.iter().filter_map(|remark| {
            let noticed = remark.noticed?;
            Some(json!({ "code": noticed, "weight": noticed.weight().key(), "words": remark.text }))
        });
        fields["noticed"] = noticed.collect();
        fields
    }
}

/// Where a run's head motion comes from, what was done to it, and what other choices would have made of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MotionFacts {
    /// `table` or `images`.
    pub from: String,
    /// With `images`: the frame that the others were registered to, the pivot (world mm), whether parcels were averaged
    /// at each frame's pose, and the largest share of the brain mask that the pose of a kept frame moves out of the
    /// field of view.
    pub reference_frame: Option<usize>,
    pub pivot_mm: Option<[f64; 3]>,
    pub realigned: bool,
    pub largest_outside_share: Option<f64>,
    /// Frames cut from the start.
    pub settling_frames: usize,
    /// What was done about breathing, and where it shows, in words.
    pub breathing: Vec<String>,
    /// Where the expected breathing rates show in this run's frames, Hz; none when no rate is known.
    pub breathing_band_hz: Option<[f64; 2]>,
    /// Mean FD as the parameters are, before anything was filtered out of them, mm.
    #[serde(with = "number")]
    pub mean_fd_unfiltered_mm: f64,
    /// Other radii of the head, and what they would change.
    pub other_radii: Vec<OtherRadius>,
}

/// What another radius of the head would have made of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct OtherRadius {
    /// Where it comes from, in words.
    pub from: String,
    #[serde(with = "number")]
    pub radius_mm: f64,
    #[serde(with = "number")]
    pub mean_fd_mm: f64,
    /// Frames that would be above the limit but are not, and the reverse (counted from 0).
    pub frames_more: Vec<usize>,
    pub frames_fewer: Vec<usize>,
}

/// How many of an atlas's parcels have enough coverage.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct AtlasCount {
    pub name: String,
    pub parcels_used: usize,
    pub parcels: usize,
}

/// A finished scan.
#[derive(Debug, Clone, PartialEq)]
pub struct ScanRecord {
    pub id: ScanId,
    pub row: ReportRow,
    /// FD from frame to frame in the form that censoring used, mm; NaN where there is none.
    pub fd_mm: Array1<f64>,
    /// The same over the span of the settings, where they give one: then censoring used it.
    pub fd_span_mm: Option<Array1<f64>>,
    pub dvars_percent: Array1<f64>,
    /// Power of the six motion parameters, frequencies × 7, or × 13 where breathing was filtered out. Columns: Hz;
    /// translations x y z (mm²/Hz) and rotations x y z (rad²/Hz); the same after the filter.
    pub motion_spectrum: Array2<f64>,
    /// Mean over the brain mask's alive voxels, one value per frame.
    pub global_signal: Array1<f64>,
    pub kept: Vec<bool>,
    /// First reason of each dropped frame as its position in [`crate::censor::Reason::ALL`] plus 1; 0 for kept frames.
    pub first_reason: Vec<u8>,
    /// First frame after settling that has an FD: where means of motion start.
    pub motion_from: usize,
    pub atlases: Vec<AtlasRecord>,
    /// What the watch log says, whether its frames are dropped or not.
    pub log: Vec<Interval>,
    /// Frames that would be kept with each of [`crate::censor::usual_limits`], all else as it is.
    pub kept_at_limits: Vec<usize>,
    /// Three slices of the mean image.
    pub picture: Vec<Slice>,
}

/// A finished scan's parcels of one atlas.
#[derive(Debug, Clone, PartialEq)]
pub struct AtlasRecord {
    pub name: String,
    /// Which parcels have enough coverage.
    pub used: Vec<bool>,
    /// Share of each parcel's weight inside the brain mask and alive, and its voxels on the scan's grid.
    pub coverage: Vec<f64>,
    pub voxels: Vec<usize>,
    /// Series before cleaning, frames × used parcels, as [`crate::picture::shades`].
    pub raw_shades: Array2<u8>,
    /// Mean of each used parcel over the kept frames before cleaning, in the image's units; NaN where nothing can be
    /// given in percent of it ([`crate::connectivity::percent::mean_signal`]).
    pub mean_signal: Vec<f64>,
    /// Cleaned series of the kept frames × used parcels; none when too few degrees of freedom are left.
    pub residuals: Option<Array2<f64>>,
}

impl ScanRecord {
    /// Minutes that would be kept with each of [`crate::censor::usual_limits`], all else as it is.
    #[must_use]
    pub fn minutes_at_limits(&self) -> Vec<f64> {
        self.kept_at_limits.iter().map(|&frames| frames as f64 * self.row.tr_s / 60.0).collect()
    }

    /// The displacement that censoring used, mm.
    #[must_use]
    pub fn fd_judged_mm(&self) -> &Array1<f64> {
        self.fd_span_mm.as_ref().unwrap_or(&self.fd_mm)
    }

    /// Whether the run goes into a joined result.
    #[must_use]
    pub fn contributes(&self) -> bool {
        self.atlases.iter().all(|a| a.residuals.is_some())
    }
}
