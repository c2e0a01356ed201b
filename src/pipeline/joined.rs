//! One child: its runs joined, its matrices, its verdict.
//!
//! A run with too few degrees of freedom adds neither frames nor minutes to the joined result, and a failed run adds
//! nothing. When no run contributes, the motion numbers are those of all runs that could be read, so that a reviewer
//! still sees how the child moved; frames and minutes kept are then 0.

use std::borrow::Cow;
use std::collections::BTreeMap;

use ndarray::{Array2, ArrayView2, Axis, CowArray, Ix2};

use super::summary::{MotionSummary, mean_fd_span};
use super::twins::{Among, RunTrace, Twins, twins};
use super::verdict::verdict;
use crate::atlas::Atlas;
use crate::censor::PerReason;
use crate::connectivity::percent::{LEAST_SIGNAL_PER_SD, RunPart};
use crate::connectivity::{self, Connectivity};
use crate::discover::ScanId;
use crate::linalg::LinalgError;
use crate::record::{AtlasCount, ReportRow, ScanRecord, Verdict};
use crate::remark::{Noticed, Remark};
use crate::study::settings::{ConnectivitySettings, EnoughSettings, Join, Measure, NoticeSettings};
use crate::tables::first_few;

/// The runs that go into one result, and what it is called.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Group {
    pub participant: String,
    pub session: Option<String>,
    /// Where runs are not joined: the one scan.
    pub only: Option<ScanId>,
}

impl Group {
    /// The group that a scan belongs to.
    #[must_use]
    pub fn of(id: &ScanId, join: Join) -> Self {
        let (session, only) = match join {
            Join::Runs => (id.session.clone(), None),
            Join::Sessions => (None, None),
            Join::None => (id.session.clone(), Some(id.clone())),
        };
        Self { participant: id.participant.clone(), session, only }
    }

    /// Stem of the group's files: `sub-XX[_ses-YY]`, or the run's own.
    #[must_use]
    pub fn stem(&self) -> String {
        match (&self.only, &self.session) {
            (Some(id), _) => id.to_string(),
            (None, Some(session)) => format!("sub-{}_ses-{session}", self.participant),
            (None, None) => format!("sub-{}", self.participant),
        }
    }
}

/// What became of one scan.
#[derive(Debug, Clone)]
pub enum RunResult {
    Done(Box<ScanRecord>),
    Failed { id: ScanId, problem: Remark },
}

impl RunResult {
    /// The run's row of the report.
    #[must_use]
    pub fn row(&self) -> ReportRow {
        match self {
            Self::Done(record) => record.row.clone(),
            Self::Failed { id, problem } => ReportRow::failed(id, Some(problem.clone())),
        }
    }
}

impl ReportRow {
    /// The row of a scan or child that has no result, and why.
    #[must_use]
    pub fn failed(id: &ScanId, problem: Option<Remark>) -> Self {
        let nan = f64::NAN;
        Self {
            participant_id: format!("sub-{}", id.participant),
            session_id: id.session.as_ref().map(|s| format!("ses-{s}")),
            run_id: id.run.as_ref().map(|r| format!("run-{r}")),
            tr_s: nan,
            voxel_mm: None,
            brain_mask_from: String::new(),
            frames: 0,
            frames_kept: 0,
            minutes: 0.0,
            minutes_kept: 0.0,
            kept_share: nan,
            mean_fd_mm: nan,
            mean_fd_span_mm: nan,
            mean_fd_kept_mm: nan,
            max_fd_mm: nan,
            median_dvars_percent: nan,
            sphere_radius_mm: nan,
            sphere_radius_from: "n/a".to_owned(),
            dropped: PerReason::default(),
            longest_stretch_s: nan,
            dof: nan,
            dof_white: nan,
            dof_before_regression: nan,
            parcels_used: 0,
            parcels: 0,
            tsnr_median: nan,
            lag1_autocorrelation: nan,
            verdict: Verdict::Failed,
            problem,
            motion: None,
            atlases: Vec::new(),
            warnings: Vec::new(),
            inputs: BTreeMap::new(),
        }
    }
}

/// A child's joined result.
#[derive(Debug, Clone)]
pub struct Joined {
    pub row: ReportRow,
    /// Stems of the runs that contribute.
    pub runs_joined: Vec<String>,
    /// By atlas, in the study's order, then by measure; empty when no run contributes.
    pub matrices: Vec<JoinedMatrix>,
    /// What each run that could be read is known by.
    pub traces: Vec<RunTrace>,
}

/// One matrix of a child, over all parcels of the atlas; NaN for parcels without enough coverage in some run.
#[derive(Debug, Clone)]
pub struct JoinedMatrix {
    pub atlas: usize,
    pub measure: Measure,
    pub connectivity: Connectivity,
}

