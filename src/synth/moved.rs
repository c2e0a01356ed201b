//! Images as the scanner saw them: the head moves through the voxels.
//!
//! In frame i the head's rest position x lies at R(x − c) + c + t, R = Rz·Ry·Rx, world mm, with t and the three angles
//! from the motion table. The pivot c is at the world's origin, the centre of the invented brain, so this is x ↦ R x +
//! t. The breathing in the table moves the image too: breathing shifts the picture through the field, and a scanner
//! cannot tell that from a moved head. The head's own movement is written to `truth/`.
//!
//! The head at rest is a continuous function: a sum of cubic B-splines on a grid that holds all of it. The parts beyond
//! the field of view are included, so that what moves in at an edge is there. It has two parts (Unser, Aldroubi & Eden
//! 1993, IEEE Trans Signal Processing 41:821; from memory):
//!
//! - The baseline's coefficients are the baseline of the voxels itself, so the splines blur it, by 1.4 voxels at half
//!   height, as the point spread of a scanner does. Nothing rings at the edges of the head and nothing falls below 0.
//! - The fluctuations are a share of the blurred baseline, and a prefilter makes the splines pass through them: they
//!   are not blurred, and the signals of neighbouring parcels are not mixed.
//!
//! Each voxel of the frame is that function at the place in the head that lies there, plus white noise with an SD of
//! the value ÷ tsnr, plus the noise of air. Sensitivity and drift go with the head. Missing slices belong to the field
//! of view, so they hold air wherever the head is. Masks and atlases are those of the rest position.

#[cfg(test)]
mod tests;

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::error::SynthError;
use super::head::{Head, SCALP_EDGE, VoxelGrid};
use super::scan::{SCALP_UNITS, SLOPE, ScanPlan, air};
use crate::motion::displacement::rotation;
use crate::nifti::ImageWriter;
use crate::study::settings::{Axis, RotationOrder};

/// The point that the head turns about, world mm.
pub const PIVOT_MM: [f64; 3] = [0.0; 3];
/// R = Rz·Ry·Rx.
const ORDER: RotationOrder = RotationOrder([Axis::X, Axis::Y, Axis::Z]);
/// Empty voxels around the head: the splines reach two voxels, and the prefilter leaves nothing beyond them.
const MARGIN: usize = 4;
/// The pole of the cubic B-spline's prefilter, √3 − 2.
const POLE: f64 = -0.267_949_192_431_122_7;

/// The grid of the field of view, widened on all sides until it holds the whole head with a margin. Its voxels are the
/// field's where both have any.
#[must_use]
pub fn widened(field: &VoxelGrid, head: &Head) -> VoxelGrid {
    let shape = std::array::from_fn(|a| {
        let half_mm = field.voxel_mm[a] * (field.shape[a] as f64 - 1.0) / 2.0;
        let beyond = (SCALP_EDGE * head.half_axes_mm[a] - half_mm) / field.voxel_mm[a];
        field.shape[a] + 2 * (beyond.max(0.0).ceil() as usize + MARGIN)
    });
    VoxelGrid { shape, voxel_mm: field.voxel_mm }
}

/// Values of a field's voxels laid into a wider grid, 0 beyond.
#[must_use]
pub fn laid_into(wide: &VoxelGrid, field: &VoxelGrid, values: &[i16]) -> Vec<i16> {
    let mut laid = vec![0; wide.voxels()];
    for (voxel, &value) in values.iter().enumerate() {
        let at: [usize; 3] = std::array::from_fn(|a| field.indices(voxel)[a] + (wide.shape[a] - field.shape[a]) / 2);
        laid[at[0] + wide.shape[0] * (at[1] + wide.shape[1] * at[2])] = value;
    }
    laid
}

/// Where the scanner looks.
#[derive(Debug, Clone, Copy)]
pub struct FieldOfView<'a> {
    pub grid: &'a VoxelGrid,
    /// Slices below this hold air, mm; minus infinity: none.
    pub floor_mm: f64,
}

