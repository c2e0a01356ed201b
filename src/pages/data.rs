//! What pages carry: the data of the cohort's page and of each child's page, which stand in the page as JSON.

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::motion::watch_log::Interval;
use crate::record::{ReportRow, Verdict};
use crate::remark::Remark;

/// What the cohort page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CohortData {
    pub study: String,
    pub version: String,
    /// 0: no limit.
    pub fd_limit_mm: f64,
    pub minutes_asked: f64,
    /// The limits of displacement of [`CohortLine::minutes_at_limits`], mm; none: no limit.
    pub limits_mm: Vec<Option<f64>>,
    /// Names of the participants table's columns.
    pub covariates: Vec<String>,
    pub rows: Vec<CohortLine>,
}

/// A row of the cohort page.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CohortLine {
    pub stem: String,
    /// With `sub-`.
    pub participant_id: String,
    /// With `ses-`.
    pub session_id: Option<String>,
    /// With `run-`, where runs are not joined.
    pub run_id: Option<String>,
    pub results_digest: String,
    /// The child's page, relative to the results folder; none where no page was written.
    pub page: Option<String>,
    pub verdict: Verdict,
    pub problem: Option<Remark>,
    pub minutes: f64,
    pub minutes_kept: f64,
    #[serde(with = "crate::record::number")]
    pub mean_fd_mm: f64,
    #[serde(with = "crate::record::number")]
    pub longest_stretch_s: f64,
    pub warnings: usize,
    /// Time that other limits would keep, min.
    pub minutes_at_limits: Vec<f64>,
    pub strip: Vec<StripRun>,
    /// The participants table's cells, one for each column of [`CohortData::covariates`].
    pub covariates: Vec<String>,
}

/// A run of a stillness strip: its frames, or groups of them, from the first to the last.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct StripRun {
    pub frames: usize,
    /// Largest displacement in each group, as bytes in base64: 255 is [`STRIP_TOP_LIMITS`] limits, or
    /// [`STRIP_TOP_MM`] where there is none.
    pub fd: String,
    /// For each group a digit: 0 when most of its frames are kept, else the commonest first reason as its position in
    /// [`crate::censor::Reason::ALL`] plus 1.
    pub why: String,
}

/// Groups of frames in a strip, at most, over all runs (this and the next two: own convention).
pub const STRIP_COLUMNS: usize = 240;
/// How many times the limit of displacement the top of a strip or skyline is: one startle must not flatten the rest.
pub const STRIP_TOP_LIMITS: f64 = 5.0;
/// The same where there is no limit, mm.
pub const STRIP_TOP_MM: f64 = 1.0;

/// How far below its peak a spectrum is cut off, decibels (own choice).
pub(super) const DEPTH_DB: f64 = 40.0;

/// What a child's page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildData {
    pub study: String,
    pub version: String,
    pub stem: String,
    pub results_digest: String,
    pub fd_limit_mm: f64,
    /// `sum` or `rms`.
    pub fd_form: String,
    pub minutes_asked: f64,
    pub joined: ReportRow,
    pub settings: Value,
    pub limits_mm: Vec<Option<f64>>,
    pub atlases: Vec<ChildAtlas>,
    pub runs: Vec<ChildRun>,
    pub matrices: Vec<ChildMatrix>,
    /// What was left out to keep the page small, in words.
    pub left_out: Vec<String>,
    /// Whether what tells group, sex or age was taken away.
    pub blinded: bool,
}

/// An atlas, as a child's page shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildAtlas {
    pub name: String,
    /// In the atlas's order.
    pub parcels: Vec<ChildParcel>,
    /// Positions of the parcels by network: the order in which rows are drawn.
    pub order: Vec<usize>,
}

/// A parcel, as a child's page shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildParcel {
    pub name: String,
    pub network: Option<String>,
    /// The smallest over the runs that could be done.
    pub coverage: f64,
    pub voxels: usize,
    /// Whether coverage was enough in every run that could be done.
    pub used: bool,
}

/// A run, as a child's page shows it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildRun {
    pub row: ReportRow,
    /// The run's name within the page.
    pub name: String,
    /// mm, to a thousandth; null where there is none.
    pub fd_mm: Vec<Option<f64>>,
    /// Percent, to a hundredth.
    pub dvars_percent: Vec<Option<f64>>,
    /// Percent of its own median over kept frames, to a hundredth.
    pub global_percent: Vec<Option<f64>>,
    /// One digit per frame, as in [`StripRun::why`].
    pub why: String,
    pub log: Vec<Interval>,
    /// Time that other limits would keep, min.
    pub minutes_at_limits: Vec<f64>,
    /// One for each atlas; none for a run that failed.
    pub series: Vec<ChildSeries>,
    pub slices: Vec<ChildSlice>,
    pub spectrum: Option<Spectrum>,
}

/// A run's parcels by time, rows by the atlas's order of drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildSeries {
    /// The position in the atlas of each row's first parcel; only parcels with enough coverage in this run have rows.
    pub rows: Vec<usize>,
    /// How many parcels are averaged in a row, and how many frames in a column.
    pub parcels_per_row: usize,
    pub frames_per_column: usize,
    pub columns: usize,
    /// Shades ([`crate::picture::shades`]), row after row, base64.
    pub raw: String,
    /// The same after cleaning, 0 in dropped frames; none where cleaning gave no series.
    pub cleaned: Option<String>,
}

/// A matrix, upper triangle without the diagonal, row by row, in the atlas's own order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildMatrix {
    pub atlas: usize,
    pub measure: String,
    /// What its values are in; empty for correlations.
    pub unit: String,
    /// The value that has the strongest colour: 1 for correlations, else the largest size of any.
    pub largest: f64,
    /// 2: two bytes for each value over `largest`, little-endian, times 10000, −32768 for none; 1: one byte for each,
    /// times 125, −128 for none.
    pub bytes_per_value: usize,
    /// Base64.
    pub values: String,
}

/// A slice of the mean image.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildSlice {
    pub name: String,
    pub index: usize,
    pub width: usize,
    pub height: usize,
    pub pixel_mm: [f64; 2],
    /// One byte per pixel, base64.
    pub grey: String,
    /// One byte per pixel, 1 inside the brain mask, base64.
    pub inside: String,
    /// For each atlas, two bytes per pixel, little-endian, base64: the parcel counted from 1, or 0 for none.
    pub parcels: Vec<String>,
}

/// Power of the motion parameters by frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spectrum {
    pub nyquist_hz: f64,
    pub hz: Vec<f64>,
    /// For three translations and three rotations: decibels relative to the peak of each; empty for one without power.
    pub decibels: Vec<Vec<f64>>,
    /// Where each is strongest, Hz.
    pub peaks_hz: Vec<f64>,
    /// Where the expected breathing rates show.
    pub breathing_band_hz: Option<[f64; 2]>,
}
