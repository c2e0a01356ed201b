//! The reviewer's pages: the cohort and each child, self-contained, asking for nothing over the network.
//!
//! A page is a pure function of its data, and carries that data as JSON. So `keepstill review` takes the data out of a page
//! in the results folder, takes away what blinding hides, and renders the same page again with the means to decide.
//! Each page asks and answers one question at first sight: did this child keep still, when, and is what is left worth
//! keeping?
//!
//! [`gather`] makes the data of records; [`encode`] packs it; the page files (`page/`) are plain HTML parts, CSS and
//! JavaScript of our own, embedded here. What a script draws is drawn from the page's data alone.

mod child;
mod cohort;
mod document;
mod encode;
mod gather;
#[cfg(test)]
mod tests;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use crate::motion::watch_log::Interval;
use crate::record::{ReportRow, Verdict};

pub use child::child_page;
pub use cohort::cohort_page;
pub use gather::{Gathered, page_of_records, strip};

/// Where a page is shown.
#[derive(Debug, Clone, Copy)]
pub enum Mode<'a> {
    /// Opened as a file.
    File,
    /// Served by `keepstill review`.
    Review(&'a Review<'a>),
}

/// What a served page carries.
#[derive(Debug, Clone, Copy)]
pub struct Review<'a> {
    /// Writes must carry it.
    pub token: &'a str,
    /// Of the content security policy; on every script and style.
    pub nonce: &'a str,
    /// Group, sex and age are hidden.
    pub blinded: bool,
}

/// A file is no page of ours.
#[derive(Debug, thiserror::Error)]
pub enum PageError {
    #[error("the page carries no data of keepstill's; run the study again to write it anew")]
    NoData,
    #[error("the page's data cannot be read ({0}); run the study again to write it anew")]
    Damaged(#[from] serde_json::Error),
}

/// What the cohort page shows.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CohortData {
    pub study: String,
    pub version: String,
    /// 0: no limit.
    pub fd_limit_mm: f64,
    pub minutes_asked: f64,
    /// Limits of displacement that [`CohortLine::minutes_at_limits`] is about, mm; none: no limit.
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
    pub problem: Option<String>,
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
    /// The participants table's cells, one a column of [`CohortData::covariates`].
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

/// Groups of frames that a strip has, at most, all runs together (this and the next two: own convention).
pub const STRIP_COLUMNS: usize = 240;
/// Limits of displacement at the top of a strip or skyline: one startle must not flatten the rest.
pub const STRIP_TOP_LIMITS: f64 = 5.0;
/// The same where there is no limit, mm.
pub const STRIP_TOP_MM: f64 = 1.0;

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
    /// Least over the runs that could be done.
    pub coverage: f64,
    pub voxels: usize,
    /// Enough coverage in every run that could be done.
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
    /// A digit a frame, as in [`StripRun::why`].
    pub why: String,
    pub log: Vec<Interval>,
    /// Time that other limits would keep, min.
    pub minutes_at_limits: Vec<f64>,
    /// One an atlas; none for a run that failed.
    pub series: Vec<ChildSeries>,
    pub slices: Vec<ChildSlice>,
    pub spectrum: Option<Spectrum>,
}

/// A run's parcels by time, rows by the atlas's order of drawing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ChildSeries {
    /// Rows, of parcels with enough coverage in this run: the position of each row's first parcel in the atlas.
    pub rows: Vec<usize>,
    /// Parcels that a row is the mean of, and frames that a column is.
    pub parcels_a_row: usize,
    pub frames_a_column: usize,
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
    /// 2: two bytes a value, little-endian, the value times 10000, −32768 for none; 1: a byte a value, the value times
    /// 125, −128 for none.
    pub bytes_a_value: usize,
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
    /// A byte a pixel, base64.
    pub grey: String,
    /// 1 inside the brain mask, a byte a pixel, base64.
    pub inside: String,
    /// By atlas: two bytes a pixel, little-endian, base64: the parcel counted from 1, 0 for none.
    pub parcels: Vec<String>,
}

