//! The cleaned series behind a child's matrix, from the records of its runs.
//!
//! The child's report says which runs were joined; `.keepstill/scans/R.npz` has each one's cleaned, kept frames. Runs
//! are joined as `keepstill run` does it: only parcels that every joined run covers, each run's frames made mean 0 and
//! SD 1, or percent of the run's mean signal ([`of_runs`]).

use std::path::{Path, PathBuf};

use ndarray::{Array2, Axis};

use super::children::Child;
use super::error::RunsError;
use super::folders::Folders;
use super::parcels::StackedAtlas;
use crate::connectivity::percent::RunPart;
use crate::connectivity::{join, of_runs, partial_shrunk_by};
use crate::group::reliability::{RunFrames, RunSeries};
use crate::linalg::LinalgError;
use crate::pipeline::joined::{columns_used, spread, used_in_all};
use crate::record::{self, ReportRow, ScanRecord};
use crate::results::{Layout, Report};
use crate::study::settings::{EnoughSettings, Measure};
use crate::units::Seconds;

/// Runs as a report describes them: kept frames and repetition times, without their values.
#[derive(Debug)]
pub(crate) struct ReportedRuns {
    /// Stem and row of each run that was joined, in order.
    runs: Vec<(String, ReportRow)>,
    report: PathBuf,
    /// Rows of all runs.
    rows: Vec<ReportRow>,
    /// What the study calls enough.
    pub enough: EnoughSettings,
}

/// The joined runs' frames of one child.
#[derive(Debug)]
pub(crate) struct JoinedRuns {
    stem: String,
    records: Vec<ScanRecord>,
    paths: Vec<PathBuf>,
    /// The number of each kept frame in its run, one list per run.
    frames: Vec<Vec<usize>>,
    tr: Vec<Seconds>,
    /// Degrees of freedom that the regression took of each run for each that it left.
    taken: Vec<f64>,
}

/// One atlas's series of a child.
#[derive(Debug)]
pub(crate) struct JoinedSeries {
    /// Parcels (all of the atlas) that every joined run covers.
    pub used: Vec<bool>,
    /// One per run: chosen frames × parcels used.
    pub residuals: Vec<Array2<f64>>,
    /// One per run: the mean signal of these parcels over the whole run.
    mean_signals: Vec<Vec<f64>>,
    frames: Vec<Vec<usize>>,
    tr: Vec<Seconds>,
    /// Degrees of freedom that cleaning took from each run for each that it left, times the share of its frames that is
    /// here.
    pub hidden: Vec<f64>,
}

impl ReportedRuns {
    pub(crate) fn read(results: &Folders, child: &Child) -> Result<Self, RunsError> {
        let path = child.report(results);
        let report = Report::read(&path).map_err(|source| RunsError::Report { source })?;
        let mut runs = Vec::new();
        for stem in report.joined.runs_joined {
            let mut fitting = report.runs.iter().filter(|row| stem_fits(row, &stem));
            let row = match (fitting.next(), fitting.next()) {
                (None, _) => return Err(RunsError::NoRow { path, stem }),
                (Some(row), None) => row.clone(),
                // Rows do not have the task, which may be the only difference between two runs.
                (Some(_), Some(_)) => record(results.path(child.results), &stem)?.1.row,
            };
            runs.push((stem, row));
        }
        Ok(Self { runs, report: path, rows: report.runs, enough: report.settings.enough })
    }

    /// Degrees of freedom of the joined runs together.
    pub(crate) fn dof(&self) -> f64 {
        self.runs.iter().map(|(_, row)| row.dof).filter(|dof| dof.is_finite()).sum()
    }

    /// Number of kept frames and repetition time of each joined run.
    pub(crate) fn kept(&self) -> Result<Vec<(usize, Seconds)>, RunsError> {
        let kept = |(stem, row): &(String, ReportRow)| {
            let no_time = || RunsError::NoTime { path: self.report.clone(), stem: stem.clone() };
            row.tr_s.is_finite().then_some((row.frames_kept, Seconds(row.tr_s))).ok_or_else(no_time)
        };
        self.runs.iter().map(kept).collect()
    }

