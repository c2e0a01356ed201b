//! The only module that knows the order of the stages: one scan in, one [`Outcome`] out.
//!
//! [`prepare::prepare`] reads headers and tables and lists every problem; [`process`] then reads the image once and
//! decides. `keepstill check` stops after the first half.

mod ahead;
pub mod joined;
pub mod memory;
mod moved;
pub mod prepare;
pub mod run_motion;

use std::cell::RefCell;
use std::path::Path;
use std::sync::{Arc, Mutex};

use ndarray::{Array1, Array2, Axis, ShapeBuilder, s};

use crate::atlas::{self, Atlas, AtlasError, Grid, GriddedAtlas};
use crate::brain_mask::{self, BrainMaskError};
use crate::censor::{self, FrameMask};
use crate::clean::{self, CleanError, components, confounds};
use crate::digest::{self, AtlasDigest, Digest, DigestError, Open, Volumes, Wanted};
use crate::discover::{Child, Scan};
use crate::linalg::{self, LinalgError};
use crate::motion::realign::{RealignError, Reference};
use crate::motion::respiration::RespirationError;
use crate::motion::sphere::{self, SphereError};
use crate::motion::{FramewiseDisplacement, ImageMotion, MotionTrace};
use crate::nifti::{self, NiftiError, VolumeStream};
use crate::picture;
use crate::record::digests::ScanReading;
use crate::record::{AtlasCount, AtlasRecord, RecordError, ReportRow, ScanRecord, Verdict};
use crate::study::Study;
use crate::study::settings::{CensorSettings, EnoughSettings, MotionSource, Tissue};
use crate::tables::figures;
use prepare::Prepared;
use run_motion::{RunMotion, USUAL_RADIUS, settling_frames};

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
    #[error("{}: {source}", path.display())]
    BrainMask { path: std::path::PathBuf, source: BrainMaskError },
    #[error("{}: {source}", path.display())]
    Sphere { path: std::path::PathBuf, source: SphereError },
    #[error("{}: head motion cannot be measured from the images: {source}", path.display())]
    Realign { path: std::path::PathBuf, source: RealignError },
    #[error(
        "{}: head motion cannot be measured from the images: the mean image's median inside the brain mask is not above 0, so the image shows no head to follow (is the mean already removed?); use motion.from = \"table\", or the run before its mean was removed",
        path.display()
    )]
    NoReference { path: std::path::PathBuf },
    #[error("{}: {source}", path.display())]
    Respiration { path: std::path::PathBuf, source: RespirationError },
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
    /// Head positions as they were given or found, breathing left in; NaN for frames without one.
    pub trace: MotionTrace,
    /// How they were found, when from the images.
    pub image_motion: Option<ImageMotion>,
    pub fd: FramewiseDisplacement,
    /// FD in the form that censoring uses, before breathing was filtered out, mm.
    pub fd_unfiltered_mm: Array1<f64>,
    /// The same as `fd` in that form, with a radius of 50 mm.
    pub fd_radius_50_mm: Array1<f64>,
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
    fn find(&self, prepared: &Prepared) -> Option<ScanReading>;
    /// The image is about to be opened, and how; waits until there is memory for it.
    ///
    /// # Errors
    /// [`ScanError::TooBig`], or a stop while waiting.
    fn opening(&self, prepared: &Prepared) -> Result<Reading, ScanError>;
    /// Keeps a digest that was just made.
    ///
    /// # Errors
    /// When it cannot be written.
    fn keep(&self, prepared: &Prepared, reading: &ScanReading) -> Result<(), RecordError>;
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
    let reading = match store.find(&prepared) {
        Some(reading) => reading,
        None => {
            let how = store.opening(&prepared)?;
            let reading = read(scan, study, atlases, &prepared, how, on_frame)?;
            store.keep(&prepared, &reading)?;
            reading
        }
    };
    for (tissue, path) in prepared.tissues_needed() {
        if reading.digest.tissues.iter().all(|t| t.tissue != tissue || t.voxels == 0) {
            return Err(ScanError::NoTissue { path: path.to_owned(), tissue: tissue.key() });
        }
    }
    decide(scan, study, atlases, prepared, reading)
}

