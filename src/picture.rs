//! What people look at: three slices of a run's mean image, and parcel series as shades.
//!
//! *Slices* go through the centroid of the brain mask, one across each axis of the image, and are named after the world
//! axis that this axis runs along most (for an oblique image, nearly). They are laid out so that the world's x and y
//! rise to the right, y and z upwards. A voxel's shade is its mean over all frames: black at 0 (or the lowest value,
//! for images with negative ones), white at the 99th centile of what is pictured (own convention).
//!
//! *Shades* turn a value into one byte: 128 stands for no difference, and one step is 1/32 of the parcel's own standard
//! deviation over its kept frames. So the byte holds ±4 standard deviations, and what lies beyond is cut off. 0 stands
//! for no value.

use ndarray::{Array2, ArrayView2};

use crate::atlas::{Grid, GriddedAtlas};
use crate::digest::median;

/// Steps of a shade in one standard deviation.
pub const STEPS_A_DEVIATION: f64 = 32.0;
/// The shade of no difference; 0 is the shade of no value.
pub const MIDDLE: u8 = 128;
/// Share of the pictured voxels that may be white.
const WHITE_CENTILE: f64 = 0.99;

/// One slice to be pictured.
#[derive(Debug, Clone, PartialEq)]
pub struct Plane {
    /// `sagittal`, `coronal` or `axial`.
    pub name: &'static str,
    /// The image's axis across which it lies, and where along it, counted from 0.
    pub axis: usize,
    pub index: usize,
    pub width: usize,
    pub height: usize,
    /// Size of a pixel, mm.
    pub pixel_mm: [f64; 2],
    /// Position of each pixel's voxel in a volume, row by row from the upper left.
    pub voxels: Vec<usize>,
}

/// A slice as it is shown; one entry per pixel, row by row from the upper left.
#[derive(Debug, Clone, PartialEq)]
pub struct Slice {
    pub name: String,
    pub axis: usize,
    pub index: usize,
    pub width: usize,
    pub height: usize,
    pub pixel_mm: [f64; 2],
    /// 0 black to 255 white.
    pub grey: Vec<u8>,
    /// Inside the brain mask.
    pub inside: Vec<bool>,
    /// By atlas: the parcel with the most weight, counted from 1; 0 for none.
    pub parcels: Vec<Vec<u32>>,
}

/// For each world axis, the image's axis that runs along it most, each taken once; and whether it runs backwards.
fn axes(grid: &Grid) -> [(usize, bool); 3] {
    let columns = |world: usize, axis: usize| grid.affine.0[world][axis];
    const ORDERS: [[usize; 3]; 6] = [[0, 1, 2], [0, 2, 1], [1, 0, 2], [1, 2, 0], [2, 0, 1], [2, 1, 0]];
    let sizes = grid.affine.voxel_sizes();
    let along = |order: &[usize; 3]| (0..3).map(|w| columns(w, order[w]).abs() / sizes[order[w]]).sum::<f64>();
    let best = ORDERS.iter().max_by(|a, b| along(a).total_cmp(&along(b))).unwrap_or(&ORDERS[0]);
    [0, 1, 2].map(|world| (best[world], columns(world, best[world]) < 0.0))
}

/// The three slices through the centroid of a mask, sagittal, coronal, axial. `brain` has one flag per voxel of the
/// grid.
#[must_use]
pub fn planes(grid: &Grid, brain: &[bool]) -> Vec<Plane> {
    let [nx, ny, _] = grid.shape;
    let place = |voxel: usize| [voxel % nx, voxel / nx % ny, voxel / (nx * ny)];
    let (mut sum, mut count) = ([0.0; 3], 0.0);
    for (voxel, _) in brain.iter().enumerate().filter(|(_, inside)| **inside) {
        let at = place(voxel);
        (0..3).for_each(|k| sum[k] += at[k] as f64);
        count += 1.0;
    }
    let centre: [usize; 3] = [0, 1, 2].map(|k| {
        let middle = if count > 0.0 { sum[k] / count } else { grid.shape[k] as f64 / 2.0 };
        (middle.round() as usize).min(grid.shape[k].saturating_sub(1))
    });
    let world = axes(grid);
    let sizes = grid.affine.voxel_sizes();
    [("sagittal", 0, 1, 2), ("coronal", 1, 0, 2), ("axial", 2, 0, 1)]
        .into_iter()
        .map(|(name, across, right, up)| {
            let ((axis, _), (right, right_back), (up, up_back)) = (world[across], world[right], world[up]);
            let (width, height) = (grid.shape[right], grid.shape[up]);
            let mut voxels = Vec::with_capacity(width * height);
            for row in 0..height {
                for column in 0..width {
                    let mut at = centre;
                    at[right] = if right_back { width - 1 - column } else { column };
                    at[up] = if up_back { row } else { height - 1 - row };
                    voxels.push(at[0] + nx * (at[1] + ny * at[2]));
                }
            }
            let pixel_mm = [sizes[right], sizes[up]];
            Plane { name, axis, index: centre[axis], width, height, pixel_mm, voxels }
        })
        .collect()
}

