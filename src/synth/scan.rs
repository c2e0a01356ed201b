//! One run: what each voxel of each frame holds.
//!
//! A voxel of baseline b holds b·(1 + c(t)/100 + g·d(t)/100) + noise, in percent:
//!
//! - in parcel p: c = signal_p + k_p·(white(t) + csf(t)) − loss_p, k_p from 0.2 to 0.5;
//! - in white matter and in fluid: c = own slow fluctuation − the shared loss, which is what tissue regressors see;
//! - d(t): the scanner's drift, a slow curve; g: its strength at the voxel, which changes smoothly over the head;
//! - noise: white, with an SD of b ÷ tsnr.
//!
//! Images are as they come out of realignment and normalisation to one template: voxels do not shift between frames,
//! and motion shows as lost signal (see [`super::artefact`]). Breathing is in the motion table and not in the images.
//! (With `move_images` they are as the scanner saw them instead: [`super::moved`].) Each volume is made, written and
//! forgotten, so memory does not grow with the image.

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::artefact::Loss;
use super::error::SynthError;
use super::head::{Matter, VoxelGrid};
use super::signals::{BAND_HZ, Spectrum};
use super::truth::Truth;
use crate::nifti::ImageWriter;

/// SD of a parcel's signal, percent of the baseline: the size of resting fluctuations (common practice).
const SIGNAL_PERCENT: f64 = 1.0;
/// SD of the fluctuation in white matter and in fluid, percent.
const WHITE_PERCENT: f64 = 0.6;
const CSF_PERCENT: f64 = 1.5;
/// Largest drift over a run, percent.
const DRIFT_PERCENT: f64 = 1.5;
/// Baseline in scanner units: grey matter; the others relative to it (white darker, fluid brighter, as in T2* images).
const GREY_UNITS: f64 = 1000.0;
/// The scalp's baseline.
pub(super) const SCALP_UNITS: f64 = 250.0;
/// Scaling of the stored numbers: half a unit per step is well below the noise.
pub(super) const SLOPE: f64 = 0.5;
pub(super) const INTER: f64 = 10.0;

/// What each voxel of one child is, in storage order.
#[derive(Debug, Clone)]
pub struct Voxels {
    /// Brain mask, white matter and fluid, as masks are written: 0 or 1.
    pub brain: Vec<u8>,
    pub white: Vec<u8>,
    pub csf: Vec<u8>,
    /// Brain voxels and their class: 0..parcels for parcels, then unlabelled grey, white, fluid.
    pub(super) inside: Vec<(usize, usize)>,
    /// Scalp voxels.
    pub(super) scalp: Vec<usize>,
}

impl Voxels {
    /// Sorts a grid's voxels for a child.
    ///
    /// `shrink` is how much smaller than the template the child's brain mask is (0.97 to 1); slices below `floor_mm`
    /// were outside the field of view.
    #[must_use]
    pub fn of_child(grid: &VoxelGrid, template: &[Matter], own: &[Matter], labels: &[i16], floor_mm: f64) -> Self {
        let parcels = labels.iter().copied().max().unwrap_or(0) as usize;
        let n = grid.voxels();
        let mut voxels =
            Self { brain: vec![0; n], white: vec![0; n], csf: vec![0; n], inside: Vec::new(), scalp: Vec::new() };
        for v in 0..n {
            if grid.world_mm(v)[2] < floor_mm {
                continue;
            }
            if own[v].in_brain() && template[v].in_brain() {
                voxels.brain[v] = 1;
                let class = match template[v] {
                    Matter::White => {
                        voxels.white[v] = 1;
                        parcels + 1
                    }
                    Matter::Csf => {
                        voxels.csf[v] = 1;
                        parcels + 2
                    }
                    _ => match labels[v] {
                        0 => parcels,
                        label => label as usize - 1,
                    },
                };
                voxels.inside.push((v, class));
            } else if template[v] == Matter::Scalp {
                voxels.scalp.push(v);
            }
        }
        voxels
    }
}

/// The inputs of one run's images.
pub struct ScanPlan<'a> {
    pub grid: &'a VoxelGrid,
    pub voxels: &'a Voxels,
    pub truth: &'a Truth,
    pub loss: &'a Loss,
    pub frames: usize,
    pub tr_s: f64,
    pub tsnr: f64,
}

/// What a run's signals do over time, drawn before the first volume.
pub(super) struct Course {
    signals: Vec<Vec<f64>>,
    white: Vec<f64>,
    csf: Vec<f64>,
    /// k_p of each parcel.
    sharing: Vec<f64>,
    bend: f64,
}

