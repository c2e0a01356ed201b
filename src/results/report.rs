//! `S_report.json`, read back into the structs that it was written from.

use std::fs;
use std::path::{Path, PathBuf};

use serde::de::Error;
use serde::{Deserialize, Deserializer};
use serde_json::Value;

use crate::record::ReportRow;
use crate::remark::Noticed;
use crate::study::settings::{CensorSettings, Displacement, EnoughSettings};

/// Why a report cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ReportError {
    #[error("{}: cannot read: {message}; is this a results folder that `keepstill run` wrote?", path.display())]
    Unreadable { path: PathBuf, message: String },
    #[error("{}: is not a report of this version of keepstill: {message}; run the study again", path.display())]
    Form { path: PathBuf, message: String },
}

impl ReportError {
    #[must_use]
    pub fn path(&self) -> &Path {
        match self {
            Self::Unreadable { path, .. } | Self::Form { path, .. } => path,
        }
    }

    /// What is wrong, without the file's path.
    #[must_use]
    pub fn reason(&self) -> &str {
        match self {
            Self::Unreadable { message, .. } | Self::Form { message, .. } => message,
        }
    }
}

/// A child's report.
#[derive(Debug, Clone, Deserialize)]
pub struct Report {
    pub version: String,
    pub settings: Settings,
    /// One row per run.
    #[serde(deserialize_with = "rows_with_codes")]
    pub runs: Vec<ReportRow>,
    pub joined: JoinedRow,
}

/// The row of a child's joined runs; `row.inputs` is empty, since each run names its own.
#[derive(Debug, Clone, Deserialize)]
pub struct JoinedRow {
    #[serde(flatten, deserialize_with = "row_with_codes")]
    pub row: ReportRow,
    pub runs: usize,
    /// Stems of the runs that the joined result is made of.
    pub runs_joined: Vec<String>,
    pub results_digest: String,
    /// Of partial correlations.
    #[serde(default)]
    pub shrinkage: Vec<ShrunkMatrix>,
    /// What covariances are in; none where there are none, or from a version that scaled runs to unit SD first.
    #[serde(default)]
    pub covariance_unit: Option<String>,
}

/// How far the covariance behind a child's matrix was shrunk.
#[derive(Debug, Clone, Deserialize)]
pub struct ShrunkMatrix {
    pub atlas: String,
    pub shrinkage: f64,
}

/// The settings that were in force.
#[derive(Debug, Clone, Deserialize)]
#[serde(try_from = "Value")]
pub struct Settings {
    pub motion: Motion,
    pub censor: CensorSettings,
    pub clean: Clean,
    pub enough: EnoughSettings,
    pub children: Children,
    /// Every section as it stands in the report.
    pub sections: Value,
}

/// What of `[motion]` is asked for.
#[derive(Debug, Clone, Deserialize)]
pub struct Motion {
    pub displacement: Displacement,
    /// 0: from frame to frame.
    #[serde(default)]
    pub fd_span_s: f64,
}

/// What of `[clean]` is asked for.
#[derive(Debug, Clone, Deserialize)]
pub struct Clean {
    /// Lowest and highest frequency that is kept, Hz; empty: all are.
    pub band_hz: Vec<f64>,
}

/// What of `[children]` is asked for.
#[derive(Debug, Clone, Deserialize)]
pub struct Children {
    pub age_column: Option<String>,
    pub sex_column: Option<String>,
}

impl TryFrom<Value> for Settings {
    type Error = serde_json::Error;

    fn try_from(sections: Value) -> Result<Self, serde_json::Error> {
        #[derive(Deserialize)]
        struct Read {
            motion: Motion,
            censor: CensorSettings,
            clean: Clean,
            enough: EnoughSettings,
            children: Children,
        }
        let Read { motion, censor, clean, enough, children } = Read::deserialize(&sections)?;
        Ok(Self { motion, censor, clean, enough, children, sections })
    }
}

impl Report {
    /// Reads a report.
    ///
    /// # Errors
    /// When the file cannot be read or is not as [`crate::report::report_json`] writes it.
    pub fn read(path: &Path) -> Result<Self, ReportError> {
        let bytes =
            fs::read(path).map_err(|e| ReportError::Unreadable { path: path.to_owned(), message: e.to_string() })?;
        serde_json::from_slice(&bytes).map_err(|e| ReportError::Form { path: path.to_owned(), message: e.to_string() })
    }
}

/// A row as a report holds it: the words of its remarks, and beside them the codes of those that have one.
fn row_with_codes<'de, D: Deserializer<'de>>(from: D) -> Result<ReportRow, D::Error> {
    let fields = Value::deserialize(from)?;
    let mut row = ReportRow::deserialize(&fields).map_err(D::Error::custom)?;
    // A report of an earlier version has none.
    for coded in fields["noticed"].as_array().into_iter().flatten() {
        let noticed = Noticed::deserialize(&coded["code"]).map_err(D::Error::custom)?;
        let same = row.warnings.iter_mut().filter(|remark| remark.noticed.is_none() && coded["words"] == remark.text);
        same.take(1).for_each(|remark| remark.noticed = Some(noticed));
    }
    Ok(row)
}

/// One such row.
#[derive(Deserialize)]
struct Coded(#[serde(deserialize_with = "row_with_codes")] ReportRow);

fn rows_with_codes<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<ReportRow>, D::Error> {
    Ok(Vec::<Coded>::deserialize(from)?.into_iter().map(|coded| coded.0).collect())
}
