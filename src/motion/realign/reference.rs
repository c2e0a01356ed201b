//! The frame that all others are aligned with: its levels, and what each of their voxels says about a pose.
//!
//! Moving the reference by a small δ = (tδ, ωδ) changes its value at x by ∇R · (tδ + ωδ × r), r = x − c; as a row:
//! \[∇R, r × ∇R, R\], the last for the gain. The rows are computed once (the inverse compositional form of
//! Gauss–Newton: Baker & Matthews 2004, International Journal of Computer Vision 56:221) and serve every frame and
//! every step.

use super::RealignError;
use super::normal;
use super::pyramid::{LevelGrid, Pyramid, plan};
use crate::nifti::Affine;

/// Voxels around the brain mask that take part, mm: the brain's rim is its strongest edge, and a mask cuts it in the
/// middle. Measured at 3 to 4 mm voxels and SNR 100, before the biweight: mean position error 0.021, 0.014, 0.014 mm
/// with 0, 4 and 8 mm (`known_motion` in tests/reference/test_realign.py).
const MARGIN_MM: f64 = 6.0;
/// Points of a level, at most: if more voxels take part, every second, third … is taken. Measured at 64 × 64 × 36 and
/// SNR 25 (`known_motion`, scan): mean position error 0.0295 mm with this many at 130 frames a second, 0.0303 mm with
/// two thirds of them at 160.
pub(super) const MOST_POINTS: usize = 49_152;
/// Fewer voxels at the finest level than this cannot be told from noise: own convention, ten per parameter.
const FEWEST_POINTS: usize = 70;
/// The least [`normal::determination`] that counts as seeing all six parameters. Measured: heads 0.1 to 0.2, crops of 3
/// and 18 slices 0.02 to 0.2 (tests/reference/test_realign.py), a smooth ball 3e-9 (`tests.rs`).
const LEAST_DETERMINED: f64 = 1e-3;

/// Voxels at the edge of the finest level that are left out, reference and frame: β³ and the smoothing before it reach
/// two voxels, and would mix in what the mirror made up. (At coarser levels, which only start the next, it makes no
/// difference: measured.) At most an eighth of an axis on each side, so that a few slices are not lost.
const RIM: usize = 2;
const RIM_SHARE: usize = 8;

/// One level of the reference.
#[derive(Debug, Clone)]
pub(super) struct Level {
    pub grid: LevelGrid,
    /// Voxel (of this level) to world, mm, and back.
    pub to_world: Affine,
    pub to_voxel: Affine,
    /// Voxels at each side of each axis that are left out.
    pub rim: [usize; 3],
    /// The points are every n-th of the voxels that take part; this is n.
    pub every: usize,
    /// Voxel coordinates of the points.
    pub points: Vec<[f32; 3]>,
    /// For each point ∂/∂translation (per mm), ∂/∂rotation (per mm on the sphere of [`Reference::radius_mm`]), the
    /// value, and a free place that the fit uses.
    pub rows: Vec<[f32; 8]>,
}

/// The reference frame, ready for others to be aligned with it.
#[derive(Debug, Clone)]
pub struct Reference {
    pub(super) levels: Vec<Level>,
    pub(super) shape: [usize; 3],
    pub(super) pivot: [f64; 3],
    /// Root mean square distance of the points from the pivot: the length that turns angles into mm.
    pub(super) radius_mm: f64,
    /// What values are multiplied by, so that the reference has RMS 1 inside the brain.
    pub(super) scale: f32,
    /// Mean over the volume, scaled so.
    pub(super) mean: f64,
}

