//! Levels of the pyramid, and values at a pose, against plain sums.

use super::*;

#[test]
fn levels_halve_until_voxels_are_coarse_and_near_cubes() {
    let factors = |shape, mm| plan(shape, mm).iter().map(|l| l.factor).collect::<Vec<_>>();
    assert_eq!(factors([64, 64, 36], [3.0, 3.0, 5.0]), [[1, 1, 1], [2, 2, 1], [4, 4, 2]]);
    assert_eq!(factors([91, 109, 91], [2.0, 2.0, 2.0]), [[1, 1, 1], [2, 2, 2], [4, 4, 4]]);
    assert_eq!(factors([128, 96, 3], [2.0, 2.0, 8.0]), [[1, 1, 1], [2, 2, 1], [4, 4, 1]]);
    assert_eq!(factors([4, 4, 4], [1.0, 1.0, 1.0]), [[1, 1, 1]]);
    for level in plan([33, 41, 25], [2.0, 2.0, 2.0]) {
        // Each of a level's voxels is one of the scan's.
        assert!((0..3).all(|a| (level.shape[a] - 1) * level.factor[a] < [33, 41, 25][a]));
    }
}

#[test]
fn levels_agree_with_plain_sums() {
    let shape = [9, 8, 10];
    let values = noise(720);
    let grids = plan(shape, [2.0, 2.0, 2.5]);
    let mut pyramid = Pyramid::new(&grids, [2.0, 2.0, 2.5]);
    let filled = pyramid.fill(&values, 3.0, None);
    // Evening out has a slow twin of its own.
    let mut evened = Padded::new(shape);
    for (i, value) in values.iter().enumerate() {
        let at = evened.index([i % 9, i / 9 % 8, i / 72]);
        evened.values[at] = 3.0 * value;
    }
    Evener::new(shape, [2.0, 2.0, 2.5]).even(&mut evened, 1.0);
    assert!(!filled.holes && !filled.constant && grids.len() > 1);
    // Sums over mirrored neighbours, one axis after the other, written down without cleverness.
    let mirrored = |i: isize, n: usize| {
        let i = i.unsigned_abs();
        if i < n { i } else { 2 * (n - 1) - i }
    };
    let weighted = |from: &dyn Fn([usize; 3]) -> f64, n: [usize; 3], at: [usize; 3], taps: &[f64]| {
        let reach = taps.len() as isize / 2;
        let mut sum = 0.0;
        for (i, wx) in taps.iter().enumerate() {
            for (j, wy) in taps.iter().enumerate() {
                for (k, wz) in taps.iter().enumerate() {
                    let near = |a: usize, tap: usize| mirrored(at[a] as isize + tap as isize - reach, n[a]);
                    sum += wx * wy * wz * from([near(0, i), near(1, j), near(2, k)]);
                }
            }
        }
        sum
    };
    let finest = |at: [usize; 3]| {
        let raw = |at: [usize; 3]| f64::from(evened.values[evened.index(at)]);
        weighted(&raw, shape, at, &[0.25, 0.5, 0.25])
    };
    let taps = [1.0, 4.0, 6.0, 4.0, 1.0].map(|w| w / 16.0);
    assert_eq!(grids[1].factor, [2, 2, 2]);
    for (level, n) in [shape, grids[1].shape].into_iter().enumerate() {
        let padded = &pyramid.levels[level];
        for z in 0..n[2] {
            for y in 0..n[1] {
                for x in 0..n[0] {
                    let slow = if level == 0 {
                        finest([x, y, z])
                    } else {
                        weighted(&finest, shape, [2 * x, 2 * y, 2 * z], &taps)
                    };
                    let fast = f64::from(padded.values[padded.index([x, y, z])]);
                    assert!((fast - slow).abs() < 1e-5, "level {level} at {x} {y} {z}: {fast} against {slow}");
                }
            }
        }
    }
}

#[test]
fn resampling_agrees_with_plain_trilinear_interpolation() {
    let affine = oblique();
    let values = noise(SHAPE.iter().product());
    let c = [2.0, -3.0, 5.0];
    let needed: Vec<u32> = (0..values.len() as u32).step_by(7).collect();
    let resampler = Resampler::new(SHAPE, affine, c, &needed).expect("a grid");
    let mut out = vec![0.0; needed.len()];

    assert_eq!(resampler.sample(&values, &Pose::IDENTITY, &mut out), 0);
    assert!(out.iter().zip(&needed).all(|(v, &i)| *v == f64::from(values[i as usize])));

    let back = affine.inverse().expect("an affine");
    for p in [
        pose([1.0, -2.5, 3.0], [0.1, -0.05, 0.2], 1.0),
        pose([0.0; 3], [1e-9, 0.0, 0.0], 1.0),
        pose([60.0, 0.0, 0.0], [0.0; 3], 1.0),
    ] {
        let outside = resampler.sample(&values, &p, &mut out);
        let mut expected_outside = 0;
        for (value, &voxel) in out.iter().zip(&needed) {
            let [nx, ny, _] = SHAPE;
            let i = voxel as usize;
            let at = back.apply(moved(&p, c, affine.apply([i % nx, i / nx % ny, i / nx / ny].map(|v| v as f64))));
            if (0..3).any(|a| at[a] < -1e-6 || at[a] > SHAPE[a] as f64 - 1.0 + 1e-6) {
                expected_outside += 1;
            }
            let mut sum = 0.0;
            for (j, stored) in values.iter().enumerate() {
                let near = [j % nx, j / nx % ny, j / nx / ny];
                let weight: f64 = (0..3)
                    .map(|a| (1.0 - (at[a].clamp(0.0, SHAPE[a] as f64 - 1.0) - near[a] as f64).abs()).max(0.0))
                    .product();
                sum += weight * f64::from(*stored);
            }
            assert!((value - sum).abs() < 1e-6, "voxel {voxel}: {value} against {sum}");
        }
        assert_eq!(outside, expected_outside);
    }
    assert!(Resampler::new(SHAPE, affine, c, &[values.len() as u32]).is_none());
}