    /// Whether a row of the report is this one. They are compared as JSON, where a number that is not available equals
    /// another such; NaN equals nothing.
    fn has_row(&self, row: &ReportRow) -> bool {
        let row = row.reported();
        self.rows.iter().any(|own| own.reported() == row)
    }
}

/// Whether a report's row can be of this run.
fn stem_fits(row: &ReportRow, stem: &str) -> bool {
    let without_task = stem.split('_').filter(|part| !part.starts_with("task-")).collect::<Vec<_>>().join("_");
    let ids = [Some(row.participant_id.as_str()), row.session_id.as_deref(), row.run_id.as_deref()];
    ids.into_iter().flatten().collect::<Vec<_>>().join("_") == without_task
}

/// A run's record and its path.
fn record(results: &Path, stem: &str) -> Result<(PathBuf, ScanRecord), RunsError> {
    let path = Layout::new(results).record(stem);
    if !path.is_file() {
        return Err(RunsError::NoRecord { path });
    }
    let (record, _) = record::read(&path).map_err(|source| RunsError::Record { source })?;
    Ok((path, record))
}

impl JoinedRuns {
    /// Degrees of freedom that cleaning took for each that it left: the largest of the runs.
    pub(crate) fn most_taken(&self) -> f64 {
        self.taken.iter().copied().fold(f64::NAN, f64::max)
    }

    /// Reads the records of a child's joined runs and holds them against its report.
    pub(crate) fn read(results: &Folders, child: &Child) -> Result<Self, RunsError> {
        let reported = ReportedRuns::read(results, child)?;
        let stem = child.stem.clone();
        let mut runs = Self { stem, records: vec![], paths: vec![], frames: vec![], tr: vec![], taken: vec![] };
        for (stem, _) in &reported.runs {
            let (path, record) = record(results.path(child.results), stem)?;
            if !reported.has_row(&record.row) {
                return Err(RunsError::OtherResults { path, report: reported.report.clone() });
            }
            runs.frames.push((0..record.kept.len()).filter(|&frame| record.kept[frame]).collect());
            runs.tr.push(Seconds(record.row.tr_s));
            let (before, left) = (record.row.dof_before_regression, record.row.dof);
            runs.taken.push(if left > 0.0 { (before / left - 1.0).max(0.0) } else { f64::NAN });
            runs.records.push(record);
            runs.paths.push(path);
        }
        Ok(runs)
    }

    /// Each run's kept frames without their values.
    pub(crate) fn frames(&self) -> Vec<RunFrames<'_>> {
        self.frames.iter().zip(&self.tr).map(|(frames, &tr)| RunFrames { frames, tr }).collect()
    }

    /// Degrees of freedom of the runs together.
    pub(crate) fn dof(&self) -> f64 {
        self.records.iter().map(|record| record.row.dof).filter(|dof| dof.is_finite()).sum()
    }

    /// One atlas's series; of some kept frames (rows of each run) where they are given.
    pub(crate) fn series(&self, atlas: &StackedAtlas, rows: Option<&[Vec<usize>]>) -> Result<JoinedSeries, RunsError> {
        let parcels = atlas.parcels.len();
        let mut place = 0;
        for (record, path) in self.records.iter().zip(&self.paths) {
            let at = record.atlases.iter().position(|own| own.name == atlas.name);
            let found = at.map_or(0, |at| record.atlases[at].used.len());
            if found != parcels {
                let (atlas, path, like) = (atlas.name.clone(), path.clone(), atlas.like.clone());
                return Err(RunsError::Parcels { path, atlas, found, expected: parcels, like });
            }
            place = at.unwrap_or(0);
        }
        let records: Vec<&ScanRecord> = self.records.iter().collect();
        let used = used_in_all(&records, place, parcels);
        let runs = records.iter().filter_map(|run| columns_used(run, place, &used));
        let runs = runs.map(|run| (run.residuals.into_owned(), run.mean_signal.into_owned()));
        let (residuals, mean_signals) = runs.unzip();
        let mut series = JoinedSeries {
            residuals,
            mean_signals,
            used,
            frames: self.frames.clone(),
            tr: self.tr.clone(),
            hidden: self.taken.clone(),
        };
        if let Some(rows) = rows {
            let runs = series.residuals.iter_mut().zip(&mut series.frames).zip(&mut series.hidden);
            for (((residuals, frames), hidden), rows) in runs.zip(rows) {
                *residuals = residuals.select(Axis(0), rows);
                *hidden *= rows.len() as f64 / frames.len().max(1) as f64;
                *frames = rows.iter().map(|&row| frames[row]).collect();
            }
        }
        Ok(series)
    }
}

