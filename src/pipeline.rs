//! The only module that knows the order of the stages: one scan in, one [`Outcome`] out.
//!
//! [`prepare::prepare`] reads headers and tables and lists every problem; [`process`] then reads the image once and
//! decides. `keepstill check` stops after the first half.

mod ahead;
pub mod joined;
pub mod memory;
pub mod prepare;

use std::path::Path;
use std::sync::{Arc, Mutex};

use ndarray::{Array1, Array2, Axis, s};

use crate::atlas::{self, Atlas, AtlasError, Grid, GriddedAtlas};
use crate::censor::{self, FrameMask};
use crate::clean::{self, CleanError, components, confounds};
use crate::digest::{self, AtlasDigest, Digest, DigestError, Wanted};
use crate::discover::{Child, Scan};
use crate::linalg::{self, LinalgError};
use crate::motion::{FramewiseDisplacement, MotionTrace, displacement};
use crate::nifti;
use crate::record::{AtlasCount, AtlasRecord, RecordError, ReportRow, ScanRecord, Verdict};
use crate::study::Study;
use crate::study::settings::{EnoughSettings, Tissue};
use crate::tables::figures;
use prepare::Prepared;

/// Why a scan has no result.
#[derive(Debug, thiserror::Error)]
pub enum ScanError {
    /// Everything that headers and tables showed to be wrong.
    #[error("{}", problems.join("; "))]
    Problems { problems: Vec<String> },
    #[error(transparent)]
    Atlas(#[from] AtlasError),
    #[error(transparent)]
    Digest(#[from] DigestError),
    #[error(transparent)]
    Record(#[from] RecordError),
    #[error(transparent)]
    Clean(#[from] CleanError),
    #[error(transparent)]
    Linalg(#[from] LinalgError),
    #[error(
        "{}: no voxel of the {tissue} mask is inside the brain mask and changes over time; give another mask, or take \"{tissue}\" out of [clean]",
        path.display()
    )]
    NoTissue { path: std::path::PathBuf, tissue: &'static str },
    #[error(
        "{}: the run ({shape}) needs about {needs_mib} MiB of memory beside the {program_mib} MiB of the program with its atlases, but {allowed_mib} MiB are allowed in all; give a larger --memory-gib, or run it on a machine with more memory free{more}",
        path.display()
    )]
    TooBig {
        path: std::path::PathBuf,
        shape: String,
        needs_mib: u64,
        program_mib: u64,
        allowed_mib: u64,
        /// What else helps.
        more: &'static str,
    },
    #[error(
        "{}: the mean image's median inside the brain mask is {median}, so DVARS in percent has no meaning (is the mean already removed?); set censor.dvars_percent = 0",
        path.display()
    )]
    NoDvars { path: std::path::PathBuf, median: f64 },
}

impl ScanError {
    /// Whether the scan was stopped rather than found wanting.
    #[must_use]
    pub fn is_stop(&self) -> bool {
        matches!(self, Self::Digest(DigestError::Stopped))
    }
}

/// The atlases of a study, and what they look like on the grids met so far.
#[derive(Debug)]
pub struct Atlases {
    pub list: Vec<Atlas>,
    grids: Mutex<Vec<(Grid, Arc<Vec<GriddedAtlas>>)>>,
}

impl Atlases {
    /// Reads every atlas of a study.
    ///
    /// # Errors
    /// All that is wrong with any of them.
    pub fn read(study: &Study) -> Result<Self, Vec<AtlasError>> {
        let (mut list, mut errors) = (Vec::new(), Vec::new());
        for settings in &study.parcels {
            match Atlas::read(settings) {
                Ok(atlas) => list.push(atlas),
                Err(error) => errors.push(error),
            }
        }
        if errors.is_empty() { Ok(Self { list, grids: Mutex::new(Vec::new()) }) } else { Err(errors) }
    }

    /// The atlases on a scan's grid; worked out once a grid.
    fn on(&self, grid: &Grid) -> Arc<Vec<GriddedAtlas>> {
        let known = |grids: &Vec<(Grid, Arc<Vec<GriddedAtlas>>)>| {
            grids.iter().find(|(g, _)| g == grid).map(|(_, atlases)| Arc::clone(atlases))
        };
        if let Some(atlases) = known(&self.grids.lock().unwrap_or_else(|e| e.into_inner())) {
            return atlases;
        }
        let made = Arc::new(self.list.iter().map(|atlas| atlas.on(grid)).collect::<Vec<_>>());
        let mut grids = self.grids.lock().unwrap_or_else(|e| e.into_inner());
        known(&grids).unwrap_or_else(|| {
            grids.push((*grid, Arc::clone(&made)));
            made
        })
    }
}