impl Reference {
    /// Prepares a frame. `volume` and `brain` have one entry per voxel, x fastest; `affine` takes voxels to world mm.
    /// The pivot is the centroid of `brain`. Voxels that are not finite are left out.
    ///
    /// # Errors
    /// [`RealignError`], when there is too little image to find a pose.
    pub fn new(volume: &[f32], shape: [usize; 3], affine: Affine, brain: &[bool]) -> Result<Self, RealignError> {
        let voxels: usize = shape.iter().product();
        if volume.len() != voxels || brain.len() != voxels {
            return Err(RealignError::Lengths { volume: volume.len(), brain: brain.len(), voxels });
        }
        if !affine.is_finite() || affine.inverse().is_none() {
            return Err(RealignError::Affine);
        }
        let place = |index: usize| {
            affine.apply([index % shape[0], index / shape[0] % shape[1], index / shape[0] / shape[1]].map(|i| i as f64))
        };
        let (mut count, mut pivot, mut squares) = (0_usize, [0.0; 3], 0.0);
        for index in (0..voxels).filter(|&i| brain[i] && volume[i].is_finite()) {
            count += 1;
            let at = place(index);
            pivot = std::array::from_fn(|a| pivot[a] + at[a]);
            squares += f64::from(volume[index]).powi(2);
        }
        if count < FEWEST_POINTS {
            return Err(RealignError::FewVoxels { found: count, needed: FEWEST_POINTS });
        }
        let pivot = pivot.map(|sum| sum / count as f64);
        let scale = (1.0 / (squares / count as f64).sqrt()) as f32;
        if !(scale.is_normal() && scale.is_sign_positive()) {
            return Err(RealignError::Flat);
        }

        let grids = plan(shape, affine.voxel_sizes());
        let mut pyramid = Pyramid::new(&grids, affine.voxel_sizes());
        let mean = pyramid.fill(volume, scale, None).mean;
        if !(mean > 0.0) {
            return Err(RealignError::Flat);
        }
        let near = widened(brain, shape, affine.voxel_sizes());
        let mut levels = Vec::with_capacity(grids.len());
        for (grid, padded) in grids.iter().zip(&pyramid.levels) {
            let mut to_world = affine;
            for row in &mut to_world.0 {
                for axis in 0..3 {
                    row[axis] *= grid.factor[axis] as f64;
                }
            }
            let to_voxel = to_world.inverse().ok_or(RealignError::Affine)?;
            let finest = levels.is_empty();
            let rim = grid.shape.map(|n| if finest { RIM.min(n / RIM_SHARE) } else { 0 });
            let takes_part = |voxel: [usize; 3]| {
                let [x, y, z]: [usize; 3] = std::array::from_fn(|a| voxel[a] * grid.factor[a]);
                let index = x + shape[0] * (y + shape[1] * z);
                near[index] && volume[index].is_finite()
            };
            let [xs, ys, zs]: [_; 3] = std::array::from_fn(|a| rim[a]..grid.shape[a] - rim[a]);
            let inside = || {
                let (xs, ys) = (&xs, &ys);
                let rows = zs.clone().flat_map(move |z| ys.clone().map(move |y| (y, z)));
                rows.flat_map(move |(y, z)| xs.clone().map(move |x| [x, y, z])).filter(|&voxel| takes_part(voxel))
            };
            let every = inside().count().div_ceil(MOST_POINTS).max(1);
            let mut level = Level { grid: *grid, to_world, to_voxel, rim, every, points: Vec::new(), rows: Vec::new() };
            for voxel in inside().step_by(every) {
                let (value, slope) = padded.at_voxel(voxel);
                let point = voxel.map(|v| v as f64);
                let r: [f64; 3] = std::array::from_fn(|a| to_world.apply(point)[a] - pivot[a]);
                // Per mm: the transposed map from world to voxel.
                let g: [f64; 3] = std::array::from_fn(|a| (0..3).map(|v| to_voxel.0[v][a] * slope[v]).sum());
                let turn = [r[1] * g[2] - r[2] * g[1], r[2] * g[0] - r[0] * g[2], r[0] * g[1] - r[1] * g[0]];
                level.points.push(point.map(|p| p as f32));
                let row = [g[0], g[1], g[2], turn[0], turn[1], turn[2], value, 0.0];
                level.rows.push(row.map(|v| v as f32));
            }
            levels.push(level);
        }
        let distance = |level: &Level, point: &[f32; 3]| {
            let at = level.to_world.apply(point.map(f64::from));
            (0..3).map(|a| (at[a] - pivot[a]).powi(2)).sum::<f64>()
        };
        let finest = &levels[0];
        let mean_square =
            finest.points.iter().map(|p| distance(finest, p)).sum::<f64>() / finest.points.len().max(1) as f64;
        let radius_mm = mean_square.sqrt();
        for row in levels.iter_mut().flat_map(|level| &mut level.rows) {
            for turn in &mut row[3..6] {
                *turn = (f64::from(*turn) / radius_mm) as f32;
            }
        }
        let determined = normal::determination(&normal_matrix(&levels[0].rows));
        if !(determined >= LEAST_DETERMINED) {
            return Err(RealignError::Undetermined { found: determined, needed: LEAST_DETERMINED });
        }
        Ok(Self { levels, shape, pivot, radius_mm, scale, mean })
    }

    /// The place that poses turn about, world mm.
    #[must_use]
    pub fn pivot_mm(&self) -> [f64; 3] {
        self.pivot
    }

    /// Bytes that it holds.
    #[must_use]
    pub fn bytes(&self) -> usize {
        self.levels.iter().map(|level| level.points.len() * BYTES_A_POINT).sum()
    }

    /// An upper limit, from the grid alone, for the bytes that a [`Reference`] and a [`super::Tracker`] hold together
    /// while they are made and used: a point takes 44 bytes (at most 49 152 points per level), and a voxel of a padded
    /// level takes 4.
    #[must_use]
    pub fn most_bytes(shape: [usize; 3], voxel_mm: [f64; 3]) -> usize {
        let grids = plan(shape, voxel_mm);
        let points = |grid: &LevelGrid| grid.shape.iter().product::<usize>().min(MOST_POINTS);
        let of_points: usize = grids.iter().map(|grid| points(grid) * BYTES_A_POINT).sum();
        let most_points = grids.iter().map(points).max().unwrap_or(0);
        // The mask widened, and as it was, are there only while the reference is made.
        let making = 2 * shape.iter().product::<usize>() * size_of::<bool>();
        of_points + Pyramid::bytes(&grids) + (2 * most_points * size_of::<f32>()).max(making)
    }
}

const BYTES_A_POINT: usize = size_of::<[f32; 3]>() + size_of::<[f32; 8]>();

/// Sums of products of the rows' first seven places.
fn normal_matrix(rows: &[[f32; 8]]) -> [[f64; 7]; 7] {
    let mut sums = [[0.0; 7]; 7];
    for row in rows {
        for i in 0..7 {
            for j in 0..7 {
                sums[i][j] += f64::from(row[i]) * f64::from(row[j]);
            }
        }
    }
    sums
}

/// The mask and what lies within [`MARGIN_MM`] of it along the axes: one axis after the other, so a box, not a ball.
fn widened(brain: &[bool], shape: [usize; 3], voxel_mm: [f64; 3]) -> Vec<bool> {
    let mut mask = brain.to_vec();
    let strides = [1, shape[0], shape[0] * shape[1]];
    for axis in 0..3 {
        let reach = (MARGIN_MM / voxel_mm[axis]).round() as usize;
        let from = mask.clone();
        for index in (0..from.len()).filter(|&i| from[i]) {
            let at = index / strides[axis] % shape[axis];
            for near in at.saturating_sub(reach)..=(at + reach).min(shape[axis] - 1) {
                mask[index + near * strides[axis] - at * strides[axis]] = true;
            }
        }
    }
    mask
}