/// The voxels of some planes, rising and each once.
#[must_use]
pub fn voxels_of(planes: &[Plane]) -> Vec<usize> {
    let mut voxels: Vec<usize> = planes.iter().flat_map(|p| p.voxels.iter().copied()).collect();
    voxels.sort_unstable();
    voxels.dedup();
    voxels
}

/// The slices, from the mean of each voxel that [`voxels_of`] names, in its order; NaN is shown black.
///
/// # Panics
/// When `means` has another length than the voxels.
#[must_use]
pub fn slices(planes: &[Plane], means: &[f64], brain: &[bool], atlases: &[GriddedAtlas]) -> Vec<Slice> {
    let voxels = voxels_of(planes);
    assert_eq!(voxels.len(), means.len(), "one mean a pictured voxel");
    let position = |voxel: &usize| voxels.binary_search(voxel).unwrap_or(0);
    let mut sorted: Vec<f64> = means.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let black = sorted.first().map_or(0.0, |v| v.min(0.0));
    let white = sorted.get((WHITE_CENTILE * sorted.len() as f64) as usize).or(sorted.last()).map_or(1.0, |v| *v);
    let scale = if white > black { 255.0 / (white - black) } else { 0.0 };
    // A saturating cast: NaN gives 0.
    let shade = |value: f64| ((value - black) * scale).round() as u8;
    let parcels: Vec<Vec<u32>> = atlases.iter().map(|atlas| parcel_of(atlas, &voxels)).collect();
    planes
        .iter()
        .map(|plane| Slice {
            name: plane.name.to_owned(),
            axis: plane.axis,
            index: plane.index,
            width: plane.width,
            height: plane.height,
            pixel_mm: plane.pixel_mm,
            grey: plane.voxels.iter().map(|v| shade(means[position(v)])).collect(),
            inside: plane.voxels.iter().map(|&v| brain[v]).collect(),
            parcels: parcels.iter().map(|of| plane.voxels.iter().map(|v| of[position(v)]).collect()).collect(),
        })
        .collect()
}

/// The parcel with the most weight in each of some rising voxels, counted from 1.
fn parcel_of(atlas: &GriddedAtlas, voxels: &[usize]) -> Vec<u32> {
    let mut best = vec![(0_u32, 0.0); voxels.len()];
    for &(voxel, parcel, weight) in &atlas.members {
        if let Ok(at) = voxels.binary_search(&voxel)
            && weight > best[at].1
        {
            best[at] = (u32::try_from(parcel + 1).unwrap_or(0), weight);
        }
    }
    best.into_iter().map(|(parcel, _)| parcel).collect()
}

/// Series, frames × parcels, as shades: differences from the median over kept frames, in standard deviations over kept
/// frames about it. A parcel that does not change is [`MIDDLE`] throughout.
///
/// # Panics
/// When there is not one flag per frame.
#[must_use]
pub fn shades(series: ArrayView2<'_, f64>, kept: &[bool]) -> Array2<u8> {
    assert_eq!(series.nrows(), kept.len(), "one flag per frame");
    let mut out = Array2::zeros(series.dim());
    let all = !kept.contains(&true);
    for (values, mut to) in series.columns().into_iter().zip(out.columns_mut()) {
        let counted: Vec<f64> =
            values.iter().zip(kept).filter(|&(v, &k)| (k || all) && v.is_finite()).map(|(v, _)| *v).collect();
        let count = counted.len() as f64;
        let middle = median(counted.clone());
        let deviation = (counted.iter().map(|v| (v - middle) * (v - middle)).sum::<f64>() / count).sqrt();
        let scale = if deviation > 0.0 { STEPS_A_DEVIATION / deviation } else { 0.0 };
        for (shade, &value) in to.iter_mut().zip(&values) {
            *shade = shade_of((value - middle) * scale);
        }
    }
    out
}