/// The motion parameters' power by frequency.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Spectrum {
    pub nyquist_hz: f64,
    pub hz: Vec<f64>,
    /// Three translations, three rotations: decibels below each one's peak; empty for one without power.
    pub decibels: Vec<Vec<f64>>,
    /// Where each is strongest, Hz.
    pub peaks_hz: Vec<f64>,
    /// Where the expected breathing rates show.
    pub breathing_band_hz: Option<[f64; 2]>,
}

impl CohortData {
    /// Without what tells group, sex or age.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let blinded = |row: &CohortLine| CohortLine {
            covariates: Vec::new(),
            problem: row.problem.as_deref().map(blinded_text),
            ..row.clone()
        };
        let rows = self.rows.iter().map(blinded).collect();
        Self { covariates: Vec::new(), rows, ..self.clone() }
    }
}

impl ChildData {
    /// Without what tells group, sex or age: the radius of the head and the rates of breathing go by age. Names of the
    /// participants table and its columns go too.
    #[must_use]
    pub fn blinded(&self) -> Self {
        let mut data = Self { blinded: true, ..self.clone() };
        // A filter by age leaves its band's hole in the spectrum.
        let filtered = data.settings["motion"]["respiration"] != "leave";
        if let Value::Object(settings) = &mut data.settings {
            settings.remove("children");
        }
        let radius_tells = data.settings["motion"]["sphere_radius"] == "by-age";
        let rows = data.runs.iter_mut().map(|run| &mut run.row).chain([&mut data.joined]);
        for row in rows {
            if radius_tells {
                row.sphere_radius_mm = f64::NAN;
                row.sphere_radius_from = "hidden".to_owned();
            }
            row.problem = row.problem.as_deref().map(blinded_text);
            row.warnings.iter_mut().for_each(|warning| *warning = blinded_text(warning));
            row.warnings.dedup();
            if let Some(motion) = &mut row.motion {
                motion.breathing.clear();
                motion.breathing_band_hz = None;
                motion.other_radii.clear();
                if filtered {
                    motion.mean_fd_unfiltered_mm = f64::NAN;
                }
            }
        }
        if filtered {
            data.runs.iter_mut().for_each(|run| run.spectrum = None);
        }
        for spectrum in data.runs.iter_mut().filter_map(|run| run.spectrum.as_mut()) {
            spectrum.breathing_band_hz = None;
        }
        data
    }
}

/// A problem or warning without what it may tell of age, sex or group: of those that speak of any, only that there is one.
fn blinded_text(text: &str) -> String {
    /// Words of the messages that go by the participants table (`discover`, `motion/respiration`, `motion/sphere`).
    const TELLING: [&str; 21] = [
        "participants",
        "participant",
        "column",
        "columns",
        "age",
        "ages",
        "sex",
        "group",
        "boy",
        "girl",
        "male",
        "female",
        "month",
        "months",
        "year",
        "years",
        "weeks",
        "breath",
        "breaths",
        "breathing",
        "radius",
    ];
    let words = text.split(|c: char| !c.is_alphabetic()).map(str::to_lowercase);
    if words.into_iter().any(|word| TELLING.contains(&word.as_str())) {
        "something is to be told that is hidden with group, sex and age".to_owned()
    } else {
        text.to_owned()
    }
}

/// The data of a page, between these two.
const DATA_START: &str = "<script type=\"application/json\" id=\"data\">";
const DATA_END: &str = "</script>";

fn data<T: for<'de> Deserialize<'de>>(html: &str) -> Result<T, PageError> {
    let (_, after) = html.split_once(DATA_START).ok_or(PageError::NoData)?;
    let (json, _) = after.split_once(DATA_END).ok_or(PageError::NoData)?;
    Ok(serde_json::from_str(json)?)
}

/// The data that a cohort page carries.
///
/// # Errors
/// [`PageError`].
pub fn cohort_data(html: &str) -> Result<CohortData, PageError> {
    data(html)
}

/// The data that a child's page carries.
///
/// # Errors
/// [`PageError`].
pub fn child_data(html: &str) -> Result<ChildData, PageError> {
    data(html)
}

/// JSON that may stand in a script element: no `<` can end it.
fn embedded<T: Serialize>(data: &T) -> String {
    // Cannot fail: plain fields.
    let json = serde_json::to_string(data).unwrap_or_default().replace('<', "\\u003c");
    format!("{DATA_START}{json}{DATA_END}")
}
