//! The checked settings, one plain struct per stage, with units in the field names.
//!
//! No struct here has a `Default`: every scientific default is in `defaults.toml`, with its source. The structs are
//! serialised into each report ("the settings that were in force") and into the fingerprints that decide whether a
//! scan must be done again.

mod censor;

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

pub use censor::{CensorSettings, Length, Settling};

/// `[motion]`: where head positions come from and how displacement is measured.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MotionSettings {
    pub from: MotionSource,
    /// The six columns, translations x y z then rotations x y z.
    pub columns: MotionColumns,
    pub translation_unit: TranslationUnit,
    pub rotation_unit: RotationUnit,
    pub rotation_order: RotationOrder,
    /// The measure that censoring uses; both are always reported.
    pub displacement: Displacement,
    /// Censoring uses the displacement between frames that far apart, s; 0: from frame to frame.
    pub fd_span_s: f64,
    pub sphere_radius: SphereRadius,
    /// What is done about breathing in the motion trace.
    pub respiration: Respiration,
    pub breaths_per_min: BreathsPerMin,
    /// Cut-off of the low-pass, Hz.
    pub low_pass_hz: f64,
    /// Whether parcels are averaged at each frame's own head position; only where motion is measured from the images.
    pub realign: bool,
}

/// Where head positions come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum MotionSource {
    /// A table beside each scan.
    Table,
    /// Each frame is registered to a reference frame of the same run.
    Images,
}

/// What is done about breathing in the motion trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Respiration {
    /// The trace stays as it is.
    Leave,
    /// A notch over the folded band of the child's breathing rates.
    Notch,
    /// A low-pass at [`MotionSettings::low_pass_hz`].
    LowPass,
}

/// The breathing rates that are expected.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum BreathsPerMin {
    /// From the child's age.
    ByAge,
    /// The same for every child: lowest and highest.
    #[serde(untagged)]
    Rates([f64; 2]),
}

/// The names of the six motion columns in `defaults.toml`, which the synthetic cohort's tables have too: translations x
/// y z, then rotations x y z (own convention).
pub const MOTION_COLUMNS: [&str; 6] =
    ["translation_x_mm", "translation_y_mm", "translation_z_mm", "rotation_x_rad", "rotation_y_rad", "rotation_z_rad"];

/// How the six motion columns are found in a table.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum MotionColumns {
    /// By the names in the table's header line.
    Names([String; 6]),
    /// By position, counted from 1.
    Positions([usize; 6]),
}

/// Unit of translations in the motion table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum TranslationUnit {
    Mm,
    M,
}

/// Unit of rotations in the motion table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum RotationUnit {
    Rad,
    Deg,
}

/// Which axis turns first; `"xyz"` means R = Rz·Ry·Rx.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(transparent)]
pub struct RotationOrder(#[serde(serialize_with = "axes_as_text")] pub [Axis; 3]);

/// One of the three scanner axes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Axis {
    X,
    Y,
    Z,
}

fn axes_as_text<S: serde::Serializer>(axes: &[Axis; 3], s: S) -> Result<S::Ok, S::Error> {
    let text: String = axes
        .iter()
        .map(|a| match a {
            Axis::X => 'x',
            Axis::Y => 'y',
            Axis::Z => 'z',
        })
        .collect();
    s.serialize_str(&text)
}

/// Which form of framewise displacement censoring uses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Displacement {
    Sum,
    Rms,
}

/// Radius of the sphere that turns rotations into millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum SphereRadius {
    /// From the child's age and sex, by head circumference.
    ByAge,
    /// The mean distance from the brain mask's centroid to its surface.
    FromMask,
    /// The same radius for every child, mm.
    #[serde(untagged)]
    Mm(f64),
}