/// Joins a child's runs.
///
/// # Errors
/// [`LinalgError`] when a decomposition fails.
pub fn join(
    group: &Group,
    runs: &[RunResult],
    atlases: &[Atlas],
    settings: &ConnectivitySettings,
    enough: &EnoughSettings,
    notice: &NoticeSettings,
) -> Result<Joined, LinalgError> {
    let done: Vec<&ScanRecord> =
        runs.iter().filter_map(|r| if let RunResult::Done(record) = r { Some(&**record) } else { None }).collect();
    let traces: Vec<RunTrace> = done.iter().map(|run| RunTrace::of(run)).collect();
    let copies = copies(&done, &traces, notice.same_r);
    let is_copy =
        |id: &ScanId| copies.iter().any(|(copy, remark)| copy == id && remark.noticed == Some(Noticed::SameImage));
    let contributing: Vec<&ScanRecord> =
        done.iter().copied().filter(|run| run.contributes() && !is_copy(&run.id)).collect();
    let mut row = joined_row(group, runs, &done, &contributing);
    row.warnings.extend(copies.into_iter().map(|(_, remark)| remark));
    let mut matrices = Vec::new();
    for (a, atlas) in atlases.iter().enumerate() {
        let used = used_in_all(&contributing, a, atlas.parcels.len());
        let parcels_used = used.iter().filter(|u| **u).count();
        row.parcels_used += parcels_used;
        row.parcels += used.len();
        row.atlases.push(AtlasCount { name: atlas.name.clone(), parcels_used, parcels: used.len() });
        if contributing.is_empty() {
            continue;
        }
        let series: Vec<UsedSeries<'_>> = contributing.iter().filter_map(|run| columns_used(run, a, &used)).collect();
        let parts: Vec<RunPart<'_>> = series.iter().map(UsedSeries::part).collect();
        if settings.measures.contains(&Measure::Covariance) {
            row.warnings.extend(contributing.iter().filter_map(|run| without_percent(run, a, atlas)));
        }
        for &measure in &settings.measures {
            let mut found = connectivity::of_runs(&parts, measure)?;
            found.matrix = spread(found.matrix.view(), &used);
            matrices.push(JoinedMatrix { atlas: a, measure, connectivity: found });
        }
    }
    row.verdict = if done.is_empty() { Verdict::Failed } else { verdict(&row, !contributing.is_empty(), enough) };
    let runs_joined = contributing.iter().map(|r| r.id.to_string()).collect();
    Ok(Joined { row, runs_joined, matrices, traces })
}

/// Runs of a child that are copies of earlier ones, and the words for it. A copied image is not joined: it would count
/// the same minutes twice. A copied motion table is told of, and the run is joined.
fn copies(done: &[&ScanRecord], traces: &[RunTrace], same_r: f64) -> Vec<(ScanId, Remark)> {
    let found = twins(&traces.iter().collect::<Vec<_>>(), same_r, Among::OneChild);
    let remark = |twin: Twins| {
        let (first, second) = (&done[twin.first].id, &done[twin.second].id);
        let what = if twin.what == Noticed::SameImage { "; the second is not joined" } else { "" };
        let text = format!("{first} and {second} {}{what}", twin.words());
        (second.clone(), Remark::about_data(text).noticing(twin.what))
    };
    found.into_iter().map(remark).collect()
}

fn joined_row(group: &Group, runs: &[RunResult], done: &[&ScanRecord], contributing: &[&ScanRecord]) -> ReportRow {
    let first_id = ScanId {
        participant: group.participant.clone(),
        session: group.session.clone(),
        task: None,
        run: group.only.as_ref().and_then(|id| id.run.clone()),
    };
    // A child of several runs names the run with each remark.
    let of_run = |id: &ScanId, remark: Remark| match runs {
        [_] => remark,
        _ => remark.reworded(|text| format!("{id}: {text}")),
    };
    let problems: Vec<Remark> = runs.iter().filter_map(|run| Some(of_run(run.id(), run.row().problem?))).collect();
    let problem = (!problems.is_empty()).then(|| Remark::joined(&problems));
    let mut row = ReportRow::failed(&first_id, problem);
    let seen = if contributing.is_empty() { done } else { contributing };
    let Some(first) = seen.first() else { return row };
    let motion = MotionSummary::of(
        &seen
            .iter()
            .map(|r| (r.fd_mm.view(), r.dvars_percent.view(), r.kept.as_slice(), r.motion_from))
            .collect::<Vec<_>>(),
    );
    let sum = |f: fn(&ReportRow) -> usize| seen.iter().map(|r| f(&r.row)).sum::<usize>();
    let total = |f: fn(&ReportRow) -> f64| seen.iter().map(|r| f(&r.row)).sum::<f64>();
    // Repetition times may differ between runs; then there is no single one to report.
    row.tr_s = if seen.iter().all(|r| r.row.tr_s == first.row.tr_s) { first.row.tr_s } else { f64::NAN };
    row.voxel_mm = first.row.voxel_mm.filter(|_| seen.iter().all(|r| r.row.voxel_mm == first.row.voxel_mm));
    let one_mask = seen.iter().all(|r| r.row.brain_mask_from == first.row.brain_mask_from);
    row.brain_mask_from = if one_mask { first.row.brain_mask_from.clone() } else { "both".to_owned() };
    row.frames = sum(|r| r.frames);
    row.minutes = total(|r| r.minutes);
    if !contributing.is_empty() {
        row.frames_kept = sum(|r| r.frames_kept);
        row.minutes_kept = total(|r| r.minutes_kept);
        row.dof = total(|r| r.dof);
        row.dof_white = total(|r| r.dof_white);
        row.dof_before_regression = total(|r| r.dof_before_regression);
    }
    row.kept_share = row.frames_kept as f64 / row.frames as f64;
    row.mean_fd_mm = motion.mean_fd_mm;
    row.mean_fd_span_mm =
        mean_fd_span(seen.iter().filter_map(|r| Some((r.fd_span_mm.as_ref()?.view(), r.motion_from))));
    row.mean_fd_kept_mm = motion.mean_fd_kept_mm;
    row.max_fd_mm = motion.max_fd_mm;
    row.median_dvars_percent = motion.median_dvars_percent;
    row.sphere_radius_mm = first.row.sphere_radius_mm;
    row.sphere_radius_from.clone_from(&first.row.sphere_radius_from);
    row.dropped = seen.iter().map(|r| &r.row.dropped).sum();
    row.longest_stretch_s = seen.iter().map(|r| r.row.longest_stretch_s).fold(f64::NAN, f64::max);
    let weighted = |f: fn(&ReportRow) -> f64| seen.iter().map(|r| r.row.frames as f64 * f(&r.row)).sum::<f64>();
    row.tsnr_median = weighted(|r| r.tsnr_median) / row.frames as f64;
    row.lag1_autocorrelation = weighted(|r| r.lag1_autocorrelation) / row.frames as f64;
    for run in seen {
        row.warnings.extend(run.row.warnings.iter().map(|warning| of_run(&run.id, warning.clone())));
    }
    row
}

