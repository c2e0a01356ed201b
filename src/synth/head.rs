//! The invented head: an ellipsoid "brain" with a white-matter core and fluid pockets, on a grid of voxels.
//!
//! World axes are x to the right, y to the front, z up, in mm, with the origin at the centre of the brain. A point
//! lies in the brain where (x/a)² + (y/b)² + (z/c)² ≤ 1. Each half holds one white-matter ellipsoid and one smaller
//! fluid ellipsoid inside it; everything else in the brain is grey matter, where the parcels are. There is no anatomy
//! in this: the shapes only give masks of believable size.
//!
//! Sizes by age: adult half-axes of 70, 84 and 62 mm (round figures, from memory) are scaled by the ratio of median
//! head circumferences, child to adult. Circumferences: World Health Organization, Child Growth Standards 2007, head
//! circumference-for-age, mean of boys' and girls' medians; beyond five years linear to the adult value at 18 years
//! ([`crate::motion::sphere`]).

use serde::Serialize;

use crate::nifti::Affine;

/// Adult half-axes of the brain, mm, x y z. Round figures, from memory.
const ADULT_HALF_AXES_MM: [f64; 3] = [70.0, 84.0, 62.0];
/// Adult head circumference, cm: mean of 55.1 (male) and 53.6 (female).
const ADULT_CIRCUMFERENCE_CM: f64 = 54.35;

/// Outer edge of the scalp as a share of the brain's half-axes: nothing of the head lies beyond it.
pub(super) const SCALP_EDGE: f64 = 1.18;

/// The three age groups whose heads are invented.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum AgeGroup {
    Newborn,
    Toddler,
    School,
}

impl AgeGroup {
    /// All groups, youngest first.
    pub const ALL: [Self; 3] = [Self::Newborn, Self::Toddler, Self::School];

    /// The name used in file names and tables.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Newborn => "newborn",
            Self::Toddler => "toddler",
            Self::School => "school",
        }
    }

    /// Youngest and oldest age of an invented child of this group, months.
    #[must_use]
    pub fn ages_months(self) -> [f64; 2] {
        match self {
            Self::Newborn => [0.2, 2.5],
            Self::Toddler => [15.0, 34.0],
            Self::School => [74.0, 128.0],
        }
    }

    /// Median head circumference that stands for the group, cm: at birth, at 24 months, and at 96 months.
    fn circumference_cm(self) -> f64 {
        match self {
            Self::Newborn => (34.46 + 33.88) / 2.0,
            Self::Toddler => (48.25 + 47.18) / 2.0,
            Self::School => {
                let at_60 = (50.74 + 49.92) / 2.0;
                at_60 + (ADULT_CIRCUMFERENCE_CM - at_60) * (96.0 - 60.0) / (216.0 - 60.0)
            }
        }
    }
}

/// What a point of space is made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Matter {
    /// Air, beyond the scalp.
    Outside,
    /// The scalp, a shell around the brain that is outside the brain mask.
    Scalp,
    Grey,
    White,
    /// Fluid in the ventricles.
    Csf,
}

impl Matter {
    /// Whether the brain mask covers it.
    #[must_use]
    pub fn in_brain(self) -> bool {
        matches!(self, Self::Grey | Self::White | Self::Csf)
    }
}

/// An ellipsoid head.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Head {
    /// Half-axes of the brain, mm, x y z.
    pub half_axes_mm: [f64; 3],
}

/// An ellipsoid with a centre and half-axes given as shares of the brain's half-axes; mirrored over x = 0.
struct Pocket {
    centre: [f64; 3],
    half_axes: [f64; 3],
}

const WHITE: Pocket = Pocket { centre: [0.45, 0.0, 0.05], half_axes: [0.37, 0.68, 0.54] };
const VENTRICLE: Pocket = Pocket { centre: [0.16, -0.05, 0.05], half_axes: [0.11, 0.34, 0.19] };

impl Pocket {
    fn holds(&self, p: [f64; 3]) -> bool {
        let p = [p[0].abs(), p[1], p[2]];
        (0..3).map(|a| ((p[a] - self.centre[a]) / self.half_axes[a]).powi(2)).sum::<f64>() <= 1.0
    }
}

impl Head {
    /// The head of an age group.
    #[must_use]
    pub fn of(group: AgeGroup) -> Self {
        let scale = group.circumference_cm() / ADULT_CIRCUMFERENCE_CM;
        Self { half_axes_mm: ADULT_HALF_AXES_MM.map(|a| a * scale) }
    }