/// Draws a run whose head moves as `poses` say (one per frame: mm, rad) and hands each volume to the writer. The plan's
/// grid and voxels are those of the widened grid.
///
/// # Errors
/// The disk refuses.
pub fn write(
    plan: &ScanPlan<'_>,
    field: FieldOfView<'_>,
    poses: &[[f64; 6]],
    out: &mut ImageWriter,
    rng: &mut ChaCha8Rng,
) -> Result<(), SynthError> {
    let course = plan.course(rng);
    let still = plan.still(field.grid, rng);
    let wide = plan.grid;
    let mut sharp = vec![0.0f32; wide.voxels()];
    plan.voxels.scalp.iter().for_each(|&v| sharp[v] = SCALP_UNITS as f32);
    plan.voxels.inside.iter().zip(&still).for_each(|(&(v, _), &(base, _))| sharp[v] = base as f32);
    let head = near(wide, &sharp);
    let mut baseline = sharp;
    each_line(wide, &mut baseline, blur);

    let mut percent = vec![0.0; plan.truth.factor.size + 3];
    let mut splines = vec![0.0f32; wide.voxels()];
    let mut volume = vec![0i16; field.grid.voxels()];
    for (frame, pose) in poses.iter().enumerate().take(plan.frames) {
        plan.percent(&course, frame, &mut percent);
        let drift = plan.drift(&course, frame);
        splines.copy_from_slice(&baseline);
        for (&(v, class), &(_, drifts)) in plan.voxels.inside.iter().zip(&still) {
            splines[v] *= (1.0 + (percent[class] + drifts * drift) / 100.0) as f32;
        }
        each_line(wide, &mut splines, prefilter);

        air(&mut volume, rng);
        let place = Place::of(pose, wide);
        for (n, row) in volume.chunks_mut(field.grid.shape[0]).enumerate() {
            let start_mm = field.grid.world_mm(n * field.grid.shape[0]);
            if start_mm[2] < field.floor_mm {
                continue;
            }
            let start = place.indices(start_mm);
            for (i, stored) in row.iter_mut().enumerate() {
                let along_mm = i as f64 * field.grid.voxel_mm[0];
                let indices = std::array::from_fn(|a| start[a] + place.matrix[a][0] * along_mm);
                let Some((corner, share)) = corner(indices, wide) else { continue };
                if !head[corner] {
                    continue;
                }
                let value = f64::from(sample(&splines, wide, corner, share));
                let noise: f64 = rng.sample(StandardNormal);
                let units = (value * (1.0 + noise / plan.tsnr)).max(0.0);
                *stored = stored.saturating_add((units / SLOPE).round() as i16);
            }
        }
        out.write_volume(&volume)?;
    }
    Ok(())
}

/// Which place of the head at rest lies at a place of the world: world mm to indices of the wide grid.
struct Place {
    /// Indices = matrix·world + offset.
    matrix: [[f64; 3]; 3],
    offset: [f64; 3],
}

impl Place {
    fn of(pose: &[f64; 6], wide: &VoxelGrid) -> Self {
        let [x, y, z, a, b, c] = *pose;
        let (r, t) = (rotation([a, b, c], ORDER), [x, y, z]);
        // y = Rᵀ(x − c − t) + c, then from mm to indices.
        let matrix: [[f64; 3]; 3] = std::array::from_fn(|i| std::array::from_fn(|j| r[j][i] / wide.voxel_mm[i]));
        let offset = std::array::from_fn(|i| {
            let back: f64 = (0..3).map(|j| matrix[i][j] * (PIVOT_MM[j] + t[j])).sum();
            PIVOT_MM[i] / wide.voxel_mm[i] - back + (wide.shape[i] as f64 - 1.0) / 2.0
        });
        Self { matrix, offset }
    }

    fn indices(&self, world_mm: [f64; 3]) -> [f64; 3] {
        std::array::from_fn(|i| (0..3).map(|j| self.matrix[i][j] * world_mm[j]).sum::<f64>() + self.offset[i])
    }
}