/// The one costly step: masks and atlases on the scan's grid, then the image.
fn read(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: &Prepared,
    how: Reading,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<ScanReading, ScanError> {
    let open = |path: &Path| -> Result<Box<dyn Volumes>, NiftiError> {
        Ok(match how {
            Reading::InTurn => Box::new(VolumeStream::open(path)?),
            // Without a thread the same volumes come in turn.
            Reading::Ahead => match ahead::Ahead::open(path)? {
                Some(volumes) => Box::new(volumes),
                None => Box::new(VolumeStream::open(path)?),
            },
        })
    };
    let grid = Grid { shape: prepared.header.shape, affine: prepared.header.affine };
    let gridded = atlases.on(&grid);
    let (brain, mask_made) = match &prepared.brain_mask {
        Some(path) => (read_mask(path, &grid)?, None),
        None => {
            // In turn: only the first few volumes are wanted.
            let mut volumes = VolumeStream::open(&scan.bold).map_err(DigestError::from)?;
            let mean = moved::mean_of_first(&mut volumes, moved::FIRST_FRAMES).map_err(DigestError::from)?;
            let made = brain_mask::from_mean(&mean, grid.shape)
                .map_err(|source| ScanError::BrainMask { path: scan.bold.clone(), source })?;
            let sentence = made.sentence();
            (made.inside, Some(sentence))
        }
    };
    let size = sphere::of_mask(&brain, grid.shape, &grid.affine)
        .map_err(|source| ScanError::Sphere { path: scan.bold.clone(), source })?;
    for (atlas, source) in gridded.iter().zip(&atlases.list) {
        atlas.require_overlap(&source.name, &brain)?;
    }
    let tissue_masks: Vec<(Tissue, Vec<bool>)> = prepared
        .tissues
        .iter()
        .map(|mask| Ok((mask.tissue, read_mask(&mask.path, &grid)?)))
        .collect::<Result<_, AtlasError>>()?;
    let planes = picture::planes(&grid, &brain);
    let pictured = picture::voxels_of(&planes);
    let wanted = Wanted {
        brain: &brain,
        tissues: tissue_masks.iter().map(|(tissue, mask)| (*tissue, mask.as_slice())).collect(),
        keep_tissue_voxels: study.clean.tissue_components > 0,
        atlases: gridded.iter().collect(),
        pictured: &pictured,
    };
    let (mut digest, motion) = match study.motion.from {
        MotionSource::Table => (digest::read_from(&open, &scan.bold, &wanted, on_frame)?, None),
        MotionSource::Images => {
            let (digest, motion) = read_moved(scan, &wanted, &grid, study.motion.realign, &open, on_frame)?;
            (digest, Some(motion))
        }
    };
    let picture = picture::slices(&planes, &std::mem::take(&mut digest.pictured), &brain, &gridded);
    Ok(ScanReading { digest, motion, mask_radius_mm: size.radius.0, mask_made, picture })
}

/// Reads a run whose head motion is measured from its own images.
fn read_moved(
    scan: &Scan,
    wanted: &Wanted<'_>,
    grid: &Grid,
    realign: bool,
    open: Open<'_>,
    on_frame: &dyn Fn(usize) -> bool,
) -> Result<(Digest, ImageMotion), ScanError> {
    let path = scan.bold.as_path();
    // Nothing is told of frames that are only looked at, but a stop is heeded.
    let look = |_: usize| on_frame(0);
    let first = digest::read_from(open, path, &moved::brain_only(wanted.brain), &look)?;
    let reference_frame = moved::choose(&first).ok_or_else(|| ScanError::NoReference { path: path.to_owned() })?;
    let mut volumes = VolumeStream::open(path).map_err(DigestError::from)?;
    let volume = moved::one_frame(&mut volumes, reference_frame).map_err(DigestError::from)?;
    let reference = Reference::new(&volume, grid.shape, grid.affine, wanted.brain)
        .map_err(|source| ScanError::Realign { path: path.to_owned(), source })?;
    drop(volume);
    let found = RefCell::new(moved::Found::default());
    let open_moved = |path: &Path| -> Result<Box<dyn Volumes + '_>, NiftiError> {
        Ok(Box::new(moved::Moved::new(open(path)?, &reference, wanted.brain, realign, &found)))
    };
    let digest = digest::read_from(&open_moved, path, wanted, on_frame)?;
    let motion = found.take().motion(reference_frame, reference.pivot_mm());
    Ok((digest, motion))
}

