//! Sampling a volume between its voxels: a cubic B-spline with the voxels themselves as its coefficients.
//!
//! Σ vᵢ β³(u − i) is the volume smoothed by β³ (SD 1/√3 voxel) and defined everywhere, with two continuous derivatives.
//! Cubic *interpolation* would first run a recursive filter over the volume so that the voxels' own values come back
//! (Unser 1999, IEEE Signal Processing Magazine 16(6):22). Leaving the filter out leaves in the smoothing, which a
//! registration wants anyway, and costs nothing; the reference is smoothed in exactly the same way, so that a frame
//! that has not moved matches it exactly. At a whole place the weights are 1/6, 4/6, 1/6, their derivatives −1/2, 0,
//! 1/2: so value and gradient of the reference at its voxels are exact.
//!
//! Volumes are padded by [`PAD`] voxels on each side, mirrored about the centre of the outermost voxel, so that every
//! place between the centres of the outermost voxels can be sampled without asking where the edge is.

/// Voxels added on each side: β³ reaches from one voxel below to two above.
pub(super) const PAD: usize = 2;

/// A volume with a margin on all sides.
#[derive(Debug, Clone)]
pub(super) struct Padded {
    pub shape: [usize; 3],
    pub values: Vec<f32>,
}

impl Padded {
    pub fn new(shape: [usize; 3]) -> Self {
        Self { shape, values: vec![0.0; padded_voxels(shape)] }
    }

    /// Steps from a voxel to its next along y and z.
    pub fn strides(&self) -> [usize; 2] {
        let x = self.shape[0] + 2 * PAD;
        [x, x * (self.shape[1] + 2 * PAD)]
    }

    /// Place of an inner voxel in `values`.
    pub fn index(&self, [x, y, z]: [usize; 3]) -> usize {
        let [sy, sz] = self.strides();
        x + PAD + (y + PAD) * sy + (z + PAD) * sz
    }

    /// Fills the margin from the inner voxels.
    pub fn mirror(&mut self) {
        let [sy, sz] = self.strides();
        let [nx, ny, nz] = self.shape;
        for z in 0..nz {
            for y in 0..ny {
                let row = self.index([0, y, z]) - PAD;
                for (to, from) in margin(nx) {
                    self.values[row + to] = self.values[row + from];
                }
            }
            let plane = (z + PAD) * sz;
            for (to, from) in margin(ny) {
                self.values.copy_within(plane + from * sy..plane + (from + 1) * sy, plane + to * sy);
            }
        }
        for (to, from) in margin(nz) {
            self.values.copy_within(from * sz..(from + 1) * sz, to * sz);
        }
    }

    /// The smoothed volume at voxel coordinates `at`; each lies from 0 to the last index (the caller sees to it).
    #[inline(always)]
    pub fn at(&self, at: [f32; 3]) -> f32 {
        let [sy, sz] = self.strides();
        // By way of i32: the shortest conversion that there is (measured: of the whole fit, a sixth).
        let [x, y, z] = [at[0] as i32, at[1] as i32, at[2] as i32];
        let wx = weights(at[0] - x as f32);
        let wy = weights(at[1] - y as f32);
        let wz = weights(at[2] - z as f32);
        // One voxel below, in padded counting.
        let below = PAD - 1;
        let first = x as usize + below + (y as usize + below) * sy + (z as usize + below) * sz;
        let block = &self.values[first..first + 3 * sz + 3 * sy + 4];
        let mut columns = [0.0_f32; 4];
        for k in 0..4 {
            for j in 0..4 {
                let row = &block[j * sy + k * sz..][..4];
                let weight = wz[k] * wy[j];
                for i in 0..4 {
                    columns[i] += weight * row[i];
                }
            }
        }
        (columns[0] * wx[0] + columns[1] * wx[1]) + (columns[2] * wx[2] + columns[3] * wx[3])
    }