/// All that a scan gave: the record, and what only its own files need.
#[derive(Debug)]
pub struct Outcome {
    pub record: ScanRecord,
    pub trace: MotionTrace,
    pub fd: FramewiseDisplacement,
    pub global_signal: Array1<f64>,
    pub mask: FrameMask,
    /// By atlas: the raw parcels, with coverage.
    pub parcels: Vec<AtlasDigest>,
}

/// How an image is read; the digest is the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reading {
    /// Unpacking and sums take turns in one thread.
    InTurn,
    /// Unpacking runs ahead in a thread of its own.
    Ahead,
}

/// Where digests of earlier runs are found and new ones are kept.
pub trait DigestStore {
    /// The digest of a scan whose image, masks and atlases are as they were; none: the image must be read.
    fn find(&self, prepared: &Prepared) -> Option<Digest>;
    /// The image is about to be opened, and how; waits until there is memory for it.
    ///
    /// # Errors
    /// [`ScanError::TooBig`], or a stop while waiting.
    fn opening(&self, prepared: &Prepared) -> Result<Reading, ScanError>;
    /// Keeps a digest that was just made.
    ///
    /// # Errors
    /// When it cannot be written.
    fn keep(&self, prepared: &Prepared, digest: &Digest) -> Result<(), RecordError>;
}