impl ScanPlan<'_> {
    /// Draws the run and hands each volume to the writer.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn write(&self, out: &mut ImageWriter, rng: &mut ChaCha8Rng) -> Result<(), SynthError> {
        let course = self.course(rng);
        let still = self.still(self.grid, rng);
        let mut volume = vec![0i16; self.grid.voxels()];
        let mut percent = vec![0.0; self.truth.factor.size + 3];
        for frame in 0..self.frames {
            self.percent(&course, frame, &mut percent);
            let drift = self.drift(&course, frame);
            air(&mut volume, rng);
            for &v in &self.voxels.scalp {
                volume[v] = stored(SCALP_UNITS + 8.0 * rng.sample::<f64, _>(StandardNormal));
            }
            for (&(v, class), &(base, drifts)) in self.voxels.inside.iter().zip(&still) {
                let noise: f64 = rng.sample(StandardNormal);
                let value = base * (1.0 + (percent[class] + drifts * drift) / 100.0 + noise / self.tsnr);
                volume[v] = stored(value);
            }
            out.write_volume(&volume)?;
        }
        Ok(())
    }

    /// Draws what happens over time.
    pub(super) fn course(&self, rng: &mut ChaCha8Rng) -> Course {
        let parcels = self.truth.factor.size;
        let signals = Spectrum::new(self.frames, self.tr_s, BAND_HZ).draw_correlated(&self.truth.factor, rng);
        // Physiology reaches beyond the band of the signals.
        let body = Spectrum::new(self.frames, self.tr_s, [BAND_HZ[0], 2.0 * BAND_HZ[1]]);
        let white = body.draw(rng);
        let csf = body.draw(rng);
        let sharing = (0..parcels).map(|_| 0.2 + 0.3 * rng.random::<f64>()).collect();
        Course { signals, white, csf, sharing, bend: rng.sample(StandardNormal) }
    }

    /// Draws the baseline of each brain voxel, scanner units, and the strength of the drift there. `field` is the grid
    /// that the scanner records, over which the drift and the brightness change smoothly.
    pub(super) fn still(&self, field: &VoxelGrid, rng: &mut ChaCha8Rng) -> Vec<(f64, f64)> {
        let parcels = self.truth.factor.size;
        let tilt: [f64; 3] = std::array::from_fn(|_| 0.3 * rng.sample::<f64, _>(StandardNormal));
        let half_mm: [f64; 3] = std::array::from_fn(|a| field.voxel_mm[a] * field.shape[a] as f64 / 2.0);
        let voxels = self.voxels.inside.iter();
        voxels
            .map(|&(v, class)| {
                let at = self.grid.world_mm(v);
                let smooth: f64 = (0..3).map(|a| tilt[a] * at[a] / half_mm[a]).sum();
                let contrast = match class.checked_sub(parcels) {
                    Some(1) => 0.85,
                    Some(2) => 1.3,
                    _ => 1.0,
                };
                let grain = 1.0 + 0.04 * rng.sample::<f64, _>(StandardNormal).clamp(-3.0, 3.0);
                (GREY_UNITS * contrast * grain * (1.0 + 0.15 * smooth.clamp(-2.0, 2.0)), 1.0 + smooth)
            })
            .collect()
    }

    /// What each class of voxels has above its baseline in a frame, percent, without the drift.
    pub(super) fn percent(&self, course: &Course, frame: usize, percent: &mut [f64]) {
        let parcels = self.truth.factor.size;
        let shared_loss = self.loss.shared[frame];
        let (white, csf) = (course.white[frame], course.csf[frame]);
        for (p, value) in percent[..parcels].iter_mut().enumerate() {
            *value = SIGNAL_PERCENT * course.signals[frame][p] - self.loss.parcels[frame][p]
                + course.sharing[p] * (WHITE_PERCENT * white + CSF_PERCENT * csf);
        }
        percent[parcels] = -shared_loss;
        percent[parcels + 1] = WHITE_PERCENT * white - shared_loss;
        percent[parcels + 2] = CSF_PERCENT * csf - shared_loss;
    }

    /// The scanner's drift in a frame, percent, where its strength is 1.
    pub(super) fn drift(&self, course: &Course, frame: usize) -> f64 {
        let u = 2.0 * (frame as f64 + 0.5) / self.frames as f64 - 1.0;
        DRIFT_PERCENT * (u + 0.3 * course.bend * (u * u - 1.0 / 3.0)) / 2.0
    }
}

/// Fills a volume with the faint noise of air: three random bits per voxel, cheap to draw and to compress.
pub(super) fn air(volume: &mut [i16], rng: &mut ChaCha8Rng) {
    for chunk in volume.chunks_mut(20) {
        let bits: u64 = rng.random();
        for (n, voxel) in chunk.iter_mut().enumerate() {
            *voxel = (bits >> (3 * n) & 7) as i16;
        }
    }
}

/// The stored number of a value; a signal that falls below 0 stays at 0.
fn stored(value: f64) -> i16 {
    ((value.max(0.0) - INTER) / SLOPE).round() as i16
}
