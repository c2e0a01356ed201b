//! Everything after the reading. It is cheap, so that other settings can be tried as often as wanted.

use ndarray::{Array1, Array2, ArrayView2, Axis, ShapeBuilder, s};

use super::atlases::Atlases;
use super::error::ScanError;
use super::outcome::Outcome;
use super::prepared::Prepared;
use super::regressors;
use super::report_row::{Decided, report_row};
use super::run_motion::{RunMotion, USUAL_RADIUS, settling_frames};
use crate::atlas::Atlas;
use crate::censor::{self, FrameMask};
use crate::clean::dof::Dof;
use crate::clean::{self, Cleaner};
use crate::connectivity::percent;
use crate::digest::{AtlasDigest, Digest};
use crate::discover::Scan;
use crate::picture;
use crate::record::digests::ScanReading;
use crate::record::{AtlasRecord, ScanRecord};
use crate::remark::{Noticed, Remark};
use crate::study::Study;
use crate::study::settings::{CensorSettings, CleanSettings};
use crate::units::Seconds;

/// Which frames are kept, and with which limits others would be.
struct Censored {
    mask: FrameMask,
    kept: Vec<bool>,
    /// Leading frames whose signal has not settled.
    settling: usize,
    /// Frames that would be kept with each of [`censor::usual_limits`].
    kept_at_limits: Vec<usize>,
}

