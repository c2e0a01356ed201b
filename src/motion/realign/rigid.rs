//! Poses as numbers and as maps.
//!
//! A pose is x ↦ R(x − c) + c + t, with R = Rz·Ry·Rx and c the pivot, in world mm: it takes a place of the reference
//! frame to the place where the same piece of the head lies in another frame. Inside the fit the rotation is kept as a
//! matrix; the three angles are read off at the end: R\[2\]\[0\] = −sin β, R\[2\]\[1\]/R\[2\]\[2\] = tan α,
//! R\[1\]\[0\]/R\[0\]\[0\] = tan γ.

use crate::nifti::Affine;

type Matrix3 = [[f64; 3]; 3];

/// Where the head lies in a frame.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pose {
    /// Shift of the pivot along world x, y, z, mm.
    pub translation_mm: [f64; 3],
    /// Turns about world x, y, z through the pivot, rad; x turns first.
    pub rotation_rad: [f64; 3],
    /// Intensity of the frame over that of the reference frame.
    pub gain: f64,
}

impl Pose {
    /// The head lies as in the reference frame, as bright as there.
    pub const IDENTITY: Self = Self { translation_mm: [0.0; 3], rotation_rad: [0.0; 3], gain: 1.0 };

    /// Where a point of the reference frame lies in this one, world mm.
    #[must_use]
    pub fn apply(&self, pivot_mm: [f64; 3], point_mm: [f64; 3]) -> [f64; 3] {
        Rigid::from_pose(self).affine(pivot_mm).apply(point_mm)
    }
}

/// Rotation and shift about a pivot that is known from elsewhere.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rigid {
    pub rotation: Matrix3,
    pub shift: [f64; 3],
}

impl Rigid {
    pub const IDENTITY: Self = Self { rotation: [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], shift: [0.0; 3] };

    pub fn from_pose(pose: &Pose) -> Self {
        Self { rotation: turn(pose.rotation_rad), shift: pose.translation_mm }
    }

    pub fn pose(&self, gain: f64) -> Pose {
        let r = &self.rotation;
        let rotation_rad = [
            r[2][1].atan2(r[2][2]),
            (-r[2][0]).atan2((r[2][1] * r[2][1] + r[2][2] * r[2][2]).sqrt()),
            r[1][0].atan2(r[0][0]),
        ];
        Pose { translation_mm: self.shift, rotation_rad, gain }
    }

    /// The pose after a step δ found on the reference's side: this map after the inverse of x ↦ Rδ(x − c) + c + tδ,
    /// that is, R·Rδᵀ and t − R·Rδᵀ·tδ. `step` is tδ (mm), then three small angles (rad).
    #[must_use]
    pub fn after_inverse(&self, step: [f64; 6]) -> Self {
        let small = turn([step[3], step[4], step[5]]);
        let rotation: Matrix3 =
            std::array::from_fn(|i| std::array::from_fn(|j| (0..3).map(|k| self.rotation[i][k] * small[j][k]).sum()));
        let shift = std::array::from_fn(|i| self.shift[i] - (0..3).map(|j| rotation[i][j] * step[j]).sum::<f64>());
        Self { rotation, shift }
    }

    /// As a map of the world.
    pub fn affine(&self, pivot: [f64; 3]) -> Affine {
        let mut rows = [[0.0; 4]; 3];
        for (i, row) in rows.iter_mut().enumerate() {
            row[..3].copy_from_slice(&self.rotation[i]);
            row[3] = pivot[i] + self.shift[i] - (0..3).map(|j| self.rotation[i][j] * pivot[j]).sum::<f64>();
        }
        Affine(rows)
    }
}

/// Rz·Ry·Rx.
fn turn([x, y, z]: [f64; 3]) -> Matrix3 {
    let ((sx, cx), (sy, cy), (sz, cz)) = (x.sin_cos(), y.sin_cos(), z.sin_cos());
    [
        [cz * cy, cz * sy * sx - sz * cx, cz * sy * cx + sz * sx],
        [sz * cy, sz * sy * sx + cz * cx, sz * sy * cx - cz * sx],
        [-sy, cy * sx, cy * cx],
    ]
}
