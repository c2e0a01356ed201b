//! A run's row of the report, from what was decided about it.

use std::collections::BTreeMap;

use ndarray::{Array1, Array2, s};

use super::notice::{self, Moved};
use super::run_motion::RunMotion;
use super::summary::{MotionSummary, mean_fd_span};
use super::verdict::verdict;
use crate::censor::FrameMask;
use crate::clean;
use crate::clean::dof::Dof;
use crate::digest::{self, Digest};
use crate::discover::ScanId;
use crate::linalg;
use crate::record::{AtlasCount, AtlasRecord, MotionFacts, ReportRow, Verdict};
use crate::remark::Remark;
use crate::study::settings::{EnoughSettings, NoticeSettings};
use crate::tables::figures;

/// All that a row is made from.
pub(super) struct Decided<'a> {
    pub id: &'a ScanId,
    pub tr_s: f64,
    /// As the image's header has them.
    pub voxel_mm: [f64; 3],
    /// Whether the brain mask is a file of the scan.
    pub mask_given: bool,
    pub digest: &'a Digest,
    pub motion: &'a RunMotion,
    pub facts: MotionFacts,
    /// FD from frame to frame in the form that censoring used, mm.
    pub fd_mm: &'a Array1<f64>,
    /// The same over the span of the settings, where they give one.
    pub fd_span_mm: Option<&'a Array1<f64>>,
    pub mask: &'a FrameMask,
    pub kept: &'a [bool],
    /// First frame after settling that has an FD.
    pub motion_from: usize,
    pub atlases: &'a [AtlasRecord],
    pub dof: Dof,
    pub warnings: Vec<Remark>,
    /// Content hashes of all inputs, by role.
    pub inputs: BTreeMap<String, String>,
}

/// The row, with its verdict.
pub(super) fn report_row(decided: Decided<'_>, enough: &EnoughSettings, settings: &NoticeSettings) -> ReportRow {
    let gives_series = decided.atlases.iter().all(|r| r.residuals.is_some());
    let moved = Moved {
        fd_mm: decided.fd_mm.slice(s![decided.motion_from..]),
        dvars_percent: decided.digest.dvars_percent.slice(s![decided.motion_from..]),
    };
    let mut row = figures_of(decided);
    let noticed = notice::of_run(&row, &moved, enough, settings);
    row.warnings.extend(noticed);
    if !gives_series {
        row.problem = Some(no_series(&row));
    }
    row.verdict = verdict(&row, gives_series, enough);
    row
}

/// The row's figures, before it is judged.
fn figures_of(decided: Decided<'_>) -> ReportRow {
    let Decided { id, tr_s, digest, motion, fd_mm, mask, kept, .. } = decided;
    let frames = digest.frames;
    let minutes = |n: usize| n as f64 * tr_s / 60.0;
    let atlases = counts(decided.atlases);
    let summary = MotionSummary::of(&[(fd_mm.view(), digest.dvars_percent.view(), kept, decided.motion_from)]);
    ReportRow {
        participant_id: format!("sub-{}", id.participant),
        session_id: id.session.as_ref().map(|s| format!("ses-{s}")),
        run_id: id.run.as_ref().map(|r| format!("run-{r}")),
        tr_s,
        // Sizes that come from an affine of 32-bit floats may read 2.9999998.
        voxel_mm: Some(decided.voxel_mm.map(|size| (100.0 * size).round() / 100.0)),
        brain_mask_from: if decided.mask_given { "file" } else { "image" }.to_owned(),
        frames,
        frames_kept: mask.frames_kept(),
        minutes: minutes(frames),
        minutes_kept: minutes(mask.frames_kept()),
        kept_share: mask.frames_kept() as f64 / frames as f64,
        mean_fd_mm: summary.mean_fd_mm,
        mean_fd_span_mm: mean_fd_span(decided.fd_span_mm.map(|fd| (fd.view(), decided.motion_from))),
        mean_fd_kept_mm: summary.mean_fd_kept_mm,
        max_fd_mm: summary.max_fd_mm,
        median_dvars_percent: summary.median_dvars_percent,
        sphere_radius_mm: motion.sphere.radius.0,
        sphere_radius_from: motion.sphere.from.clone(),
        dropped: mask.dropped(),
        longest_stretch_s: mask.longest_stretch() as f64 * tr_s,
        dof: decided.dof.own,
        dof_white: decided.dof.white,
        dof_before_regression: decided.dof.before_regression,
        parcels_used: atlases.iter().map(|c| c.parcels_used).sum(),
        parcels: atlases.iter().map(|c| c.parcels).sum(),
        tsnr_median: digest.tsnr_median,
        lag1_autocorrelation: lag1_autocorrelation(decided.atlases, kept),
        verdict: Verdict::Enough,
        problem: None,
        motion: Some(decided.facts),
        atlases,
        warnings: decided.warnings,
        inputs: decided.inputs,
    }
}

/// How many parcels of each atlas are used.
fn counts(atlases: &[AtlasRecord]) -> Vec<AtlasCount> {
    let count = |a: &AtlasRecord| AtlasCount {
        name: a.name.clone(),
        parcels_used: a.used.iter().filter(|u| **u).count(),
        parcels: a.used.len(),
    };
    atlases.iter().map(count).collect()
}

/// Why a run gives no series.
fn no_series(row: &ReportRow) -> Remark {
    Remark::about_data(format!(
        "no series: {} frames are kept and cleaning leaves {} degrees of freedom, but more than {} are needed",
        row.frames_kept,
        figures(row.dof.max(0.0), 1),
        clean::LEAST_DOF
    ))
}

/// Median over all atlases' used parcels of the lag-1 autocorrelation of the cleaned series; frames on both sides of a
/// gap are not neighbours.
fn lag1_autocorrelation(atlases: &[AtlasRecord], kept: &[bool]) -> f64 {
    let frames: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
    let of_columns = |residuals: &Array2<f64>| -> Vec<f64> {
        let columns = residuals.columns().into_iter();
        columns.map(|c| linalg::summary(&c.to_vec(), |t| frames[t + 1] == frames[t] + 1).lag1).collect()
    };
    let all = atlases.iter().filter_map(|a| a.residuals.as_ref()).flat_map(of_columns);
    digest::median(all.filter(|v| v.is_finite()).collect())
}
