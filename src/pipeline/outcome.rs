//! What one scan gave.

use ndarray::Array1;

use crate::censor::FrameMask;
use crate::digest::AtlasDigest;
use crate::motion::{FramewiseDisplacement, ImageMotion, MotionTrace};
use crate::record::ScanRecord;

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
