//! A run's head motion under the settings: the trace, with breathing filtered out if that is asked for, the sphere,
//! displacement, and what other choices would have given.

use std::path::Path;

use ndarray::{Array1, Array2, ArrayView1, Axis, concatenate};

use super::error::ScanError;
use super::prepared::{HeadSphere, Prepared};
use crate::censor::settling;
use crate::motion::respiration::spectrum::spectrum;
use crate::motion::respiration::where_it_shows;
use crate::motion::{FramewiseDisplacement, ImageMotion, MotionTrace, displacement};
use crate::record::{MotionFacts, OtherRadius};
use crate::study::Study;
use crate::study::settings::{Axis as WorldAxis, MotionSource, RotationOrder, Settling, SphereRadius};
use crate::units::{Millimetres, Seconds};

/// The radius that most published limits are based on: Power et al. 2012, NeuroImage 59:2142.
pub const USUAL_RADIUS: Millimetres = Millimetres(50.0);
/// How positions measured from images are written: R = Rz·Ry·Rx (docs/methods.md).
const IMAGES_ORDER: RotationOrder = RotationOrder([WorldAxis::X, WorldAxis::Y, WorldAxis::Z]);
/// Radii closer to each other than this, mm, count as one: no head is measured so finely (own convention).
const SAME_RADIUS_MM: f64 = 0.05;

/// A run's head motion under the settings.
#[derive(Debug, Clone)]
pub struct RunMotion {
    /// As given or found; NaN for frames without a position.
    pub trace: MotionTrace,
    /// With breathing filtered out; none if that is not asked for.
    filtered: Option<MotionTrace>,
    /// Which frames have a position.
    pub aligned: Vec<bool>,
    pub sphere: HeadSphere,
    order: RotationOrder,
    tr: Seconds,
    /// Frames that displacement is measured over, where the settings give a span.
    span: Option<usize>,
    images: Option<ImageFacts>,
}

#[derive(Debug, Clone)]
struct ImageFacts {
    reference_frame: usize,
    pivot_mm: [f64; 3],
    outside_share: Array1<f64>,
}

impl RunMotion {
    /// From a scan's tables and its reading. `found` is motion measured from the images, and `mask_radius_mm` the
    /// radius of the brain mask.
    ///
    /// # Errors
    /// [`ScanError::Respiration`] when the trace cannot be filtered.
    pub fn of(
        path: &Path,
        study: &Study,
        prepared: &Prepared,
        found: Option<&ImageMotion>,
        mask_radius_mm: f64,
    ) -> Result<Self, ScanError> {
        let from_table = || prepared.trace.clone().unwrap_or_else(|| MotionTrace::unknown(prepared.header.frames));
        let trace = found.map_or_else(from_table, |found| found.trace.clone());
        let aligned = trace.aligned();
        let filtered = match &prepared.filter {
            Some(filter) => {
                let whole = filter.apply(&trace.bridged());
                Some(whole.map_err(|source| ScanError::Respiration { path: path.to_owned(), source })?.only(&aligned))
            }
            None => None,
        };
        let sphere = prepared.radius.clone().unwrap_or_else(|| from_mask(mask_radius_mm));
        let order = if found.is_some() { IMAGES_ORDER } else { study.motion.rotation_order };
        let images = found.map(|found| ImageFacts {
            reference_frame: found.reference_frame,
            pivot_mm: found.pivot_mm,
            outside_share: found.outside_share.clone(),
        });
        let tr = prepared.tr;
        let span = study.motion.fd_span_s;
        let span = (span > 0.0).then(|| Seconds(span).nearest_frames(tr));
        Ok(Self { trace, filtered, aligned, sphere, order, tr, span, images })
    }

    /// Displacement for a radius, with breathing filtered out if that is asked for.
    #[must_use]
    pub fn fd(&self, radius: Millimetres) -> FramewiseDisplacement {
        displacement::framewise(self.filtered.as_ref().unwrap_or(&self.trace), radius, self.order)
    }

    /// As [`Self::fd`], but over the span of the settings; none where they give none.
    #[must_use]
    pub fn fd_span(&self, radius: Millimetres) -> Option<FramewiseDisplacement> {
        let trace = self.filtered.as_ref().unwrap_or(&self.trace);
        self.span.map(|span| displacement::over_span(trace, radius, self.order, span))
    }

    /// The displacement that censoring uses: over the span, or else from frame to frame.
    #[must_use]
    pub fn fd_judged(&self, radius: Millimetres) -> FramewiseDisplacement {
        self.fd_span(radius).unwrap_or_else(|| self.fd(radius))
    }

    /// Displacement for a radius, breathing left in.
    #[must_use]
    pub fn fd_unfiltered(&self, radius: Millimetres) -> FramewiseDisplacement {
        displacement::framewise(&self.trace, radius, self.order)
    }

