//! What a run will say of its children, as far as headers and tables tell: who keeps too few minutes, and who is left
//! with too few degrees of freedom.
//!
//! Frames are censored by displacement and watch log as in the run; DVARS needs the image and is left out. Degrees of
//! freedom are those of independent frames (`dof_white`, [`crate::clean::dof`]): the autocorrelation that makes `dof`
//! of it is in the image. So are the columns of tissues and of the global signal, and columns of noise stand in for
//! them. All of this keeps too much, so more children may fall short than are forecast.

use std::collections::BTreeMap;

use ndarray::{Array1, Array2};
use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use serde::Serialize;

use crate::censor;
use crate::clean::{Cleaner, LEAST_DOF, confounds};
use crate::discover::{Scan, ScanId};
use crate::pipeline::joined::Group;
use crate::pipeline::long_enough;
use crate::pipeline::prepared::{Prepared, tissues_needed};
use crate::pipeline::run_motion::{self, RunMotion};
use crate::study::Study;
use crate::study::settings::{CensorSettings, Settling};

/// Degrees of freedom of so many scans take about as long as all the rest of a check (own convention); of larger
/// studies only minutes are forecast.
pub const MOST_SCANS: usize = 100;
/// Any seed: the noise only has to take as many degrees of freedom as what it stands for.
const SEED: u64 = 1;

/// What is forecast of one run.
#[derive(Debug, Clone, Copy)]
pub(super) struct RunForecast {
    pub frames_kept: usize,
    pub minutes_kept: f64,
    /// None: not forecast.
    pub dof_white: Option<f64>,
}

/// Children whose data will not be enough.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Forecast {
    /// Children (and sessions or runs, where these are not joined) with a scan that has no problem.
    pub children: usize,
    pub too_short: usize,
    /// None: degrees of freedom are not forecast.
    pub too_few_dof: Option<usize>,
}

/// Forecasts a run; none where motion comes from the images, or something else that decides about frames does.
pub(super) fn of_run(study: &Study, scan: &Scan, prepared: &Prepared, with_dof: bool) -> Option<RunForecast> {
    let Settling::Frames(settling) = study.censor.settling else { return None };
    if run_motion::needs_a_reading(study) {
        return None;
    }
    let motion = RunMotion::of(&scan.bold, study, prepared, None, f64::NAN).ok()?;
    let fd = motion.fd_judged(motion.sphere.radius);
    let frames = prepared.header.frames;
    let no_dvars = Array1::from_elem(frames, f64::NAN);
    let settings = CensorSettings { dvars_percent: 0.0, ..study.censor.clone() };
    let fd_mm = fd.of(study.motion.displacement);
    let (aligned, logged, tr) = (&motion.aligned, &prepared.logged, prepared.tr);
    let mask = censor::censor(fd_mm, no_dvars.view(), aligned, logged, settling, tr, &settings);
    let (kept, frames_kept) = (mask.kept(), mask.frames_kept());
    let dof_white = if with_dof {
        let terms = motion.trace.bridged().terms(study.clean.motion_terms);
        let unknown = noise(frames, unknown_columns(study));
        let blocks = [terms.view(), unknown.view(), prepared.confounds.view()];
        let columns = confounds::side_by_side(&blocks, frames, settling);
        let cleaner = Cleaner::new(columns.view(), &kept[settling.min(frames)..], prepared.tr, &study.clean).ok()?;
        Some(cleaner.degrees_of_freedom(&[]).ok()?.white)
    } else {
        None
    };
    Some(RunForecast { frames_kept, minutes_kept: frames_kept as f64 * prepared.tr.0 / 60.0, dof_white })
}

/// How many columns of a run's confounds only its image tells.
fn unknown_columns(study: &Study) -> usize {
    let clean = &study.clean;
    let components = clean.tissue_components * tissues_needed(study).len();
    clean.tissue_means.len() + usize::from(clean.global_signal) + components
}

fn noise(frames: usize, columns: usize) -> Array2<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(SEED);
    Array2::from_shape_simple_fn((frames, columns), || rng.random::<f64>() - 0.5)
}

/// Puts runs together as they are joined; none where nothing was forecast.
pub(super) fn of_children(study: &Study, runs: &[(&ScanId, RunForecast)]) -> Option<Forecast> {
    let mut children: BTreeMap<Group, Vec<RunForecast>> = BTreeMap::new();
    for (id, run) in runs {
        children.entry(Group::of(id, study.connectivity.join)).or_default().push(*run);
    }
    if children.is_empty() {
        return None;
    }
    let with_dof = runs.iter().all(|(_, run)| run.dof_white.is_some());
    let mut forecast = Forecast { children: children.len(), too_short: 0, too_few_dof: with_dof.then_some(0) };
    for runs in children.values() {
        // As in a run, one that gives no series adds nothing.
        let joined = || runs.iter().filter(|run| run.dof_white.is_none_or(|dof| dof > LEAST_DOF));
        let (minutes, dof): (f64, f64) = joined()
            .fold((0.0, 0.0), |(minutes, dof), run| (minutes + run.minutes_kept, dof + run.dof_white.unwrap_or(0.0)));
        // In the order of the verdicts.
        if joined().next().is_none() {
            forecast.too_few_dof = forecast.too_few_dof.map(|count| count + 1);
        } else if !long_enough(minutes, study.enough.minutes) {
            forecast.too_short += 1;
        } else if dof < study.enough.dof {
            forecast.too_few_dof = forecast.too_few_dof.map(|count| count + 1);
        }
    }
    Some(forecast)
}
