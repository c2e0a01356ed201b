//! A run whose head motion is measured from its own images. Each volume is registered to a reference frame as it
//! streams by. It is handed on as it would be if the head had lain as in that frame.
//!
//! The file is read three times: once for the frame-to-frame differences that choose the reference frame ([`choose`]),
//! once as far as that frame, and once for everything that is summed ([`Moved`]). Keeping all frames would take much
//! memory, and unpacking takes little time beside registering.

use std::cell::RefCell;

use ndarray::{Array1, Array2};

use crate::censor::settling;
use crate::digest::{self, Digest, Volumes};
use crate::motion::realign::{Pose, Reference, Resampler, Tracker, Unaligned, choose_reference};
use crate::motion::{ImageMotion, MotionTrace};
use crate::nifti::{Header, NiftiError};

/// What registering found, one value per frame.
#[derive(Debug, Default)]
pub(super) struct Found {
    poses: Vec<Result<Pose, Unaligned>>,
    outside_share: Vec<f64>,
}

/// The reference frame: the steady frame with the median image difference, by a digest over the brain mask alone. None
/// when no frame differs measurably from the one before.
pub(super) fn choose(brain: &Digest) -> Option<usize> {
    let unsteady = settling::frames(brain.global_signal.view());
    let differences: Vec<f64> = brain.dvars_percent.to_vec();
    differences.iter().any(|d| d.is_finite()).then(|| choose_reference(&differences, unsteady)).flatten()
}

/// A run's volumes, each registered to the reference frame.
pub(super) struct Moved<'a> {
    inner: Box<dyn Volumes + 'a>,
    tracker: Tracker<'a>,
    /// Reads the brain's voxels at a frame's pose; none: volumes are handed on as they are.
    resampler: Option<Resampler>,
    /// Voxels of the brain mask, which come first among those asked for; the others are handed on as they lie.
    brain_voxels: usize,
    every: Vec<(usize, usize)>,
    values: Vec<f64>,
    frame: Vec<f32>,
    found: &'a RefCell<Found>,
}

impl<'a> Moved<'a> {
    /// Registers the volumes of `inner` to a reference; what is found goes to `found`, which is emptied first. With
    /// `realign`, the `brain`'s voxels, which are always asked for first, are read at each frame's pose.
    pub(super) fn new(
        inner: Box<dyn Volumes + 'a>,
        reference: &'a Reference,
        brain: &[bool],
        realign: bool,
        found: &'a RefCell<Found>,
    ) -> Self {
        *found.borrow_mut() = Found::default();
        let header = inner.header();
        let needed: Vec<u32> = (0_u32..).zip(brain).filter(|(_, inside)| **inside).map(|(voxel, _)| voxel).collect();
        // An affine that cannot be inverted has been refused with the reference.
        let resampler = Resampler::new(header.shape, header.affine, reference.pivot_mm(), &needed).filter(|_| realign);
        let every = vec![(0, header.voxels())];
        let values = vec![0.0; header.voxels()];
        let frame = vec![0.0; header.voxels()];
        Self {
            inner,
            tracker: Tracker::new(reference),
            resampler,
            brain_voxels: needed.len(),
            every,
            values,
            frame,
            found,
        }
    }
}

impl Volumes for Moved<'_> {
    fn header(&self) -> &Header {
        self.inner.header()
    }

    fn next_values(&mut self, runs: &[(usize, usize)], out: &mut [f64]) -> Result<bool, NiftiError> {
        if !self.inner.next_values(&self.every, &mut self.values)? {
            return Ok(false);
        }
        self.frame.iter_mut().zip(&self.values).for_each(|(f, &v)| *f = v as f32);
        let pose = self.tracker.align(&self.frame);
        let mut outside_share = f64::NAN;
        pick(runs, &self.values, out);
        // A frame without a pose is dropped; what stands in for it must only not kill its voxels.
        if let (Some(resampler), Ok(pose)) = (&self.resampler, &pose) {
            let outside = resampler.sample(&self.frame, pose, &mut out[..self.brain_voxels]);
            outside_share = outside as f64 / self.brain_voxels as f64;
        }
        let mut found = self.found.borrow_mut();
        found.poses.push(pose);
        found.outside_share.push(outside_share);
        Ok(true)
    }

    fn content_hash(&mut self) -> Result<String, NiftiError> {
        self.inner.content_hash()
    }
}

/// Values of a whole volume in runs, one after another.
fn pick(runs: &[(usize, usize)], values: &[f64], mut out: &mut [f64]) {
    for &(start, length) in runs {
        let (head, rest) = std::mem::take(&mut out).split_at_mut(length);
        head.copy_from_slice(&values[start..start + length]);
        out = rest;
    }
}

impl Found {
    /// What was found, as the later stages take it.
    pub(super) fn motion(self, reference_frame: usize, pivot_mm: [f64; 3]) -> ImageMotion {
        let poses: Vec<Option<Pose>> = self.poses.into_iter().map(Result::ok).collect();
        let part = |pick: fn(&Pose) -> [f64; 3]| {
            Array2::from_shape_fn((poses.len(), 3), |(i, k)| poses[i].as_ref().map_or(f64::NAN, |p| pick(p)[k]))
        };
        ImageMotion {
            trace: MotionTrace { translations_mm: part(|p| p.translation_mm), rotations_rad: part(|p| p.rotation_rad) },
            gains: poses.iter().map(|p| p.as_ref().map_or(f64::NAN, |p| p.gain)).collect(),
            reference_frame,
            pivot_mm,
            outside_share: Array1::from_vec(self.outside_share),
        }
    }
}

/// The mean of a run's first frames, one value per voxel, and one of its frames.
pub(super) fn mean_of_first(volumes: &mut dyn Volumes, most: usize) -> Result<Vec<f64>, NiftiError> {
    let voxels = volumes.header().voxels();
    let (mut sum, mut values, mut count) = (vec![0.0; voxels], vec![0.0; voxels], 0);
    while count < most && volumes.next_values(&[(0, voxels)], &mut values)? {
        sum.iter_mut().zip(&values).for_each(|(s, v)| *s += v);
        count += 1;
    }
    sum.iter_mut().for_each(|s| *s /= count as f64);
    Ok(sum)
}

/// One frame of a run, counted from 0.
pub(super) fn one_frame(volumes: &mut dyn Volumes, frame: usize) -> Result<Vec<f32>, NiftiError> {
    let voxels = volumes.header().voxels();
    let mut values = vec![0.0; voxels];
    for at in 0..=frame {
        // Frames before it are passed over undecoded.
        let runs: &[(usize, usize)] = if at == frame { &[(0, voxels)] } else { &[] };
        let places = if at == frame { &mut values[..] } else { &mut [] };
        volumes.next_values(runs, places)?;
    }
    Ok(values.into_iter().map(|v| v as f32).collect())
}

/// Frames whose mean a brain mask is made from: enough to be smooth, few enough to be read at once (own convention).
pub(super) const FIRST_FRAMES: usize = 10;

/// Which voxels of the brain mask alone are wanted: for choosing the reference frame.
pub(super) fn brain_only(brain: &[bool]) -> digest::Wanted<'_> {
    digest::Wanted { brain, tissues: Vec::new(), keep_tissue_voxels: false, atlases: Vec::new(), pictured: &[] }
}
