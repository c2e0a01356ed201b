//! Head motion: six rigid-body parameters a frame, and framewise displacement (FD) from them.
//!
//! [`parameters`] reads a motion table into a [`MotionTrace`]; [`displacement`] turns a trace into millimetres a frame in
//! both forms; [`head_size`] gives the sphere's radius; [`watch_log`] reads what the person beside the child wrote down.

pub mod displacement;
pub mod head_size;
pub mod parameters;
pub mod realign;
pub mod watch_log;

use ndarray::{Array1, Array2, ArrayView1, ArrayView2};

/// Rigid-body head positions, one row a frame.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionTrace {
    /// Frames × 3, mm: x, y, z.
    pub translations_mm: Array2<f64>,
    /// Frames × 3, rad: about x, y, z.
    pub rotations_rad: Array2<f64>,
}

impl MotionTrace {
    /// Number of frames.
    #[must_use]
    pub fn frames(&self) -> usize {
        self.translations_mm.nrows()
    }

    /// The motion terms used as confounds, frames × `terms`, `terms` one of 0, 6, 12, 24: the six parameters (mm, rad);
    /// then their backward differences, 0 in frame 0; then the squares of those twelve. Satterthwaite et al. 2013,
    /// NeuroImage 64:240.
    #[must_use]
    pub fn terms(&self, terms: usize) -> Array2<f64> {
        let frames = self.frames();
        let parameter = |i: usize, j: usize| {
            if j < 3 { self.translations_mm[[i, j]] } else { self.rotations_rad[[i, j - 3]] }
        };
        Array2::from_shape_fn((frames, terms), |(i, column)| {
            let (base, square) = (column % 12, column >= 12);
            let value = if base < 6 {
                parameter(i, base)
            } else if i == 0 {
                0.0
            } else {
                parameter(i, base - 6) - parameter(i - 1, base - 6)
            };
            if square { value * value } else { value }
        })
    }
}

/// Framewise displacement in both forms, mm; NaN stands for "not available" (the first frame).
#[derive(Debug, Clone, PartialEq)]
pub struct FramewiseDisplacement {
    pub sum_mm: Array1<f64>,
    pub rms_mm: Array1<f64>,
}

impl FramewiseDisplacement {
    /// The form that a setting names.
    #[must_use]
    pub fn of(&self, form: crate::study::settings::Displacement) -> ArrayView1<'_, f64> {
        match form {
            crate::study::settings::Displacement::Sum => self.sum_mm.view(),
            crate::study::settings::Displacement::Rms => self.rms_mm.view(),
        }
    }
}

/// A row of a frames × 3 array.
pub(crate) fn row3(a: ArrayView2<'_, f64>, i: usize) -> [f64; 3] {
    [a[[i, 0]], a[[i, 1]], a[[i, 2]]]
}
