//! Evening out: each value relative to the mean around it, so that a pose is read from edges and not from brightness.
//!
//! The signal that a scan is made for is itself a change of brightness, of about a percent and smooth over centimetres.
//! So are the changes that head motion makes to the magnetisation and to the receiving coil's field. A fit of
//! brightness takes part of all these for movement, and such poses, used as confounds, then remove the signal from the
//! data. With w = v / (m + [`FLOOR`]), where m is v smoothed twice by the mean over a window of [`WINDOW_MM`],
//! everything that is smooth over the window cancels. Own method; measured on scans made by `synth --move-images` with
//! 3 mm voxels (tests/reference/test_recovery.py holds the result): mean position error of still frames 0.123 mm
//! without it, and 0.075, 0.037, 0.027, 0.022 mm with windows and floors of (20 mm, 1), (20 mm, 0.2), (14 mm, 0.2), (14
//! mm, 0.1).

use super::spline::Padded;

/// Edge of the window, mm: measured, see above. At least one voxel to each side.
const WINDOW_MM: f64 = 14.0;
/// Added to the mean, in units of the reference's root mean square inside the brain, so that air stays dark.
const FLOOR: f32 = 0.1;

/// Room to work in.
#[derive(Debug)]
pub(super) struct Evener {
    /// Voxels to each side that a window takes in.
    reach: [usize; 3],
    mean: Vec<f32>,
    before: Vec<f32>,
    sums: Vec<f32>,
}

impl Evener {
    pub fn new(shape: [usize; 3], voxel_mm: [f64; 3]) -> Self {
        let reach = voxel_mm.map(|mm| ((WINDOW_MM / mm / 2.0).round() as usize).max(1));
        let voxels = shape.iter().product();
        let mut room = Self { reach, mean: vec![0.0; voxels], before: Vec::new(), sums: Vec::new() };
        (room.before, room.sums) = (vec![0.0; voxels], vec![0.0; shape[0] * shape[1]]);
        room
    }

    /// Bytes that [`Evener::new`] takes.
    pub fn bytes(shape: [usize; 3]) -> usize {
        (2 * shape.iter().product::<usize>() + shape[0] * shape[1]) * size_of::<f32>()
    }

    /// Evens out a volume's inner voxels, in place. `gain` is how bright it is relative to the reference: with it the
    /// floor rises, so that the result does not depend on it.
    pub fn even(&mut self, volume: &mut Padded, gain: f32) {
        let floor = FLOOR * gain;
        let [nx, ny, nz] = volume.shape;
        let rows = || (0..ny * nz).map(|row| (row * nx, [0, row % ny, row / ny]));
        for (at, first) in rows() {
            let start = volume.index(first);
            self.mean[at..at + nx].copy_from_slice(&volume.values[start..start + nx]);
        }
        for (axis, inner, count) in [(0, 1, nx), (1, nx, ny), (2, nx * ny, nz)] {
            for _ in 0..2 {
                self.average(inner, count, self.reach[axis]);
            }
        }
        for (at, first) in rows() {
            let start = volume.index(first);
            for (value, mean) in volume.values[start..start + nx].iter_mut().zip(&self.mean[at..at + nx]) {
                *value /= mean.max(0.0) + floor;
            }
        }
    }