/// A shade from steps above the middle; 0 for NaN.
#[must_use]
pub fn shade_of(steps: f64) -> u8 {
    if steps.is_nan() { 0 } else { (f64::from(MIDDLE) + steps).round().clamp(1.0, 255.0) as u8 }
}

#[cfg(test)]
mod tests {
    use ndarray::array;

    use super::*;
    use crate::nifti::Affine;

    fn grid(shape: [usize; 3], affine: [[f64; 4]; 3]) -> Grid {
        Grid { shape, affine: Affine(affine) }
    }

    /// What a pixel at (column, row) of each plane must hold: the world position, whatever way the voxels are stored.
    #[test]
    fn pixels_lie_where_the_world_says() {
        let plain = [[2.0, 0.0, 0.0, -5.0], [0.0, 3.0, 0.0, 7.0], [0.0, 0.0, 4.0, 1.0]];
        // Axes in another order, two of them backwards: voxel (i, j, k) lies at (4k, -2i, -3j).
        let turned = [[0.0, 0.0, 4.0, 0.0], [-2.0, 0.0, 0.0, 0.0], [0.0, -3.0, 0.0, 0.0]];
        for (shape, affine) in [([3, 4, 5], plain), ([4, 5, 3], turned)] {
            let grid = grid(shape, affine);
            let brain = vec![true; shape.iter().product()];
            for (plane, (right, up)) in planes(&grid, &brain).iter().zip([(1, 2), (0, 2), (0, 1)]) {
                assert_eq!(plane.voxels.len(), plane.width * plane.height);
                let world = |column: usize, row: usize| grid.world(plane.voxels[row * plane.width + column]);
                for row in 0..plane.height {
                    for column in 0..plane.width {
                        let at = world(column, row);
                        if column > 0 {
                            let step = at[right] - world(column - 1, row)[right];
                            assert!((step - plane.pixel_mm[0]).abs() < 1e-12, "{} to the right: {step}", plane.name);
                        }
                        if row > 0 {
                            let step = world(column, row - 1)[up] - at[up];
                            assert!((step - plane.pixel_mm[1]).abs() < 1e-12, "{} upwards: {step}", plane.name);
                        }
                    }
                }
            }
        }
    }

    #[test]
    fn planes_go_through_the_mask() {
        let grid = grid([9, 9, 9], [[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]);
        let mut brain = vec![false; 729];
        brain[2 + 9 * (3 + 9 * 7)] = true;
        let found: Vec<(usize, usize)> = planes(&grid, &brain).iter().map(|p| (p.axis, p.index)).collect();
        assert_eq!(found, [(0, 2), (1, 3), (2, 7)]);
    }

    #[test]
    fn slices_show_means_mask_and_heaviest_parcel() {
        let grid = grid([2, 2, 1], [[1.0, 0.0, 0.0, 0.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]]);
        let brain = [true, true, true, false];
        let planes = planes(&grid, &brain);
        let means: Vec<f64> = voxels_of(&planes).iter().map(|&v| [0.0, 60.0, 100.0, f64::NAN][v]).collect();
        let atlas = GriddedAtlas::for_tests(2, vec![(0, 0, 0.4), (0, 1, 0.6), (2, 0, 1.0)]);
        let found = slices(&planes, &means, &brain, &[atlas]);
        // Axial, upper row first: voxels 2 and 3, then 0 and 1.
        assert_eq!(found[2].grey, [255, 0, 0, 153]);
        assert_eq!(found[2].inside, [true, false, true, true]);
        assert_eq!(found[2].parcels, [[1, 0, 2, 0]]);
    }

    #[test]
    fn shades_are_in_deviations_of_kept_frames() {
        let series = array![[10.0, 5.0, f64::NAN], [12.0, 5.0, 1.0], [14.0, 5.0, 1.0], [100.0, 5.0, 1.0]];
        let found = shades(series.view(), &[true, true, true, false]);
        // Median 12, deviation sqrt(8/3): 2 is 1.2247 deviations, 39 steps.
        assert_eq!(found.column(0).to_vec(), [128 - 39, 128, 128 + 39, 255]);
        assert_eq!(found.column(1).to_vec(), [128; 4]);
        assert_eq!(found.column(2).to_vec(), [0, 128, 128, 128]);
    }
}