/// Does one scan. `on_frame` is told how many frames have been read, and stops the scan by saying false.
///
/// # Errors
/// [`ScanError`], in words that name file, place and the next step.
pub fn process(
    scan: &Scan,
    child: Option<&Child>,
    study: &Study,
    atlases: &Atlases,
    store: &dyn DigestStore,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<Outcome, ScanError> {
    let prepared = prepare::prepare(scan, child, study).map_err(|problems| ScanError::Problems { problems })?;
    let digest = match store.find(&prepared) {
        Some(digest) => digest,
        None => {
            let reading = store.opening(&prepared)?;
            let digest = read(scan, study, atlases, &prepared, reading, on_frame)?;
            store.keep(&prepared, &digest)?;
            digest
        }
    };
    for (tissue, path) in prepared.tissues_needed() {
        if digest.tissues.iter().all(|t| t.tissue != tissue || t.voxels == 0) {
            return Err(ScanError::NoTissue { path: path.to_owned(), tissue: tissue.key() });
        }
    }
    decide(scan, study, atlases, prepared, digest)
}

/// The one costly step: masks and atlases on the scan's grid, then the image.
fn read(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: &Prepared,
    reading: Reading,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<Digest, ScanError> {
    let grid = Grid { shape: prepared.header.shape, affine: prepared.header.affine };
    let gridded = atlases.on(&grid);
    let brain = read_mask(&prepared.brain_mask, &grid)?;
    for (atlas, source) in gridded.iter().zip(&atlases.list) {
        atlas.require_overlap(&source.name, &brain)?;
    }
    let tissue_masks: Vec<(Tissue, Vec<bool>)> = prepared
        .tissues
        .iter()
        .map(|mask| Ok((mask.tissue, read_mask(&mask.path, &grid)?)))
        .collect::<Result<_, AtlasError>>()?;
    let wanted = Wanted {
        brain: &brain,
        tissues: tissue_masks.iter().map(|(tissue, mask)| (*tissue, mask.as_slice())).collect(),
        keep_tissue_voxels: study.clean.tissue_components > 0,
        atlases: gridded.iter().collect(),
    };
    Ok(match reading {
        Reading::InTurn => digest::read(&scan.bold, &wanted, on_frame)?,
        Reading::Ahead => {
            digest::read_from(&|path| Ok(Box::new(ahead::Ahead::open(path)?)), &scan.bold, &wanted, on_frame)?
        }
    })
}

/// Everything after the reading: cheap, and open to other settings at will.
fn decide(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: Prepared,
    digest: Digest,
) -> Result<Outcome, ScanError> {
    let dvars_have_a_meaning = digest.median_of_mean_image > 0.0;
    if study.censor.dvars_percent > 0.0 && !dvars_have_a_meaning {
        return Err(ScanError::NoDvars { path: scan.bold.clone(), median: digest.median_of_mean_image });
    }
    let frames = digest.frames;
    let fd = displacement::framewise(&prepared.trace, prepared.radius, study.motion.rotation_order);
    let fd_used = fd.of(study.motion.displacement).to_owned();
    let mask = censor::censor(fd_used.view(), digest.dvars_percent.view(), &prepared.logged, &study.censor);
    let kept = mask.kept();
    let settling = study.censor.settling.min(frames);
    let kept_after = &kept[settling..];

    let confounds = gather_confounds(study, &prepared, &digest, kept_after, settling)?;
    let mut warnings = prepared.warnings;
    if digest.read_twice {
        warnings.push("some voxels stop being finite after the first frame; they were left out".to_owned());
    }

    let mut records = Vec::new();
    let mut dof = f64::NAN;
    for (atlas, signal) in atlases.list.iter().zip(&digest.atlases) {
        let used: Vec<bool> = signal.coverage.iter().map(|&c| c > 0.0 && c >= atlas.min_coverage).collect();
        let columns: Vec<usize> = (0..used.len()).filter(|&p| used[p]).collect();
        let data = signal.means.slice(s![settling.., ..]).select(Axis(1), &columns);
        let cleaned = clean::clean(data.view(), confounds.view(), kept_after, prepared.tr, &study.clean)?;
        dof = cleaned.dof;
        let residuals = (cleaned.dof > clean::LEAST_DOF).then_some(cleaned.residuals);
        records.push(AtlasRecord { name: atlas.name.clone(), used, residuals });
    }

    let mut inputs = prepared.inputs;
    inputs.insert("bold".to_owned(), digest.content.clone());
    let motion_from = settling.max(1);
    let dropped = mask.dropped();
    let counts: Vec<AtlasCount> = records
        .iter()
        .map(|a| AtlasCount {
            name: a.name.clone(),
            parcels_used: a.used.iter().filter(|u| **u).count(),
            parcels: a.used.len(),
        })
        .collect();
    let tr_s = prepared.tr.0;
    let minutes = |n: usize| n as f64 * tr_s / 60.0;
    let motion = MotionSummary::of(&[(fd_used.view(), digest.dvars_percent.view(), &kept, motion_from)]);
    let mut row = ReportRow {
        participant_id: format!("sub-{}", scan.id.participant),
        session_id: scan.id.session.as_ref().map(|s| format!("ses-{s}")),
        run_id: scan.id.run.as_ref().map(|r| format!("run-{r}")),
        tr_s,
        frames,
        frames_kept: mask.frames_kept(),
        minutes: minutes(frames),
        minutes_kept: minutes(mask.frames_kept()),
        kept_share: mask.frames_kept() as f64 / frames as f64,
        mean_fd_mm: motion.mean_fd_mm,
        mean_fd_kept_mm: motion.mean_fd_kept_mm,
        max_fd_mm: motion.max_fd_mm,
        median_dvars_percent: motion.median_dvars_percent,
        head_radius_mm: prepared.radius.0,
        head_radius_from: prepared.radius_from,
        dropped_settling: dropped[0],
        dropped_moved: dropped[1],
        dropped_signal_jump: dropped[2],
        dropped_logged: dropped[3],
        dropped_beside_motion: dropped[4],
        dropped_short_stretch: dropped[5],
        longest_stretch_s: mask.longest_stretch() as f64 * tr_s,
        dof,
        parcels_used: counts.iter().map(|c| c.parcels_used).sum(),
        parcels: counts.iter().map(|c| c.parcels).sum(),
        tsnr_median: digest.tsnr_median,
        lag1_autocorrelation: lag1_autocorrelation(&records, &kept),
        verdict: Verdict::Enough,
        problem: None,
        atlases: counts,
        warnings,
        inputs,
    };
    let gives_series = records.iter().all(|r| r.residuals.is_some());
    if !gives_series {
        row.problem = Some(format!(
            "no series: {} frames are kept and cleaning leaves {} degrees of freedom, but more than {} are needed",
            row.frames_kept,
            figures(dof.max(0.0), 1),
            clean::LEAST_DOF
        ));
    }
    row.verdict = verdict(&row, gives_series, &study.enough);
    let first_reason = mask.reasons().iter().map(|r| r.first().map_or(0, |reason| *reason as u8 + 1)).collect();
    let record = ScanRecord {
        id: scan.id.clone(),
        row,
        fd_mm: fd_used,
        dvars_percent: digest.dvars_percent.clone(),
        kept,
        first_reason,
        motion_from,
        atlases: records,
    };
    Ok(Outcome {
        record,
        trace: prepared.trace,
        fd,
        global_signal: digest.global_signal,
        mask,
        parcels: digest.atlases,
    })
}

/// Median over all atlases' used parcels of the lag-1 autocorrelation of the cleaned series; frames on both sides of a gap
/// are not neighbours.
fn lag1_autocorrelation(atlases: &[AtlasRecord], kept: &[bool]) -> f64 {
    let frames: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
    let of_columns = |residuals: &Array2<f64>| -> Vec<f64> {
        let columns = residuals.columns().into_iter();
        columns.map(|c| linalg::summary(&c.to_vec(), |t| frames[t + 1] == frames[t] + 1).lag1).collect()
    };
    let all = atlases.iter().filter_map(|a| a.residuals.as_ref()).flat_map(of_columns);
    digest::median(all.filter(|v| v.is_finite()).collect())
}

/// The verdict on a row: whether its data are enough.
#[must_use]
pub fn verdict(row: &ReportRow, gives_series: bool, enough: &EnoughSettings) -> Verdict {
    let covered = |a: &AtlasCount| a.parcels_used as f64 >= enough.coverage * a.parcels as f64;
    if !gives_series {
        Verdict::TooFewDof
    } else if !long_enough(row.minutes_kept, enough.minutes) {
        Verdict::TooShort
    } else if row.dof < enough.dof {
        Verdict::TooFewDof
    } else if row.atlases.iter().any(|a| a.parcels_used == 0 || !covered(a)) {
        Verdict::PoorCoverage
    } else {
        Verdict::Enough
    }
}

/// Whether minutes kept reach a minimum; the slack is for the rounding of a sum of runs that is just enough.
#[must_use]
pub fn long_enough(minutes_kept: f64, least: f64) -> bool {
    minutes_kept >= least * (1.0 - 1e-9)
}

/// Motion numbers over one or several runs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MotionSummary {
    pub mean_fd_mm: f64,
    pub mean_fd_kept_mm: f64,
    pub max_fd_mm: f64,
    pub median_dvars_percent: f64,
}

/// A run's FD, DVARS, kept flags, and the frame from which motion counts.
pub type MotionOfRun<'a> = (ndarray::ArrayView1<'a, f64>, ndarray::ArrayView1<'a, f64>, &'a [bool], usize);