    /// For the report, and the spectrum of the parameters: frequencies × 7, or × 13 with a filter.
    #[must_use]
    pub fn facts(
        &self,
        study: &Study,
        prepared: &Prepared,
        mask_radius_mm: f64,
        fd_judged: &Array1<f64>,
        kept: &[bool],
        settling: usize,
    ) -> (MotionFacts, Array2<f64>) {
        let form = study.motion.displacement;
        let from = settling.max(1);
        let mean = |fd: ArrayView1<'_, f64>| mean_from(fd, from);
        let mut breathing = prepared.filter.as_ref().map(|filter| filter.sentences()).unwrap_or_default();
        if let (None, Some(band)) = (&prepared.filter, &prepared.breathing) {
            breathing.extend(where_it_shows(band, self.tr));
        }
        let limit = study.censor.fd_mm;
        let above = |mm: f64| limit > 0.0 && mm > limit;
        let mut others = Vec::new();
        let usual = HeadSphere { radius: USUAL_RADIUS, from: "50 mm, as most published limits".to_owned() };
        let choices = [Some(usual), prepared.radius_by_age.clone(), Some(from_mask(mask_radius_mm))];
        for HeadSphere { radius, from } in choices.into_iter().flatten() {
            if (radius.0 - self.sphere.radius.0).abs() < SAME_RADIUS_MM || !radius.0.is_finite() {
                continue;
            }
            let fd = self.fd_judged(radius).of(form).to_owned();
            let frames = |more: bool| -> Vec<usize> {
                let differs = |&i: &usize| above(fd[i]) != above(fd_judged[i]) && above(fd[i]) == more;
                (0..fd.len()).filter(differs).collect()
            };
            others.push(OtherRadius {
                from,
                radius_mm: radius.0,
                mean_fd_mm: mean(self.fd(radius).of(form)),
                frames_more: frames(true),
                frames_fewer: frames(false),
            });
        }
        let outside = self.images.as_ref().map(|images| {
            let kept = images.outside_share.iter().zip(kept).filter(|(_, kept)| **kept);
            kept.map(|(share, _)| *share).fold(0.0, f64::max)
        });
        let facts = MotionFacts {
            from: if self.images.is_some() { "images" } else { "table" }.to_owned(),
            reference_frame: self.images.as_ref().map(|images| images.reference_frame),
            pivot_mm: self.images.as_ref().map(|images| images.pivot_mm),
            realigned: study.motion.realign,
            largest_outside_share: outside.filter(|_| study.motion.realign),
            settling_frames: settling,
            breathing,
            breathing_band_hz: prepared.breathing.map(|band| band.folded(self.tr).edges_hz(self.tr)),
            mean_fd_unfiltered_mm: mean(self.fd_unfiltered(self.sphere.radius).of(form)),
            other_radii: others,
        };
        let before = spectrum(&self.trace.bridged(), self.tr);
        let frequencies = before.frequencies_hz.view().insert_axis(Axis(1));
        let both = match &self.filtered {
            Some(filtered) => {
                let after = spectrum(&filtered.bridged(), self.tr);
                concatenate![Axis(1), frequencies, before.power, after.power]
            }
            None => concatenate![Axis(1), frequencies, before.power],
        };
        (facts, both)
    }
}

impl MotionTrace {
    /// Frames of which nothing is known.
    fn unknown(frames: usize) -> Self {
        let nothing = Array2::from_elem((frames, 3), f64::NAN);
        Self { translations_mm: nothing.clone(), rotations_rad: nothing }
    }
}

fn from_mask(mask_radius_mm: f64) -> HeadSphere {
    let from = "mean distance from the brain mask's centroid to its surface".to_owned();
    HeadSphere { radius: Millimetres(mask_radius_mm), from }
}

/// Mean over the frames from a given one on that have a displacement.
fn mean_from(fd: ArrayView1<'_, f64>, from: usize) -> f64 {
    let (sum, count) = fd.iter().skip(from).filter(|v| v.is_finite()).fold((0.0, 0), |(s, n), v| (s + v, n + 1));
    sum / f64::from(count)
}

/// How many frames are cut from the start; `mask_mean` is the run's mean over the brain mask.
#[must_use]
pub fn settling_frames(study: &Study, mask_mean: ArrayView1<'_, f64>) -> usize {
    match study.censor.settling {
        Settling::Auto => settling::frames(mask_mean),
        Settling::Frames(frames) => frames.min(mask_mean.len()),
    }
}

/// Whether a study's displacement and censoring need something that only a reading of the images gives.
#[must_use]
pub fn needs_a_reading(study: &Study) -> bool {
    study.motion.from == MotionSource::Images
        || study.motion.sphere_radius == SphereRadius::FromMask
        || study.censor.settling == Settling::Auto
}
