//! Head motion from the images themselves: each frame is aligned with a reference frame by a rigid move and a gain.
//!
//! A pose is x ↦ R(x − c) + c + t, R = Rz·Ry·Rx, in world mm: it takes a place x of the reference frame to where that
//! place lies in the other frame. c, the pivot, is the centroid of the brain mask. The pose minimises a robust sum of
//! squares of F(T x) − g R(x) over the brain and its rim. The minimum is found by Gauss–Newton steps in the inverse
//! compositional form (Baker & Matthews 2004, International Journal of Computer Vision 56:221): the gradients are the
//! reference's, analytic, computed once.
//!
//! ```text
//! frame-to-frame differences ─► choose_reference ─► frame ─► Reference   its levels, and one row per point
//!                              each frame in order ─► Tracker ─► Pose, or why there is none
//!                                frame, Pose, voxels ─► Resampler ─► values at the moved places
//! ```
//!
//! Coarse levels find large moves. They start from the last frame's pose and from no move, and the better result is
//! kept. The finest level gives the accuracy, with cubic sampling. Reference and frames are smoothed alike, by 1 2 1
//! and by the cubic B-spline that samples them (`spline.rs`).
//!
//! A frame gets no pose rather than a poor one in five cases ([`Unaligned`]): too little of the brain stays in view; at
//! its best pose it does not look like the reference; it is far too dim; the steps do not end; or its residuals imply
//! an error above 0.25 mm. No memory is allocated per frame.
#![allow(
    clippy::neg_cmp_op_on_partial_ord,
    clippy::needless_range_loop,
    reason = "what is not a number must fall on the refusing side; matrices are indexed as in their formulas"
)]

mod even;
mod fit;
mod normal;
mod pyramid;
mod reference;
mod resample;
mod rigid;
mod spline;
mod tracker;

#[cfg(test)]
mod tests;

pub use reference::Reference;
pub use resample::Resampler;
pub use rigid::Pose;
pub use tracker::{Tracker, Unaligned};

/// Why a frame cannot be the reference.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum RealignError {
    #[error(
        "the frame has {volume} voxels and the brain mask {brain}, but the grid has {voxels}; give all three of one \
         scan"
    )]
    Lengths { volume: usize, brain: usize, voxels: usize },
    #[error("the map from voxels to mm cannot be inverted; correct the header's sform or qform")]
    Affine,
    #[error(
        "only {found} brain voxels have a value, but at least {needed} are needed to find a pose; use a motion table \
         instead"
    )]
    FewVoxels { found: usize, needed: usize },
    #[error("the brain mask holds no signal in the reference frame; check that mask and scan match")]
    Flat,
    #[error(
        "the image determines poses too weakly (smallest over largest eigenvalue {found:.2e}, at least {needed:.0e} \
         is needed): it has too few slices or too little structure; use a motion table instead"
    )]
    Undetermined { found: f64, needed: f64 },
}

/// The frame that others are aligned with. Among the steady frames that follow a steady frame it is the one with the
/// median difference from the frame before it (the lower of two middle ones; among equals the first). `differences` has
/// one entry per frame, NaN where there is none, as in frame 0 (DVARS, for example); the first `unsteady` frames are
/// not steady. When no difference is usable it is the first steady frame; none when there is no steady frame.
///
/// A frame of median difference neither moved itself nor lies beside a move; own convention.
#[must_use]
pub fn choose_reference(differences: &[f64], unsteady: usize) -> Option<usize> {
    let mut usable: Vec<usize> = (unsteady + 1..differences.len()).filter(|&i| differences[i].is_finite()).collect();
    if usable.is_empty() {
        return (unsteady < differences.len()).then_some(unsteady);
    }
    // A stable sort, so among equals the first comes first.
    usable.sort_by(|&a, &b| differences[a].total_cmp(&differences[b]));
    let median = differences[usable[(usable.len() - 1) / 2]];
    usable.into_iter().find(|&i| differences[i] == median)
}