/// The voxel that lies before a place on all axes, and the way on from it, in voxels; none where no spline reaches.
fn corner(indices: [f64; 3], wide: &VoxelGrid) -> Option<(usize, [f32; 3])> {
    let (mut corner, mut stride, mut share) = (0, 1, [0.0; 3]);
    for i in 0..3 {
        let before = indices[i].floor();
        if !(before >= 1.0 && before + 2.0 < wide.shape[i] as f64) {
            return None;
        }
        corner += stride * before as usize;
        stride *= wide.shape[i];
        share[i] = (indices[i] - before) as f32;
    }
    Some((corner, share))
}

/// The sum of the splines at a place.
fn sample(splines: &[f32], wide: &VoxelGrid, corner: usize, share: [f32; 3]) -> f32 {
    let [x, y, z] = share.map(weights);
    let row = wide.shape[0];
    let slice = row * wide.shape[1];
    let first = corner - 1 - row - slice;
    let mut sum = 0.0;
    for (k, wz) in z.iter().enumerate() {
        let mut plane = 0.0;
        for (j, wy) in y.iter().enumerate() {
            let at = first + k * slice + j * row;
            let line = &splines[at..at + 4];
            plane += wy * (x[0] * line[0] + x[1] * line[1] + x[2] * line[2] + x[3] * line[3]);
        }
        sum += wz * plane;
    }
    sum
}

/// Values of the four cubic B-splines that reach a place `u` of the way from one voxel to the next.
fn weights(u: f32) -> [f32; 4] {
    let v = 1.0 - u;
    let sixth = 1.0 / 6.0;
    [
        v * v * v * sixth,
        (4.0 + 3.0 * u * u * (u - 2.0)) * sixth,
        (4.0 + 3.0 * v * v * (v - 2.0)) * sixth,
        u * u * u * sixth,
    ]
}

/// Where there is anything of the head within the margin along each axis.
fn near(wide: &VoxelGrid, values: &[f32]) -> Vec<bool> {
    let mut there: Vec<f32> = values.iter().map(|v| f32::from(u8::from(*v != 0.0))).collect();
    each_line(wide, &mut there, |line| {
        let was = line.to_vec();
        for (i, value) in line.iter_mut().enumerate() {
            let around = &was[i.saturating_sub(MARGIN)..(i + MARGIN + 1).min(was.len())];
            *value = around.iter().copied().fold(0.0, f32::max);
        }
    });
    there.into_iter().map(|v| v > 0.0).collect()
}

/// Does something with each line of voxels along each of the three axes in turn.
fn each_line(wide: &VoxelGrid, values: &mut [f32], mut work: impl FnMut(&mut [f32])) {
    let mut stride = 1;
    let mut line = Vec::new();
    for length in wide.shape {
        for block in values.chunks_mut(stride * length) {
            for start in 0..stride {
                line.clear();
                line.extend(block[start..].iter().step_by(stride));
                work(&mut line);
                block[start..].iter_mut().step_by(stride).zip(&line).for_each(|(to, from)| *to = *from);
            }
        }
        stride *= length;
    }
}

/// What cubic B-splines with a line's values for coefficients sum up to at the voxels; nothing beyond the ends.
fn blur(line: &mut [f32]) {
    let mut before = 0.0;
    for i in 0..line.len() {
        let (own, after) = (line[i], line.get(i + 1).copied().unwrap_or(0.0));
        line[i] = (before + 4.0 * own + after) / 6.0;
        before = own;
    }
}

/// The coefficients of cubic B-splines that sum up to a line's values: the way back from [`blur`].
fn prefilter(line: &mut [f32]) {
    let pole = POLE as f32;
    let mut carried = 0.0;
    for value in line.iter_mut() {
        carried = *value + pole * carried;
        *value = carried;
    }
    // Beyond the end the values are 0, and what is carried fades by the pole with each voxel.
    let mut back = -pole / (1.0 - pole * pole) * carried;
    for (i, value) in line.iter_mut().rev().enumerate() {
        if i > 0 {
            back = pole * (back - *value);
        }
        *value = 6.0 * back;
    }
}