/// Decides about a scan that has been read: frames, confounds, cleaned series, row of the report.
pub(super) fn decide(
    scan: &Scan,
    study: &Study,
    atlases: &Atlases,
    prepared: Prepared,
    reading: ScanReading,
) -> Result<Outcome, ScanError> {
    let ScanReading { digest, motion: image_motion, mask_radius_mm, mask_made, picture } = reading;
    require_dvars(scan, study, &digest)?;
    let motion = RunMotion::of(&scan.bold, study, &prepared, image_motion.as_ref(), mask_radius_mm)?;
    let fd = motion.fd(motion.sphere.radius);
    let fd_mm = fd.of(study.motion.displacement).to_owned();
    let fd_span = motion.fd_span(motion.sphere.radius);
    let fd_span_mm = fd_span.map(|fd| fd.of(study.motion.displacement).to_owned());
    let fd_judged_mm = fd_span_mm.as_ref().unwrap_or(&fd_mm);
    let censored = censor_frames(study, &prepared, &digest, &motion, fd_judged_mm);
    let Censored { mask, kept, settling, kept_at_limits } = censored;

    let confounds = regressors::gather(study, &motion, &prepared, &digest, &kept[settling..], settling)?;
    let parcels = (atlases.list.as_slice(), digest.atlases.as_slice());
    let (records, dof) =
        clean_atlases(parcels, confounds.view(), (kept.as_slice(), settling), prepared.tr, &study.clean)?;

    let (facts, spectrum) = motion.facts(study, &prepared, mask_radius_mm, fd_judged_mm, &kept, settling);
    let mut warnings = prepared.warnings;
    warnings.extend(mask_made.map(|words| Remark::about_data(words).noticing(Noticed::MaskMade)));
    warnings.extend(doubts(&digest, &motion, facts.reference_frame));
    let mut inputs = prepared.inputs;
    inputs.insert("bold".to_owned(), digest.content.clone());
    // The first frame after settling has no earlier frame to have moved from.
    let motion_from = settling.max(1);
    let decided = Decided {
        id: &scan.id,
        tr_s: prepared.tr.0,
        voxel_mm: prepared.header.affine.voxel_sizes(),
        mask_given: prepared.brain_mask.is_some(),
        digest: &digest,
        motion: &motion,
        facts,
        fd_mm: &fd_mm,
        fd_span_mm: fd_span_mm.as_ref(),
        mask: &mask,
        kept: &kept,
        motion_from,
        atlases: &records,
        dof,
        warnings,
        inputs,
    };
    let row = report_row(decided, &study.enough, &study.notice);
    let record = ScanRecord {
        id: scan.id.clone(),
        row,
        fd_mm,
        fd_span_mm,
        dvars_percent: digest.dvars_percent,
        motion_spectrum: spectrum,
        global_signal: digest.global_signal.clone(),
        kept,
        first_reason: first_reasons(&mask),
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

/// DVARS in percent needs a mean image whose median is above 0.
fn require_dvars(scan: &Scan, study: &Study, digest: &Digest) -> Result<(), ScanError> {
    let have_a_meaning = digest.median_of_mean_image > 0.0;
    if study.censor.dvars_percent > 0.0 && !have_a_meaning {
        return Err(ScanError::NoDvars { path: scan.bold.clone(), median: digest.median_of_mean_image });
    }
    Ok(())
}

/// Which frames are kept, by these limits and by the usual ones.
fn censor_frames(
    study: &Study,
    prepared: &Prepared,
    digest: &Digest,
    motion: &RunMotion,
    fd_judged_mm: &Array1<f64>,
) -> Censored {
    let settling = settling_frames(study, digest.global_signal.view());
    let by = |settings: &CensorSettings| {
        let dvars = digest.dvars_percent.view();
        let (aligned, logged) = (&motion.aligned, &prepared.logged);
        censor::censor(fd_judged_mm.view(), dvars, aligned, logged, settling, prepared.tr, settings)
    };
    let at_limit =
        |limit: &Option<f64>| by(&CensorSettings { fd_mm: limit.unwrap_or(0.0), ..study.censor.clone() }).frames_kept();
    let mask = by(&study.censor);
    let kept_at_limits = censor::usual_limits(&study.censor).iter().map(at_limit).collect();
    Censored { kept: mask.kept(), mask, settling, kept_at_limits }
}

/// Cleans every atlas of a run; also gives the degrees of freedom that are left. `confounds` is frames after settling ×
/// columns, `kept` over all frames.
fn clean_atlases(
    (atlases, signals): (&[Atlas], &[AtlasDigest]),
    confounds: ArrayView2<'_, f64>,
    (kept, settling): (&[bool], usize),
    tr: Seconds,
    settings: &CleanSettings,
) -> Result<(Vec<AtlasRecord>, Dof), ScanError> {
    let cleaner = Cleaner::new(confounds, &kept[settling..], tr, settings)?;
    let chosen: Vec<ParcelsUsed> =
        atlases.iter().zip(signals).map(|(atlas, signal)| ParcelsUsed::new(atlas, signal, settling)).collect();
    let dof = cleaner.degrees_of_freedom(&chosen.iter().map(|parcels| parcels.data.view()).collect::<Vec<_>>())?;
    let gives_series = dof.own > clean::LEAST_DOF;
    let record = |((atlas, signal), parcels): ((&Atlas, &AtlasDigest), ParcelsUsed)| -> Result<_, ScanError> {
        let raw = signal.means.select(Axis(1), &parcels.columns);
        Ok(AtlasRecord {
            name: atlas.name.clone(),
            used: parcels.used,
            coverage: signal.coverage.clone(),
            voxels: signal.voxels.clone(),
            raw_shades: picture::shades(raw.view(), kept),
            mean_signal: percent::mean_signal(raw.view(), kept),
            residuals: if gives_series { Some(cleaner.residuals(parcels.data.view())?) } else { None },
        })
    };
    let records = atlases.iter().zip(signals).zip(chosen).map(record).collect::<Result<_, _>>()?;
    Ok((records, dof))
}

/// The parcels of one atlas that have enough coverage.
struct ParcelsUsed {
    /// By parcel.
    used: Vec<bool>,
    /// Which those are.
    columns: Vec<usize>,
    /// Their means, frames after settling × parcels used, one column after another in memory.
    data: Array2<f64>,
}

impl ParcelsUsed {
    fn new(atlas: &Atlas, signal: &AtlasDigest, settling: usize) -> Self {
        let used: Vec<bool> = signal.coverage.iter().map(|&c| c > 0.0 && c >= atlas.least_coverage).collect();
        let columns: Vec<usize> = (0..used.len()).filter(|&p| used[p]).collect();
        let means = signal.means.slice(s![settling.., ..]);
        let mut data = Array2::zeros((means.nrows(), columns.len()).f());
        for (mut to, &column) in data.columns_mut().into_iter().zip(&columns) {
            to.assign(&means.column(column));
        }
        Self { used, columns, data }
    }
}

/// What a reader of the report should look at.
fn doubts(digest: &Digest, motion: &RunMotion, reference_frame: Option<usize>) -> Vec<Remark> {
    let frames = digest.frames;
    let unaligned = motion.aligned.iter().filter(|aligned| !**aligned).count();
    let mut doubts = Vec::new();
    if 2 * unaligned > frames {
        doubts.push(Remark::about_data(format!(
            "{unaligned} of {frames} frames could not be aligned with frame {} (counted from 0); look whether the \
             image shows a head throughout",
            reference_frame.unwrap_or(0)
        )));
    }
    if digest.read_twice {
        let text = "some voxels stop being finite after the first frame; they were left out";
        doubts.push(Remark::about_data(text));
    }
    doubts
}

/// The first reason of each dropped frame, as its position plus 1; 0 for kept frames.
fn first_reasons(mask: &FrameMask) -> Vec<u8> {
    mask.reasons().iter().map(|r| r.first().map_or(0, |reason| *reason as u8 + 1)).collect()
}