    /// What lies at a point (mm).
    #[must_use]
    pub fn matter(&self, world_mm: [f64; 3]) -> Matter {
        let p: [f64; 3] = std::array::from_fn(|a| world_mm[a] / self.half_axes_mm[a]);
        let radius2: f64 = p.iter().map(|v| v * v).sum();
        if radius2 > SCALP_EDGE * SCALP_EDGE {
            Matter::Outside
        } else if radius2 > 1.08 * 1.08 {
            Matter::Scalp
        } else if radius2 > 1.0 {
            Matter::Outside
        } else if VENTRICLE.holds(p) {
            Matter::Csf
        } else if WHITE.holds(p) {
            Matter::White
        } else {
            Matter::Grey
        }
    }
}

/// A grid of voxels along the world axes, centred on the origin.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct VoxelGrid {
    /// Voxels along x, y, z. Voxels are stored with x running fastest.
    pub shape: [usize; 3],
    /// Voxel size, mm.
    pub voxel_mm: [f64; 3],
}

impl VoxelGrid {
    /// The smallest grid of cubic voxels around a head's brain with two voxels to spare on each side; an even number
    /// of voxels along x, so that the halves mirror each other.
    #[must_use]
    pub fn around(head: &Head, voxel_mm: f64) -> Self {
        let shape = head.half_axes_mm.map(|a| 2 * ((a / voxel_mm).ceil() as usize + 2));
        Self { shape, voxel_mm: [voxel_mm; 3] }
    }

    /// Number of voxels.
    #[must_use]
    pub fn voxels(&self) -> usize {
        self.shape.iter().product()
    }

    /// Voxel-to-world affine, rows x y z.
    #[must_use]
    pub fn affine(&self) -> Affine {
        let mut affine = [[0.0; 4]; 3];
        for (a, row) in affine.iter_mut().enumerate() {
            row[a] = self.voxel_mm[a];
            row[3] = -self.voxel_mm[a] * (self.shape[a] as f64 - 1.0) / 2.0;
        }
        Affine(affine)
    }

    /// The three indices of a stored voxel.
    #[must_use]
    pub fn indices(&self, voxel: usize) -> [usize; 3] {
        let [nx, ny, _] = self.shape;
        [voxel % nx, voxel / nx % ny, voxel / (nx * ny)]
    }

    /// Centre of a stored voxel, mm.
    #[must_use]
    pub fn world_mm(&self, voxel: usize) -> [f64; 3] {
        let index = self.indices(voxel);
        std::array::from_fn(|a| self.voxel_mm[a] * (index[a] as f64 - (self.shape[a] as f64 - 1.0) / 2.0))
    }

    /// The stored voxel that mirrors this one over the middle of x.
    #[must_use]
    pub fn mirrored(&self, voxel: usize) -> usize {
        let i = voxel % self.shape[0];
        voxel - i + (self.shape[0] - 1 - i)
    }

    /// What each voxel's centre is made of, in storage order.
    #[must_use]
    pub fn matter(&self, head: &Head) -> Vec<Matter> {
        (0..self.voxels()).map(|v| head.matter(self.world_mm(v))).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heads_grow_with_age_and_hold_every_kind_of_matter() {
        let mut last = 0;
        for group in AgeGroup::ALL {
            let head = Head::of(group);
            let matter = VoxelGrid::around(&head, 4.0).matter(&head);
            let count = |m: Matter| matter.iter().filter(|&&x| x == m).count();
            let brain = matter.iter().filter(|m| m.in_brain()).count();
            let volume = head.half_axes_mm.iter().product::<f64>() * 4.0 / 3.0 * std::f64::consts::PI;
            assert!((brain as f64 * 64.0 / volume - 1.0).abs() < 0.03, "{brain} voxels for {volume} mm3");
            assert!(brain > last);
            last = brain;
            assert!(count(Matter::Csf) >= 20, "{} csf voxels", count(Matter::Csf));
            assert!(count(Matter::White) > count(Matter::Csf));
            assert!(count(Matter::Grey) > count(Matter::White));
        }
    }

    #[test]
    fn the_affine_says_what_world_mm_says() {
        let grid = VoxelGrid { shape: [4, 6, 5], voxel_mm: [3.0, 2.0, 4.0] };
        let affine = grid.affine();
        for voxel in 0..grid.voxels() {
            let by_affine = affine.apply(grid.indices(voxel).map(|n| n as f64));
            assert_eq!(by_affine, grid.world_mm(voxel));
            let mirror = grid.world_mm(grid.mirrored(voxel));
            assert_eq!([-mirror[0], mirror[1], mirror[2]], grid.world_mm(voxel));
        }
    }
}