impl MotionSummary {
    /// Means, largest and median over all frames of the runs together; NaN where there is no frame.
    #[must_use]
    pub fn of(runs: &[MotionOfRun<'_>]) -> Self {
        let (mut all, mut kept_fd, mut dvars) = (Vec::new(), Vec::new(), Vec::new());
        for (fd, dv, kept, from) in runs {
            for i in *from..fd.len() {
                all.push(fd[i]);
                if kept[i] {
                    kept_fd.push(fd[i]);
                }
                if !dv[i].is_nan() {
                    dvars.push(dv[i]);
                }
            }
        }
        let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
        Self {
            mean_fd_mm: mean(&all),
            mean_fd_kept_mm: mean(&kept_fd),
            max_fd_mm: all.iter().copied().fold(f64::NAN, f64::max),
            median_dvars_percent: digest::median(dvars),
        }
    }
}

fn gather_confounds(
    study: &Study,
    prepared: &Prepared,
    digest: &Digest,
    kept_after: &[bool],
    settling: usize,
) -> Result<Array2<f64>, ScanError> {
    let clean = &study.clean;
    let motion = prepared.trace.terms(clean.motion_terms);
    let mut blocks: Vec<Array2<f64>> = vec![motion];
    let column = |v: &Array1<f64>| v.view().insert_axis(Axis(1)).to_owned();
    // In the digest's order, whatever the order in the study file.
    for signal in digest.tissues.iter().filter(|t| clean.tissue_means.contains(&t.tissue)) {
        blocks.push(column(&signal.mean));
    }
    if clean.global_signal {
        blocks.push(column(&digest.global_signal));
    }
    let needed = prepare::tissues_needed(study);
    let wanted = digest.tissues.iter().filter(|t| clean.tissue_components > 0 && needed.contains(&t.tissue));
    for series in wanted.filter_map(|t| t.series.as_ref()) {
        let after = series.slice(s![settling.., ..]);
        let found = components::tissue_components(after, kept_after, clean.detrend_degree, clean.tissue_components)?;
        let mut whole = Array2::zeros((digest.frames, found.ncols()));
        whole.slice_mut(s![settling.., ..]).assign(&found);
        blocks.push(whole);
    }
    blocks.push(prepared.confounds.clone());
    let views: Vec<_> = blocks.iter().map(|block| block.view()).collect();
    Ok(confounds::side_by_side(&views, digest.frames, settling))
}

/// Which voxels of a scan's grid are inside a mask.
fn read_mask(path: &Path, grid: &Grid) -> Result<Vec<bool>, AtlasError> {
    let image = nifti::read_3d(path)?;
    let inside: Vec<bool> = atlas::nearest_on(grid, &image).into_iter().map(|v| v > 0.0).collect();
    if inside.contains(&true) { Ok(inside) } else { Err(AtlasError::EmptyMask { path: path.to_owned() }) }
}