impl RunResult {
    fn id(&self) -> &ScanId {
        match self {
            Self::Done(record) => &record.id,
            Self::Failed { id, .. } => id,
        }
    }
}

/// Parcels that every contributing run covers; none when no run contributes.
pub(crate) fn used_in_all(runs: &[&ScanRecord], atlas: usize, parcels: usize) -> Vec<bool> {
    (0..parcels).map(|p| !runs.is_empty() && runs.iter().all(|r| r.atlases[atlas].used[p])).collect()
}

/// A run's series of the parcels used in all runs.
pub(crate) struct UsedSeries<'a> {
    /// Kept frames × parcels.
    pub residuals: CowArray<'a, f64, Ix2>,
    /// Of each of these parcels ([`crate::record::AtlasRecord`]).
    pub mean_signal: Cow<'a, [f64]>,
}

impl UsedSeries<'_> {
    fn part(&self) -> RunPart<'_> {
        RunPart { residuals: self.residuals.view(), mean_signal: &self.mean_signal }
    }
}

/// A run's series of the parcels used in all runs; none where cleaning gave no series.
pub(crate) fn columns_used<'a>(run: &'a ScanRecord, atlas: usize, used: &[bool]) -> Option<UsedSeries<'a>> {
    let own = &run.atlases[atlas];
    let residuals = own.residuals.as_ref()?;
    if own.used == used {
        return Some(UsedSeries { residuals: residuals.into(), mean_signal: own.mean_signal.as_slice().into() });
    }
    let columns: Vec<usize> =
        (0..used.len()).filter(|&p| own.used[p]).enumerate().filter(|&(_, p)| used[p]).map(|(c, _)| c).collect();
    let mean_signal = columns.iter().map(|&c| own.mean_signal[c]).collect();
    Some(UsedSeries { residuals: residuals.select(Axis(1), &columns).into(), mean_signal })
}

/// Names of parcels that a remark has room for (own convention).
const MOST_NAMES: usize = 5;

/// Which parcels of a run have no percent, and what to do.
fn without_percent(run: &ScanRecord, at: usize, atlas: &Atlas) -> Option<Remark> {
    let own = &run.atlases[at];
    let used = atlas.parcels.iter().zip(&own.used).filter(|(_, used)| **used);
    let without: Vec<&str> =
        used.zip(&own.mean_signal).filter(|(_, mean)| mean.is_nan()).map(|((parcel, _), _)| &*parcel.name).collect();
    if without.is_empty() {
        return None;
    }
    let names = first_few(&without, MOST_NAMES);
    Some(Remark::about_data(format!(
        "{}: covariances are n/a for {} of {} parcels of atlas {} ({names}), because their mean signal is less than \
         {LEAST_SIGNAL_PER_SD} times its SD over time, so nothing can be given in percent of it; if the mean was taken \
         out of the image, give the image as it was before that, or use a measure of correlation",
        run.id,
        without.len(),
        own.mean_signal.len(),
        atlas.name,
    )))
}

/// A matrix over used parcels, spread over all; NaN elsewhere.
pub(crate) fn spread(matrix: ArrayView2<'_, f64>, used: &[bool]) -> Array2<f64> {
    let place: Vec<usize> = (0..used.len()).filter(|&p| used[p]).collect();
    let mut out = Array2::from_elem((used.len(), used.len()), f64::NAN);
    for ((i, j), &value) in matrix.indexed_iter() {
        out[[place[i], place[j]]] = value;
    }
    out
}
