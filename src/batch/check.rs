//! What `keepstill check` finds: every problem of every scan in one pass, and what a run will cost.

mod whole;

use rayon::prelude::*;
use serde::Serialize;

use super::alike::{Alike, in_common};
use super::folder::require_own_folder;
use super::forecast::{self, AtMost, Forecast, Forecasts, MOST_SCANS};
use crate::discover::{Cohort, Scan, ScanId};
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
    /// What is wrong apart from the scans, so that nothing can be run: atlases, the results folder.
    pub problems: Vec<String>,
    /// What is said where repetition times are unlike.
    pub unlike_tr: Option<String>,
    /// What is noticed about the study as a whole.
    pub notes: Vec<String>,
    /// Messages that many scans share; each scan has them too.
    pub shared: Vec<Alike>,
    /// Children who cannot have enough even if every frame is kept.
    pub at_most: Vec<AtMost>,
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
    /// What each problem and warning has in common with those of other scans.
    #[serde(skip)]
    problem_keys: Vec<String>,
    #[serde(skip)]
    warning_keys: Vec<String>,
    #[serde(skip)]
    estimate: Option<Estimate>,
    #[serde(skip)]
    forecasts: Forecasts,
}

impl Check {
    /// The problems and warnings of a scan that are not told once for many.
    #[must_use]
    pub fn own<'a>(&'a self, scan: &'a CheckedScan) -> (Vec<&'a str>, Vec<&'a str>) {
        let own = |texts: &'a [String], keys: &[String], problem: bool| -> Vec<&'a str> {
            let shared = |key: &String| self.shared.iter().any(|a| a.problem == problem && a.message == *key);
            texts.iter().zip(keys).filter(|(_, key)| !shared(key)).map(|(text, _)| text.as_str()).collect()
        };
        (own(&scan.problems, &scan.problem_keys, true), own(&scan.warnings, &scan.warning_keys, false))
    }
}

/// Reads every header and table; opens no image's voxels but those of atlases.
#[must_use]
pub fn check(study: &Study, cohort: &Cohort) -> Check {
    let (atlases, mut problems) = match Atlases::read(study) {
        Ok(atlases) => (Some(atlases), Vec::new()),
        Err(errors) => (None, errors.iter().map(|error| format!("parcels: {error}")).collect::<Vec<_>>()),
    };
    problems.extend(require_own_folder(study, cohort).err().map(|error| error.to_string()));
    let with_dof = cohort.scans.len() <= MOST_SCANS;
    let scans: Vec<CheckedScan> =
        cohort.scans.par_iter().map(|scan| check_scan(study, cohort, scan, atlases.as_ref(), with_dof)).collect();
    let runs: Vec<(&ScanId, Forecasts)> =
        cohort.scans.iter().zip(&scans).map(|(scan, checked)| (&scan.id, checked.forecasts)).collect();
    let estimates = || scans.iter().filter_map(|s| s.estimate);
    Check {
        unlike_tr: repetition_time::unlike(scans.iter().filter_map(|s| s.tr_s), study.motion.fd_span_s),
        minutes_of_data: scans.iter().map(|s| s.frames.unwrap_or(0) as f64 * s.tr_s.unwrap_or(0.0) / 60.0).sum(),
        core_seconds: estimates().map(|e| e.seconds).sum(),
        memory_bytes_per_scan: estimates().map(|e| e.memory_bytes).max().unwrap_or(0),
        memory_bytes_program: atlases.as_ref().map_or(0, memory::process_bytes),
        disk_bytes: estimates().map(|e| e.disk_bytes).sum(),
        forecast: forecast::of_children(study, &runs),
        at_most: forecast::at_most(study, &runs),
        problems,
        notes: whole::notes(study, cohort),
        shared: whole::shared(
            scans.iter().map(|scan| (scan.scan.as_str(), &scan.problem_keys[..], &scan.warning_keys[..])),
        ),
        scans,
    }
}

fn check_scan(study: &Study, cohort: &Cohort, scan: &Scan, atlases: Option<&Atlases>, with_dof: bool) -> CheckedScan {
    let child = cohort.children.of_scan(&scan.id);
    let found = prepare::prepare(scan, child.as_ref(), study).and_then(|prepared| {
        let size = nifti::check_gzip_size(&scan.bold, &prepared.header);
        size.map(|()| prepared).map_err(|error| vec![Remark::about_data(error)])
    });
    let keys = |texts: &[String]| texts.iter().map(|text| in_common(text, scan, str::to_owned)).collect();
    let name = scan.id.to_string();
    match found {
        Ok(prepared) => {
            let estimate = atlases.map(|atlases| estimate(&prepared, atlases, study));
            let forecasts = forecast::of_run(study, scan, &prepared, with_dof);
            let warnings = words(&prepared.warnings);
            CheckedScan {
                scan: name,
                frames: Some(prepared.header.frames),
                tr_s: Some(prepared.tr.0),
                shape: Some(prepared.header.shape),
                memory_bytes: estimate.map(|e| e.memory_bytes),
                frames_kept: forecasts.by_motion.map(|run| run.frames_kept),
                dof_white: forecasts.by_motion.and_then(|run| run.dof_white),
                problems: Vec::new(),
                problem_keys: Vec::new(),
                warning_keys: keys(&warnings),
                warnings,
                estimate,
                forecasts,
            }
        }
        Err(problems) => {
            let header = nifti::read_header(&scan.bold).ok();
            let problems = words(&problems);
            CheckedScan {
                scan: name,
                frames: header.as_ref().map(|h| h.frames),
                tr_s: None,
                shape: header.map(|h| h.shape),
                memory_bytes: None,
                frames_kept: None,
                dof_white: None,
                problem_keys: keys(&problems),
                problems,
                warnings: Vec::new(),
                warning_keys: Vec::new(),
                estimate: None,
                forecasts: Forecasts::default(),
            }
        }
    }
}

/// Whoever checks a study may know all of it.
fn words(remarks: &[Remark]) -> Vec<String> {
    texts(remarks).into_iter().map(str::to_owned).collect()
}
