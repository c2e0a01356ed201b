//! What `keepstill check` finds: every problem of every scan in one pass, and what a run will cost.

use rayon::prelude::*;
use serde::Serialize;

use super::forecast::{self, Forecast, MOST_SCANS, RunForecast};
use crate::discover::{Cohort, ScanId};
use crate::nifti;
use crate::pipeline::estimate::{Estimate, estimate};
use crate::pipeline::{Atlases, memory};
use crate::pipeline::{prepare, repetition_time};
use crate::remark::{Remark, texts};
use crate::study::Study;

/// All that a check found.
#[derive(Debug, Clone, Serialize)]
pub struct Check {
    pub scans: Vec<CheckedScan>,
    /// What is wrong apart from the scans: atlases.
    pub problems: Vec<String>,
    /// What is said where repetition times are unlike.
    pub unlike_tr: Option<String>,
    /// Sums and peaks over the scans without a problem.
    pub minutes_of_data: f64,
    /// Seconds of one core's work.
    pub core_seconds: f64,
    /// Largest memory of one scan, bytes; as many scans are held as there are jobs.
    pub memory_bytes_per_scan: u64,
    /// Memory of the program with its atlases, once per run, bytes.
    pub memory_bytes_program: u64,
    pub disk_bytes: u64,
    /// How many children will not have enough, as far as motion tables tell.
    pub forecast: Option<Forecast>,
}

/// One scan, as headers and tables show it.
#[derive(Debug, Clone, Serialize)]
pub struct CheckedScan {
    pub scan: String,
    pub frames: Option<usize>,
    pub tr_s: Option<f64>,
    pub shape: Option<[usize; 3]>,
    /// Predicted peak while this scan is worked on, bytes.
    pub memory_bytes: Option<u64>,
    /// Frames that displacement and watch log leave.
    pub frames_kept: Option<usize>,
    /// Degrees of freedom that cleaning leaves of these, if frames were independent.
    pub dof_white: Option<f64>,
    pub problems: Vec<String>,
    pub warnings: Vec<String>,
    #[serde(skip)]
    estimate: Option<Estimate>,
    #[serde(skip)]
    forecast: Option<RunForecast>,
}

/// Reads every header and table; opens no image's voxels but those of atlases.
#[must_use]
pub fn check(study: &Study, cohort: &Cohort) -> Check {
    let (atlases, problems) = match Atlases::read(study) {
        Ok(atlases) => (Some(atlases), Vec::new()),
        Err(errors) => (None, errors.iter().map(ToString::to_string).collect::<Vec<_>>()),
    };
    let with_dof = cohort.scans.len() <= MOST_SCANS;
    let scans: Vec<CheckedScan> = cohort
        .scans
        .par_iter()
        .map(|scan| {
            let child = cohort.children.of_scan(&scan.id);
            let name = scan.id.to_string();
            match prepare::prepare(scan, child.as_ref(), study) {
                Ok(prepared) => {
                    let estimate = atlases.as_ref().map(|atlases| estimate(&prepared, atlases, study));
                    let forecast = forecast::of_run(study, scan, &prepared, with_dof);
                    CheckedScan {
                        scan: name,
                        frames: Some(prepared.header.frames),
                        tr_s: Some(prepared.tr.0),
                        shape: Some(prepared.header.shape),
                        memory_bytes: estimate.map(|e| e.memory_bytes),
                        frames_kept: forecast.map(|run| run.frames_kept),
                        dof_white: forecast.and_then(|run| run.dof_white),
                        problems: Vec::new(),
                        warnings: words(&prepared.warnings),
                        estimate,
                        forecast,
                    }
                }
                Err(problems) => {
                    let header = nifti::read_header(&scan.bold).ok();
                    let frames = header.as_ref().map(|h| h.frames);
                    let shape = header.map(|h| h.shape);
                    CheckedScan {
                        scan: name,
                        frames,
                        tr_s: None,
                        shape,
                        memory_bytes: None,
                        frames_kept: None,
                        dof_white: None,
                        problems: words(&problems),
                        warnings: Vec::new(),
                        estimate: None,
                        forecast: None,
                    }
                }
            }
        })
        .collect();
    let runs: Vec<(&ScanId, RunForecast)> =
        cohort.scans.iter().zip(&scans).filter_map(|(scan, checked)| Some((&scan.id, checked.forecast?))).collect();
    let estimates = || scans.iter().filter_map(|s| s.estimate);
    Check {
        unlike_tr: repetition_time::unlike(scans.iter().filter_map(|s| s.tr_s), study.motion.fd_span_s),
        minutes_of_data: scans.iter().map(|s| s.frames.unwrap_or(0) as f64 * s.tr_s.unwrap_or(0.0) / 60.0).sum(),
        core_seconds: estimates().map(|e| e.seconds).sum(),
        memory_bytes_per_scan: estimates().map(|e| e.memory_bytes).max().unwrap_or(0),
        memory_bytes_program: atlases.as_ref().map_or(0, memory::process_bytes),
        disk_bytes: estimates().map(|e| e.disk_bytes).sum(),
        forecast: forecast::of_children(study, &runs),
        problems,
        scans,
    }
}

/// Whoever checks a study may know all of it.
fn words(remarks: &[Remark]) -> Vec<String> {
    texts(remarks).into_iter().map(str::to_owned).collect()
}