    /// Replaces each value by the mean of its neighbours along one axis, up to `reach` to each side, fewer at the ends.
    /// The axis has `count` places, `inner` values apart.
    fn average(&mut self, inner: usize, count: usize, reach: usize) {
        let Self { mean, before, sums, .. } = self;
        before.copy_from_slice(mean);
        for (from, to) in before.chunks_exact(inner * count).zip(mean.chunks_exact_mut(inner * count)) {
            let line = |place: usize| &from[place * inner..(place + 1) * inner];
            let sums = &mut sums[..inner];
            sums.fill(0.0);
            for place in 0..reach.min(count) {
                sums.iter_mut().zip(line(place)).for_each(|(sum, v)| *sum += v);
            }
            for place in 0..count {
                if place + reach < count {
                    sums.iter_mut().zip(line(place + reach)).for_each(|(sum, v)| *sum += v);
                }
                if let Some(gone) = place.checked_sub(reach + 1) {
                    sums.iter_mut().zip(line(gone)).for_each(|(sum, v)| *sum -= v);
                }
                let inside = (place + reach).min(count - 1) + 1 - place.saturating_sub(reach);
                let share = 1.0 / inside as f32;
                let out = &mut to[place * inner..(place + 1) * inner];
                out.iter_mut().zip(sums.iter()).for_each(|(out, sum)| *out = sum * share);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn volume(shape: [usize; 3], value: impl Fn([usize; 3]) -> f32) -> Padded {
        let mut volume = Padded::new(shape);
        for z in 0..shape[2] {
            for y in 0..shape[1] {
                for x in 0..shape[0] {
                    let at = volume.index([x, y, z]);
                    volume.values[at] = value([x, y, z]);
                }
            }
        }
        volume
    }

    #[test]
    fn the_window_is_the_naive_mean_twice_along_each_axis() {
        let (shape, sizes) = ([9, 7, 4], [3.0, 4.0, 9.0]);
        let value = |[x, y, z]: [usize; 3]| 1.0 + ((x * 7 + y * 13 + z * 29) % 11) as f32 * 0.1;
        let mut evened = volume(shape, value);
        let mut evener = Evener::new(shape, sizes);
        assert_eq!(evener.reach, [2, 2, 1]);
        evener.even(&mut evened, 1.0);
        let mut mean: Vec<f64> = Vec::new();
        let place = |[x, y, z]: [usize; 3]| x + shape[0] * (y + shape[1] * z);
        for z in 0..shape[2] {
            for y in 0..shape[1] {
                mean.extend((0..shape[0]).map(|x| f64::from(value([x, y, z]))));
            }
        }
        for axis in 0..3 {
            for _ in 0..2 {
                let before = mean.clone();
                for z in 0..shape[2] {
                    for y in 0..shape[1] {
                        for x in 0..shape[0] {
                            let at = [x, y, z];
                            let low = at[axis].saturating_sub(evener.reach[axis]);
                            let high = (at[axis] + evener.reach[axis]).min(shape[axis] - 1);
                            let near = (low..=high).map(|i| {
                                let mut near = at;
                                near[axis] = i;
                                before[place(near)]
                            });
                            mean[place(at)] = near.sum::<f64>() / (high - low + 1) as f64;
                        }
                    }
                }
            }
        }
        for z in 0..shape[2] {
            for y in 0..shape[1] {
                for x in 0..shape[0] {
                    let expected = f64::from(value([x, y, z])) / (mean[place([x, y, z])] + f64::from(FLOOR));
                    let found = f64::from(evened.values[evened.index([x, y, z])]);
                    assert!((found - expected).abs() < 1e-5, "{found} {expected}");
                }
            }
        }
    }

    #[test]
    fn a_change_that_is_smooth_over_the_window_leaves_little() {
        let shape = [40, 40, 20];
        let head = |[x, y, z]: [usize; 3]| if (x / 3 + y / 4 + z / 2) % 2 == 0 { 10.0 } else { 7.0 };
        let (mut plain, mut lit) =
            (volume(shape, head), volume(shape, |at| head(at) * (1.0 + 0.15 * (at[0] as f32 / 20.0 - 1.0))));
        let mut evener = Evener::new(shape, [3.0; 3]);
        evener.even(&mut plain, 1.0);
        evener.even(&mut lit, 1.0);
        // Away from the ends, where the window is not whole.
        for x in 6..34 {
            let at = plain.index([x, 20, 10]);
            let change = (lit.values[at] / plain.values[at] - 1.0).abs();
            assert!(change < 0.02, "{change} at {x}");
        }
    }
}
