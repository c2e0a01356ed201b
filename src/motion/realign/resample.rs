//! Values of a frame at the places to which voxels of the reference frame have moved.
//!
//! Trilinear: the mean of the eight voxels around a place, weighted by one minus the distance along each axis. A pose
//! that moves nothing gives the stored values exactly.

use super::rigid::{Pose, Rigid};
use crate::nifti::Affine;

/// A coordinate this far (voxels) beyond the outermost voxel is the rounding of the maps, not outside.
const EDGE: f64 = 1e-6;

/// Reads moved frames at chosen voxels.
#[derive(Debug, Clone)]
pub struct Resampler {
    shape: [usize; 3],
    to_world: Affine,
    to_voxel: Affine,
    pivot: [f64; 3],
    needed: Vec<u32>,
}

impl Resampler {
    /// For voxels `needed` (x fastest, any order) of a grid; `pivot_mm` is [`super::Reference::pivot_mm`]. None when
    /// the affine cannot be inverted or a voxel lies outside the grid.
    #[must_use]
    pub fn new(shape: [usize; 3], affine: Affine, pivot_mm: [f64; 3], needed: &[u32]) -> Option<Self> {
        let voxels: usize = shape.iter().product();
        if needed.iter().any(|&voxel| voxel as usize >= voxels) {
            return None;
        }
        let to_voxel = affine.inverse()?;
        Some(Self { shape, to_world: affine, to_voxel, pivot: pivot_mm, needed: needed.to_vec() })
    }

    /// Bytes that it holds.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.needed.len() * size_of::<u32>()
    }

    /// Writes the frame's values at the moved places of the needed voxels into `out`, one after another. Where a place
    /// lies outside the field of view, the nearest value at its edge stands in; returns how many do. A place beside a
    /// voxel that is not finite is not finite.
    ///
    /// # Panics
    /// When `frame` has another number of voxels than the grid, or `out` another length than `needed`: both are the
    /// caller's own, never a file's.
    pub fn sample(&self, frame: &[f32], pose: &Pose, out: &mut [f64]) -> usize {
        assert_eq!(frame.len(), self.shape.iter().product::<usize>(), "voxels of the frame against the grid");
        assert_eq!(out.len(), self.needed.len(), "places in `out` against voxels needed");
        if pose.translation_mm == [0.0; 3] && pose.rotation_rad == [0.0; 3] {
            for (out, &voxel) in out.iter_mut().zip(&self.needed) {
                *out = f64::from(frame[voxel as usize]);
            }
            return 0;
        }
        let rigid = Rigid::from_pose(pose).affine(self.pivot);
        let map = self.to_voxel.compose(&rigid.compose(&self.to_world));
        let [nx, ny, _] = self.shape;
        let stride = [1, nx, nx * ny];
        let last = self.shape.map(|n| (n - 1) as f64);
        let mut outside = 0;
        for (out, &voxel) in out.iter_mut().zip(&self.needed) {
            let voxel = voxel as usize;
            let at = map.apply([voxel % nx, voxel / nx % ny, voxel / nx / ny].map(|i| i as f64));
            outside += usize::from((0..3).any(|a| at[a] < -EDGE || at[a] > last[a] + EDGE));
            let (mut start, mut next, mut part) = (0, [0; 3], [0.0; 3]);
            for a in 0..3 {
                let u = at[a].clamp(0.0, last[a]);
                let whole = u as usize;
                part[a] = u - whole as f64;
                start += whole * stride[a];
                // At the last voxel the part is 0; the voxel itself stands in for the one beyond.
                next[a] = if whole + 1 < self.shape[a] { stride[a] } else { 0 };
            }
            let value = |i: usize| f64::from(frame[start + i]);
            let along_x = |i: usize| value(i) + part[0] * (value(i + next[0]) - value(i));
            let along_y = |i: usize| along_x(i) + part[1] * (along_x(i + next[1]) - along_x(i));
            *out = along_y(0) + part[2] * (along_y(next[2]) - along_y(0));
        }
        outside
    }
}