/// Everything after the reading: cheap, and open to other settings at will.
fn decide(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: Prepared,
    reading: ScanReading,
) -> Result<Outcome, ScanError> {
    let ScanReading { digest, motion: image_motion, mask_radius_mm, mask_made, picture } = reading;
    let dvars_have_a_meaning = digest.median_of_mean_image > 0.0;
    if study.censor.dvars_percent > 0.0 && !dvars_have_a_meaning {
        return Err(ScanError::NoDvars { path: scan.bold.clone(), median: digest.median_of_mean_image });
    }
    let frames = digest.frames;
    let motion = RunMotion::of(&scan.bold, study, &prepared, image_motion.as_ref(), mask_radius_mm)?;
    let fd = motion.fd(motion.sphere.radius);
    let fd_used = fd.of(study.motion.displacement).to_owned();
    let settling = settling_frames(study, digest.global_signal.view());
    let dvars = digest.dvars_percent.view();
    let mask = censor::censor(fd_used.view(), dvars, &motion.aligned, &prepared.logged, settling, &study.censor);
    let kept = mask.kept();
    let at_limit = |limit: &Option<f64>| {
        let settings = CensorSettings { fd_mm: limit.unwrap_or(0.0), ..study.censor.clone() };
        censor::censor(fd_used.view(), dvars, &motion.aligned, &prepared.logged, settling, &settings).frames_kept()
    };
    let kept_at_limits = censor::usual_limits(&study.censor).iter().map(at_limit).collect();
    let kept_after = &kept[settling..];

    let confounds = gather_confounds(study, &motion, &prepared, &digest, kept_after, settling)?;
    let unaligned = motion.aligned.iter().filter(|aligned| !**aligned).count();
    let (facts, spectrum) = motion.facts(study, &prepared, mask_radius_mm, &fd_used, &kept, settling);
    let mut warnings = prepared.warnings;
    warnings.extend(mask_made);
    if 2 * unaligned > frames {
        warnings.push(format!(
            "{unaligned} of {frames} frames could not be aligned with frame {} (counted from 0); look whether the image shows a head throughout",
            facts.reference_frame.unwrap_or(0)
        ));
    }
    if digest.read_twice {
        warnings.push("some voxels stop being finite after the first frame; they were left out".to_owned());
    }

    let mut records = Vec::new();
    let mut dof = f64::NAN;
    for (atlas, signal) in atlases.list.iter().zip(&digest.atlases) {
        let used: Vec<bool> = signal.coverage.iter().map(|&c| c > 0.0 && c >= atlas.least_coverage).collect();
        let columns: Vec<usize> = (0..used.len()).filter(|&p| used[p]).collect();
        let means = signal.means.slice(s![settling.., ..]);
        let mut data = Array2::zeros((means.nrows(), columns.len()).f());
        for (mut to, &column) in data.columns_mut().into_iter().zip(&columns) {
            to.assign(&means.column(column));
        }
        let cleaned = clean::clean(data.view(), confounds.view(), kept_after, prepared.tr, &study.clean)?;
        dof = cleaned.dof;
        let residuals = (cleaned.dof > clean::LEAST_DOF).then_some(cleaned.residuals);
        let raw = signal.means.select(Axis(1), &columns);
        records.push(AtlasRecord {
            name: atlas.name.clone(),
            used,
            coverage: signal.coverage.clone(),
            voxels: signal.voxels.clone(),
            raw_shades: picture::shades(raw.view(), &kept),
            residuals,
        });
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
    let summary = MotionSummary::of(&[(fd_used.view(), digest.dvars_percent.view(), &kept, motion_from)]);
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
        mean_fd_mm: summary.mean_fd_mm,
        mean_fd_kept_mm: summary.mean_fd_kept_mm,
        max_fd_mm: summary.max_fd_mm,
        median_dvars_percent: summary.median_dvars_percent,
        sphere_radius_mm: motion.sphere.radius.0,
        sphere_radius_from: motion.sphere.from.clone(),
        dropped_settling: dropped[0],
        dropped_unaligned: dropped[1],
        dropped_moved: dropped[2],
        dropped_signal_jump: dropped[3],
        dropped_logged: dropped[4],
        dropped_beside_motion: dropped[5],
        dropped_short_stretch: dropped[6],
        longest_stretch_s: mask.longest_stretch() as f64 * tr_s,
        dof,
        parcels_used: counts.iter().map(|c| c.parcels_used).sum(),
        parcels: counts.iter().map(|c| c.parcels).sum(),
        tsnr_median: digest.tsnr_median,
        lag1_autocorrelation: lag1_autocorrelation(&records, &kept),
        verdict: Verdict::Enough,
        problem: None,
        motion: Some(facts),
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
        motion_spectrum: spectrum,
        global_signal: digest.global_signal.clone(),
        kept,
        first_reason,
        motion_from,
        atlases: records,
        log: prepared.log,
        kept_at_limits,
        picture,
    };
    Ok(Outcome {
        record,
        fd_unfiltered_mm: motion.fd_unfiltered(motion.sphere.radius).of(study.motion.displacement).to_owned(),
        fd_radius_50_mm: motion.fd(USUAL_RADIUS).of(study.motion.displacement).to_owned(),
        trace: motion.trace,
        image_motion,
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
    /// Means, largest and median over all frames of the runs together that have a value; NaN where there is none.
    #[must_use]
    pub fn of(runs: &[MotionOfRun<'_>]) -> Self {
        let (mut all, mut kept_fd, mut dvars) = (Vec::new(), Vec::new(), Vec::new());
        for (fd, dv, kept, from) in runs {
            for i in *from..fd.len() {
                if !fd[i].is_nan() {
                    all.push(fd[i]);
                    if kept[i] {
                        kept_fd.push(fd[i]);
                    }
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
    motion: &RunMotion,
    prepared: &Prepared,
    digest: &Digest,
    kept_after: &[bool],
    settling: usize,
) -> Result<Array2<f64>, ScanError> {
    let clean = &study.clean;
    // As given, breathing left in (methods.md, Cleaning).
    let mut blocks: Vec<Array2<f64>> = vec![motion.trace.bridged().terms(clean.motion_terms)];
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