    /// Value and gradient (per voxel) of the smoothed volume at a voxel.
    pub fn at_voxel(&self, voxel: [usize; 3]) -> (f64, [f64; 3]) {
        const VALUE: [f64; 3] = [1.0 / 6.0, 4.0 / 6.0, 1.0 / 6.0];
        const SLOPE: [f64; 3] = [-0.5, 0.0, 0.5];
        let [sy, sz] = self.strides();
        let centre = self.index(voxel);
        let (mut value, mut gradient) = (0.0, [0.0; 3]);
        for k in 0..3 {
            for j in 0..3 {
                for i in 0..3 {
                    let v = f64::from(self.values[centre + i + j * sy + k * sz - 1 - sy - sz]);
                    value += VALUE[i] * VALUE[j] * VALUE[k] * v;
                    gradient[0] += SLOPE[i] * VALUE[j] * VALUE[k] * v;
                    gradient[1] += VALUE[i] * SLOPE[j] * VALUE[k] * v;
                    gradient[2] += VALUE[i] * VALUE[j] * SLOPE[k] * v;
                }
            }
        }
        (value, gradient)
    }
}

/// Voxels with the margin.
pub(super) fn padded_voxels(shape: [usize; 3]) -> usize {
    shape.iter().map(|n| n + 2 * PAD).product()
}

/// For an axis of `n` voxels, each margin place and the inner place it mirrors, both in padded counting.
fn margin(n: usize) -> impl Iterator<Item = (usize, usize)> {
    let n = n as isize;
    let mirrored = move |i: isize| {
        let period = (2 * (n - 1)).max(1);
        let i = i.rem_euclid(period);
        if i < n { i } else { period - i }
    };
    let pad = PAD as isize;
    (-pad..0).chain(n..n + pad).map(move |i| ((i + pad) as usize, (mirrored(i) + pad) as usize))
}

/// β³ at distances 1 + f, f, 1 − f, 2 − f.
#[inline(always)]
fn weights(f: f32) -> [f32; 4] {
    let g = 1.0 - f;
    let (f2, g2) = (f * f, g * g);
    const SIXTH: f32 = 1.0 / 6.0;
    [g2 * g * SIXTH, 2.0 / 3.0 - 0.5 * f2 * (2.0 - f), 2.0 / 3.0 - 0.5 * g2 * (1.0 + f), f2 * f * SIXTH]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_margin_is_a_mirror_even_of_one_voxel() {
        let of = |n| margin(n).collect::<Vec<_>>();
        assert_eq!(of(5), [(0, 4), (1, 3), (7, 5), (8, 4)]);
        assert_eq!(of(2), [(0, 2), (1, 3), (4, 2), (5, 3)]);
        assert_eq!(of(1), [(0, 2), (1, 2), (3, 2), (4, 2)]);
    }

    #[test]
    fn sampling_agrees_with_the_sum_over_all_voxels() {
        // β³ from its definition, Unser 1999, equation 4.
        let beta = |x: f64| match x.abs() {
            x if x < 1.0 => 2.0 / 3.0 - x * x + x * x * x / 2.0,
            x if x < 2.0 => (2.0 - x).powi(3) / 6.0,
            _ => 0.0,
        };
        let mut volume = Padded::new([4, 3, 5]);
        for z in 0..5 {
            for y in 0..3 {
                for x in 0..4 {
                    let place = volume.index([x, y, z]);
                    volume.values[place] = ((x * 7 + y * 11 + z * 5) % 13) as f32;
                }
            }
        }
        volume.mirror();
        let slow = |at: [f64; 3]| {
            let mut sum = 0.0;
            for (i, value) in volume.values.iter().enumerate() {
                let place = [i % 8, i / 8 % 7, i / 56].map(|p| p as f64 - PAD as f64);
                sum += f64::from(*value) * (0..3).map(|a| beta(at[a] - place[a])).product::<f64>();
            }
            sum
        };
        for at in [[0.0, 0.0, 0.0], [3.0, 2.0, 4.0], [1.25, 0.5, 3.875], [0.1, 1.9, 2.4], [2.999, 1.0, 0.001]] {
            let fast = f64::from(volume.at(at.map(|u| u as f32)));
            assert!((fast - slow(at)).abs() < 1e-4, "{at:?}: {fast} against {}", slow(at));
        }
        // Value and gradient at a voxel, the latter against differences of the slow sum.
        let (value, gradient) = volume.at_voxel([1, 1, 2]);
        assert!((value - slow([1.0, 1.0, 2.0])).abs() < 1e-6);
        for axis in 0..3 {
            let (mut above, mut below) = ([1.0, 1.0, 2.0], [1.0, 1.0, 2.0]);
            above[axis] += 1e-4;
            below[axis] -= 1e-4;
            assert!((gradient[axis] - (slow(above) - slow(below)) / 2e-4).abs() < 1e-4);
        }
    }
}