/// `[clean]`: what is removed from the parcel series.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CleanSettings {
    /// 0, 6, 12 or 24.
    pub motion_terms: usize,
    pub tissue_means: Vec<Tissue>,
    pub global_signal: bool,
    /// Principal components per tissue named in `tissue_means`, or of both tissues if none is named.
    pub tissue_components: usize,
    /// Further columns of the scan's confounds table.
    pub confound_columns: Vec<String>,
    pub detrend_degree: usize,
    /// Pass band, low and high edge in Hz; none for no filter.
    pub band_hz: Option<[f64; 2]>,
    pub fill: Fill,
}

/// A tissue that a scan may have a mask for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Tissue {
    WhiteMatter,
    Csf,
}

impl Tissue {
    /// The name used in the study file and in the scan table.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::WhiteMatter => "white_matter",
            Self::Csf => "csf",
        }
    }
}

/// What stands in for dropped frames while filtering.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Fill {
    Linear,
    Spectral,
}

/// One `[[parcels]]` block: an atlas.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ParcelsSettings {
    pub name: String,
    #[serde(skip)]
    pub image: PathBuf,
    #[serde(skip)]
    pub labels: Option<PathBuf>,
    /// Share of a parcel's weight inside the brain mask and alive that it needs.
    pub least_coverage: f64,
}

/// `[connectivity]`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ConnectivitySettings {
    pub measures: Vec<Measure>,
    pub join: Join,
}

/// A connectivity measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Measure {
    Pearson,
    Spearman,
    Partial,
    Covariance,
}

impl Measure {
    pub const ALL: [Self; 4] = [Self::Pearson, Self::Spearman, Self::Partial, Self::Covariance];

    /// The measure that a file name calls so.
    #[must_use]
    pub fn of_key(key: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|measure| measure.key() == key)
    }

    /// Whether it is a correlation, which has a Fisher's z.
    #[must_use]
    pub fn is_correlation(self) -> bool {
        self != Self::Covariance
    }

    /// The name used in the study file and in file names.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Pearson => "pearson",
            Self::Spearman => "spearman",
            Self::Partial => "partial",
            Self::Covariance => "covariance",
        }
    }
}

/// Which runs go into one matrix.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Join {
    /// A child's runs are joined within a session.
    Runs,
    /// Across sessions too.
    Sessions,
    /// Each run stands alone.
    None,
}

/// `[enough]`: what a child needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct EnoughSettings {
    pub minutes: f64,
    /// Degrees of freedom left after cleaning ([`crate::clean::dof`]); 0: not asked.
    pub dof: f64,
    /// Share of parcels with enough coverage; 0: not asked.
    pub coverage: f64,
}

/// `[notice]`: when a person must look first, or should know ([`crate::remark::Noticed`]).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NoticeSettings {
    /// Mean FD below this is small motion, mm.
    pub small_fd_mm: f64,
    /// Median FD above this is large motion, mm.
    pub large_fd_mm: f64,
    /// Robust SD of log mean FD from the cohort's median.
    pub unlike_site_sd: f64,
    /// Rank correlation of FD with DVARS that a run which moves much must reach.
    pub least_fd_dvars_r: f64,
    /// Signals of two runs that correlate above this are of one image.
    pub same_r: f64,
    /// Runs of less time are short, s.
    pub short_run_s: f64,
}

/// `[output]`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OutputSettings {
    pub series: SeriesFormat,
    pub matrices: MatrixFormat,
    pub pages: bool,
}

/// How parcel series are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SeriesFormat {
    Tsv,
    Npy,
    Both,
    None,
}

/// How matrices are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum MatrixFormat {
    Tsv,
    Npy,
    Both,
}

/// `[children]`: the participants table.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ChildrenSettings {
    #[serde(skip)]
    pub table: Option<PathBuf>,
    pub age_column: Option<String>,
    pub age_unit: AgeUnit,
    pub sex_column: Option<String>,
}

/// Unit of the age column.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum AgeUnit {
    Months,
    Years,
    Days,
    Weeks,
}