impl JoinedSeries {
    /// As the group statistics take them.
    pub(crate) fn runs(&self) -> Vec<RunSeries<'_>> {
        let parts = self.residuals.iter().zip(&self.mean_signals).zip(&self.frames).zip(&self.tr);
        parts
            .map(|(((run, mean_signal), frames), &tr)| RunSeries { residuals: run.view(), mean_signal, frames, tr })
            .collect()
    }

    /// The same without their values.
    pub(crate) fn frames(&self) -> Vec<RunFrames<'_>> {
        self.frames.iter().zip(&self.tr).map(|(frames, &tr)| RunFrames { frames, tr }).collect()
    }

    /// Minutes that the frames last.
    pub(crate) fn minutes(&self) -> f64 {
        self.frames.iter().zip(&self.tr).map(|(frames, tr)| Seconds(frames.len() as f64 * tr.0).minutes()).sum()
    }

    /// All frames of each run; runs of fewer than two frames say nothing and are left out.
    fn parts(&self) -> Vec<RunPart<'_>> {
        let runs = self.residuals.iter().zip(&self.mean_signals).filter(|(run, _)| run.nrows() > 1);
        runs.map(|(run, mean_signal)| RunPart { residuals: run.view(), mean_signal }).collect()
    }

    /// The whole matrix of all frames; partial correlations with `shrinkage` where it is given, else each with its own.
    pub(crate) fn matrix(&self, measure: Measure, shrinkage: Option<f64>) -> Result<Array2<f64>, LinalgError> {
        let parts = self.parts();
        let found = match shrinkage.filter(|_| measure == Measure::Partial) {
            Some(shrinkage) => {
                let residuals: Vec<_> = parts.iter().map(|part| part.residuals).collect();
                partial_shrunk_by(join(&residuals).view(), shrinkage)?
            }
            None => of_runs(&parts, measure)?,
        };
        Ok(spread(found.matrix.view(), &self.used))
    }

    /// The shrinkage of their partial correlations.
    pub(crate) fn shrinkage(&self) -> Result<Option<f64>, LinalgError> {
        Ok(of_runs(&self.parts(), Measure::Partial)?.shrinkage)
    }
}

impl JoinedRuns {
    pub(crate) fn linalg(&self, source: LinalgError) -> RunsError {
        RunsError::Linalg { stem: self.stem.clone(), source }
    }
}

/// A seed of its own for each child, whoever else is in the stack: FNV-1a, 64 bits (Fowler, Noll & Vo; *from memory*),
/// over the seed's bytes, lowest first, and the child's stem.
pub(crate) fn seed_of(seed: u64, stem: &str) -> u64 {
    let bytes = seed.to_le_bytes().into_iter().chain(stem.bytes());
    bytes.fold(0xCBF2_9CE4_8422_2325, |hash, byte| (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01B3))
}

#[cfg(test)]
impl JoinedSeries {
    /// Without runs.
    pub(crate) fn of_parcels(used: Vec<bool>) -> Self {
        let (residuals, mean_signals, frames) = (Vec::new(), Vec::new(), Vec::new());
        Self { used, residuals, mean_signals, frames, tr: Vec::new(), hidden: Vec::new() }
    }
}
