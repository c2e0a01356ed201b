//! From voxel indices to places in the world, in millimetres.
//!
//! NIfTI gives up to three ways (`nifti1.h`, "3D image (volume) orientation and location in space"): the sform, three
//! rows of a matrix; the qform, a unit quaternion with offsets and voxel sizes; or the voxel sizes alone. The first of
//! these whose code is above 0 counts.

use std::fmt;

/// A 3 × 4 matrix that takes voxel indices (i, j, k) to world coordinates (x, y, z), mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Affine(pub [[f64; 4]; 3]);

/// Which of the header's three descriptions an affine came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AffineSource {
    Sform,
    Qform,
    Pixdim,
}

impl fmt::Display for AffineSource {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sform => "sform",
            Self::Qform => "qform",
            Self::Pixdim => "pixdim",
        })
    }
}

impl Affine {
    /// Scales by voxel sizes, voxel (0, 0, 0) at the world's origin: NIfTI's "method 1".
    #[must_use]
    pub fn scaling(sizes: [f64; 3]) -> Self {
        let mut rows = [[0.0; 4]; 3];
        for axis in 0..3 {
            rows[axis][axis] = sizes[axis];
        }
        Self(rows)
    }

    /// NIfTI's "method 2": a rotation from the last three parts of a unit quaternion, voxel sizes in mm, the sign of
    /// the third axis and the place of voxel (0, 0, 0). A quaternion slightly longer than 1, as rounding to `f32`
    /// leaves it, is brought back to 1 (as the standard's reference code does it).
    #[must_use]
    pub fn from_quaternion(bcd: [f64; 3], sizes: [f64; 3], third_axis_sign: f64, offset: [f64; 3]) -> Self {
        let [mut b, mut c, mut d] = bcd;
        let squares = b * b + c * c + d * d;
        let mut a = (1.0 - squares).max(0.0).sqrt();
        // 1e-7: the reference code's limit (nifti_quatern_to_mat44), about the rounding of an f32.
        if 1.0 - squares < 1e-7 {
            let length = squares.sqrt();
            (a, b, c, d) = (0.0, b / length, c / length, d / length);
        }
        let rotation = [
            [a * a + b * b - c * c - d * d, 2.0 * (b * c - a * d), 2.0 * (b * d + a * c)],
            [2.0 * (b * c + a * d), a * a + c * c - b * b - d * d, 2.0 * (c * d - a * b)],
            [2.0 * (b * d - a * c), 2.0 * (c * d + a * b), a * a + d * d - c * c - b * b],
        ];
        let scale = [sizes[0], sizes[1], sizes[2] * third_axis_sign];
        let mut rows = [[0.0; 4]; 3];
        for row in 0..3 {
            for column in 0..3 {
                rows[row][column] = rotation[row][column] * scale[column];
            }
            rows[row][3] = offset[row];
        }
        Self(rows)
    }

    /// World place of a voxel index, mm. The index need not be whole.
    #[must_use]
    pub fn apply(&self, voxel: [f64; 3]) -> [f64; 3] {
        self.0.map(|row| row[0] * voxel[0] + row[1] * voxel[1] + row[2] * voxel[2] + row[3])
    }

    /// The map that does `first` and then this one.
    #[must_use]
    pub fn compose(&self, first: &Self) -> Self {
        let mut rows = [[0.0; 4]; 3];
        for (row, of_self) in rows.iter_mut().zip(&self.0) {
            for (column, cell) in row.iter_mut().enumerate() {
                *cell = (0..3).map(|inner| of_self[inner] * first.0[inner][column]).sum();
            }
            row[3] += of_self[3];
        }
        Self(rows)
    }

    /// Of the 3 × 3 part: the volume of a voxel, mm³; negative for a left-handed image.
    #[must_use]
    pub fn determinant(&self) -> f64 {
        let [x, y, z] = self.0;
        x[0] * (y[1] * z[2] - y[2] * z[1]) - x[1] * (y[0] * z[2] - y[2] * z[0]) + x[2] * (y[0] * z[1] - y[1] * z[0])
    }

    /// Distance from one voxel to the next along each axis, mm.
    #[must_use]
    pub fn voxel_sizes(&self) -> [f64; 3] {
        [0, 1, 2].map(|axis| self.0.iter().map(|row| row[axis] * row[axis]).sum::<f64>().sqrt())
    }

    /// Whether every number is finite.
    #[must_use]
    pub fn is_finite(&self) -> bool {
        self.0.iter().flatten().all(|value| value.is_finite())
    }

    /// Whether it flattens space: the determinant is under a millionth of the product of the axes' lengths (1e-6: some
    /// ten times the rounding of the `f32` numbers that headers hold; our own choice), or not a number.
    #[must_use]
    pub fn is_singular(&self) -> bool {
        let sizes = self.voxel_sizes();
        let share = self.determinant().abs() / (sizes[0] * sizes[1] * sizes[2]);
        !(share > 1e-6 && share.is_finite())
    }

    /// The way back, world to voxel; none when the map is singular.
    #[must_use]
    pub fn inverse(&self) -> Option<Self> {
        if self.is_singular() {
            return None;
        }
        let [x, y, z] = self.0;
        let scale = 1.0 / self.determinant();
        let back = [
            [y[1] * z[2] - y[2] * z[1], x[2] * z[1] - x[1] * z[2], x[1] * y[2] - x[2] * y[1]],
            [y[2] * z[0] - y[0] * z[2], x[0] * z[2] - x[2] * z[0], x[2] * y[0] - x[0] * y[2]],
            [y[0] * z[1] - y[1] * z[0], x[1] * z[0] - x[0] * z[1], x[0] * y[1] - x[1] * y[0]],
        ];
        let rows = back.map(|row| {
            let row = row.map(|value| value * scale);
            [row[0], row[1], row[2], -(row[0] * x[3] + row[1] * y[3] + row[2] * z[3])]
        });
        let inverse = Self(rows);
        inverse.is_finite().then_some(inverse)
    }
}
