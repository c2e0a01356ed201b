//! Voxel grids, and reading one image on the grid of another.

use crate::nifti::{Affine, Image3};

/// A voxel grid in world space.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grid {
    pub shape: [usize; 3],
    /// Voxel indices to world mm.
    pub affine: Affine,
}

/// In floating point, a position on the boundary between two voxels may come out slightly below or above it. Adding a
/// millionth of a voxel rounds such ties up on every machine.
const TIE: f64 = 1e-6;

impl Grid {
    /// Number of voxels.
    #[must_use]
    pub fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// Volume of a voxel, mm³.
    #[must_use]
    pub fn voxel_volume(&self) -> f64 {
        self.affine.determinant().abs()
    }

    /// World position of a voxel's centre, mm.
    #[must_use]
    pub fn world(&self, voxel: usize) -> [f64; 3] {
        self.affine.apply(self.indices(voxel).map(|i| i as f64))
    }

    fn indices(&self, voxel: usize) -> [usize; 3] {
        let [nx, ny, _] = self.shape;
        [voxel % nx, voxel / nx % ny, voxel / nx / ny]
    }

    /// This grid's voxel indices to the other's.
    fn to(&self, other: &Self) -> Affine {
        // An affine that cannot be inverted is refused when a header is read.
        other.affine.inverse().unwrap_or(Affine([[f64::NAN; 4]; 3])).compose(&self.affine)
    }

    /// For each voxel of this grid, the nearest voxel of the other; none where it lies outside.
    pub fn nearest_voxels<'a>(&'a self, other: &Self) -> impl Iterator<Item = Option<usize>> + use<'a> {
        let map = self.to(other);
        let shape = other.shape;
        // Masks and atlases mostly lie on the scan's own grid, where there is nothing to work out.
        let same = self == other;
        (0..self.voxels()).map(move |voxel| {
            if same {
                return Some(voxel);
            }
            let at = map.apply(self.indices(voxel).map(|i| i as f64));
            let near = at.map(|x| (x + 0.5 + TIE).floor());
            let inside = (0..3).all(|k| near[k] >= 0.0 && near[k] < shape[k] as f64);
            inside.then(|| near[0] as usize + shape[0] * (near[1] as usize + shape[1] * near[2] as usize))
        })
    }
}

/// An image's values at the nearest voxel to each voxel of a grid; 0 outside.
#[must_use]
pub fn nearest_on(grid: &Grid, image: &Image3) -> Vec<f64> {
    let own = Grid { shape: image.header.shape, affine: image.header.affine };
    grid.nearest_voxels(&own).map(|source| source.map_or(0.0, |s| image.data[s])).collect()
}

/// Weights between voxels: (voxel of `grid`, parcel, weight above 0). Outside the weights' grid they are 0.
pub(super) fn trilinear(grid: &Grid, own: &Grid, parcels: &[Vec<(usize, f64)>]) -> Vec<(usize, usize, f64)> {
    let map = grid.to(own);
    let shape = own.shape;
    // The eight corners around each voxel's position, with their shares; a share no larger than rounding does not
    // count.
    let corners: Vec<Vec<(usize, f64)>> = (0..grid.voxels())
        .map(|voxel| {
            let at = map.apply(grid.indices(voxel).map(|i| i as f64));
            let low = at.map(|x| (x + TIE).floor());
            let share: [f64; 3] = std::array::from_fn(|k| {
                let share = (at[k] - low[k]).clamp(0.0, 1.0);
                if share < TIE { 0.0 } else { share }
            });
            (0..8)
                .filter_map(|corner| {
                    let up: [bool; 3] = std::array::from_fn(|k| corner >> k & 1 == 1);
                    let weight: f64 = (0..3).map(|k| if up[k] { share[k] } else { 1.0 - share[k] }).product();
                    let index: [f64; 3] = std::array::from_fn(|k| low[k] + f64::from(u8::from(up[k])));
                    let inside = (0..3).all(|k| index[k] >= 0.0 && index[k] < shape[k] as f64);
                    let place = || index[0] as usize + shape[0] * (index[1] as usize + shape[1] * index[2] as usize);
                    (weight > 0.0 && inside).then(|| (place(), weight))
                })
                .collect()
        })
        .collect();
    let mut members = Vec::new();
    let mut dense = vec![0.0; own.voxels()];
    for (parcel, weights) in parcels.iter().enumerate() {
        weights.iter().for_each(|&(voxel, weight)| dense[voxel] = weight);
        for (voxel, corners) in corners.iter().enumerate() {
            let weight: f64 = corners.iter().map(|&(corner, share)| share * dense[corner]).sum();
            if weight > 0.0 {
                members.push((voxel, parcel, weight));
            }
        }
        weights.iter().for_each(|&(voxel, _)| dense[voxel] = 0.0);
    }
    members
}
