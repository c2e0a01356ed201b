//! Head motion: six rigid-body parameters per frame, and framewise displacement (FD) from them.
//!
//! [`parameters`] reads a motion table into a [`MotionTrace`]; [`displacement`] turns a trace into millimetres per
//! frame in both forms (columns `fd_sum_mm`, `fd_rms_mm`); [`sphere`] gives the sphere's radius; [`respiration`] takes
//! breathing out of a trace; [`watch_log`] reads the observer's log.

pub mod displacement;
pub mod parameters;
pub mod realign;
pub mod respiration;
pub mod sphere;
pub mod watch_log;

use ndarray::{Array1, Array2, ArrayView1, ArrayView2};

/// Rigid-body head positions, one row per frame.
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

    /// Which frames have a position: all frames of a motion table, and the aligned frames where motion is measured from
    /// images.
    #[must_use]
    pub fn aligned(&self) -> Vec<bool> {
        (0..self.frames()).map(|i| self.translations_mm[[i, 0]].is_finite()).collect()
    }

    /// The trace with stand-ins where there is no position: linear between the nearest frames that have one, and the
    /// nearest one's at the ends. Filters and confounds need them. Such frames are dropped, and no displacement is
    /// computed from them.
    #[must_use]
    pub fn bridged(&self) -> Self {
        let aligned = self.aligned();
        let gaps = crate::stretches::stretches(&aligned.iter().map(|a| !a).collect::<Vec<_>>());
        let mut whole = self.clone();
        for values in [&mut whole.translations_mm, &mut whole.rotations_rad] {
            for mut column in values.columns_mut() {
                for &(start, end) in &gaps {
                    let before = start.checked_sub(1).map(|i| column[i]);
                    let after = (end < aligned.len()).then(|| column[end]);
                    for i in start..end {
                        let share = (i + 1 - start) as f64 / (end + 1 - start) as f64;
                        column[i] = match (before, after) {
                            (Some(before), Some(after)) => before + share * (after - before),
                            (Some(only), None) | (None, Some(only)) => only,
                            (None, None) => 0.0,
                        };
                    }
                }
            }
        }
        whole
    }

    /// The trace without the positions of frames that are not `aligned`.
    ///
    /// # Panics
    /// When there is not one flag per frame.
    #[must_use]
    pub fn only(&self, aligned: &[bool]) -> Self {
        assert_eq!(aligned.len(), self.frames(), "one flag per frame");
        let mut out = self.clone();
        for i in (0..aligned.len()).filter(|&i| !aligned[i]) {
            out.translations_mm.row_mut(i).fill(f64::NAN);
            out.rotations_rad.row_mut(i).fill(f64::NAN);
        }
        out
    }

    /// The motion terms used as confounds, frames × `terms`, where `terms` is 0, 6, 12 or 24: the six parameters (mm,
    /// rad); then their backward differences, 0 in frame 0; then the squares of those twelve. Satterthwaite et al.
    /// 2013, NeuroImage 64:240.
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

/// Head motion measured from a run's own images.
#[derive(Debug, Clone, PartialEq)]
pub struct ImageMotion {
    /// Positions about the pivot: x ↦ R(x − c) + c + t, R = Rz·Ry·Rx; NaN for frames that could not be aligned.
    pub trace: MotionTrace,
    /// Brightness of each frame relative to the reference frame; NaN for frames that could not be aligned.
    pub gains: Array1<f64>,
    /// The frame that the others were registered to.
    pub reference_frame: usize,
    /// The pivot c, world mm: the centroid of the brain mask on the reference frame.
    pub pivot_mm: [f64; 3],
    /// For each frame, the share of the brain mask's voxels that its pose moves out of the field of view.
    pub outside_share: Array1<f64>,
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
