//! What a run will say of its children, as far as headers and tables tell: who keeps too few minutes, and who is left
//! with too few degrees of freedom.
//!
//! Frames are censored by displacement and watch log as in the run; DVARS needs the image and is left out. Degrees of
//! freedom are those of independent frames (`dof_white`, [`crate::clean::dof`]): the autocorrelation that makes `dof`
//! of it is in the image. So are the columns of tissues and of the global signal, and columns of noise stand in for
//! them. All of this keeps too much, so more children may fall short than are forecast.
//!
//! Headers alone tell who cannot have enough even if every frame is kept, wherever motion comes from.

use std::collections::BTreeMap;

use ndarray::{Array1, Array2, ArrayView2};
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

/// What is forecast of one run in two ways; each is none where it is not forecast.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Forecasts {
    /// With the frames that displacement and watch log leave.
    pub by_motion: Option<RunForecast>,
    /// With every frame after settling.
    pub at_most: Option<RunForecast>,
}

/// A child who cannot have enough even if every frame is kept.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct AtMost {
    /// Its stem, as of its files.
    pub child: String,
    /// Time acquired after settling, and `dof_white` of it; none where degrees of freedom are not forecast.
    pub minutes: f64,
    pub dof_white: Option<f64>,
}

/// Forecasts a run: by motion none where that comes from the images, or something else that decides about frames does.
pub(super) fn of_run(study: &Study, scan: &Scan, prepared: &Prepared, with_dof: bool) -> Forecasts {
    Forecasts {
        by_motion: by_motion(study, scan, prepared, with_dof),
        at_most: Some(at_most_of_run(study, prepared, with_dof)),
    }
}

fn by_motion(study: &Study, scan: &Scan, prepared: &Prepared, with_dof: bool) -> Option<RunForecast> {
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
        Some(dof_white(study, prepared, terms.view(), &kept, settling)?)
    } else {
        None
    };
    Some(RunForecast { frames_kept, minutes_kept: frames_kept as f64 * prepared.tr.0 / 60.0, dof_white })
}

fn at_most_of_run(study: &Study, prepared: &Prepared, with_dof: bool) -> RunForecast {
    let frames = prepared.header.frames;
    let settling = match study.censor.settling {
        Settling::Frames(settling) => settling.min(frames),
        Settling::Auto => 0,
    };
    let kept: Vec<bool> = (0..frames).map(|frame| frame >= settling).collect();
    let terms = noise(frames, study.clean.motion_terms);
    // No degrees of freedom are left where there is nothing to clean.
    let left = || dof_white(study, prepared, terms.view(), &kept, settling).unwrap_or(0.0);
    let frames_kept = frames - settling;
    let minutes_kept = frames_kept as f64 * prepared.tr.0 / 60.0;
    RunForecast { frames_kept, minutes_kept, dof_white: with_dof.then(left) }
}

/// Degrees of freedom of independent frames; none where cleaning cannot be done.
fn dof_white(
    study: &Study,
    prepared: &Prepared,
    terms: ArrayView2<'_, f64>,
    kept: &[bool],
    settling: usize,
) -> Option<f64> {
    let frames = prepared.header.frames;
    let unknown = noise(frames, unknown_columns(study));
    let columns = confounds::side_by_side(&[terms, unknown.view(), prepared.confounds.view()], frames, settling);
    let cleaner = Cleaner::new(columns.view(), &kept[settling.min(frames)..], prepared.tr, &study.clean).ok()?;
    Some(cleaner.degrees_of_freedom(&[]).ok()?.white)
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

/// Runs put together as they are joined.
fn joined(
    study: &Study,
    runs: &[(&ScanId, Forecasts)],
    of: fn(&Forecasts) -> Option<RunForecast>,
) -> BTreeMap<Group, Vec<RunForecast>> {
    let mut children: BTreeMap<Group, Vec<RunForecast>> = BTreeMap::new();
    for (id, forecasts) in runs {
        if let Some(run) = of(forecasts) {
            children.entry(Group::of(id, study.connectivity.join)).or_default().push(run);
        }
    }
    children
}

/// What a child's runs come to.
struct Sums {
    /// Whether some run gives series.
    any: bool,
    minutes: f64,
    dof: f64,
}

impl Sums {
    fn of(runs: &[RunForecast]) -> Self {
        // As in a run, one that gives no series adds nothing.
        let joined = || runs.iter().filter(|run| run.dof_white.is_none_or(|dof| dof > LEAST_DOF));
        let (minutes, dof): (f64, f64) = joined()
            .fold((0.0, 0.0), |(minutes, dof), run| (minutes + run.minutes_kept, dof + run.dof_white.unwrap_or(0.0)));
        Self { any: joined().next().is_some(), minutes, dof }
    }
}

/// How many children will fall short; none where nothing was forecast.
pub(super) fn of_children(study: &Study, runs: &[(&ScanId, Forecasts)]) -> Option<Forecast> {
    let children = joined(study, runs, |run| run.by_motion);
    if children.is_empty() {
        return None;
    }
    let with_dof = children.values().flatten().all(|run| run.dof_white.is_some());
    let mut forecast = Forecast { children: children.len(), too_short: 0, too_few_dof: with_dof.then_some(0) };
    for runs in children.values() {
        let sums = Sums::of(runs);
        // In the order of the verdicts.
        if !sums.any {
            forecast.too_few_dof = forecast.too_few_dof.map(|count| count + 1);
        } else if !long_enough(sums.minutes, study.enough.minutes) {
            forecast.too_short += 1;
        } else if sums.dof < study.enough.dof {
            forecast.too_few_dof = forecast.too_few_dof.map(|count| count + 1);
        }
    }
    Some(forecast)
}

/// The children who cannot have enough even if every frame is kept.
pub(super) fn at_most(study: &Study, runs: &[(&ScanId, Forecasts)]) -> Vec<AtMost> {
    let mut children = joined(study, runs, |run| run.at_most);
    // A run with a problem may have what is missing, once it is mended.
    for (id, _) in runs.iter().filter(|(_, run)| run.at_most.is_none()) {
        children.remove(&Group::of(id, study.connectivity.join));
    }
    let short = |(group, runs): (Group, Vec<RunForecast>)| {
        let sums = Sums::of(&runs);
        let with_dof = runs.iter().all(|run| run.dof_white.is_some());
        let enough =
            sums.any && long_enough(sums.minutes, study.enough.minutes) && (!with_dof || sums.dof >= study.enough.dof);
        let minutes = runs.iter().map(|run| run.minutes_kept).sum();
        let dof_white = with_dof.then(|| runs.iter().filter_map(|run| run.dof_white).sum());
        (!enough).then(|| AtMost { child: group.stem(), minutes, dof_white })
    };
    children.into_iter().filter_map(short).collect()
}
