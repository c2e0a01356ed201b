mod sampling;

use super::even::Evener;
use super::pyramid::{Pyramid, plan};
use super::rigid::Rigid;
use super::spline::Padded;
use super::*;
use crate::nifti::Affine;
use crate::test_numbers::xorshift;

const SHAPE: [usize; 3] = [30, 34, 24];

/// Blobs (centre mm, SD mm, height) that make a head without symmetry; all lie well inside [`SHAPE`] at 4 mm.
const BLOBS: [([f64; 3], f64, f64); 9] = [
    ([0.0, 0.0, 0.0], 22.0, 60.0),
    ([14.0, 6.0, 4.0], 7.0, 40.0),
    ([-12.0, 16.0, -5.0], 8.0, -35.0),
    ([5.0, -18.0, 12.0], 6.0, 45.0),
    ([-20.0, -10.0, 8.0], 7.0, 50.0),
    ([9.0, 20.0, -14.0], 6.5, 30.0),
    ([-4.0, 3.0, 20.0], 6.0, -30.0),
    ([22.0, -14.0, -10.0], 7.0, 35.0),
    ([-15.0, -22.0, -16.0], 8.0, 40.0),
];

fn brightness(at: [f64; 3]) -> f64 {
    BLOBS
        .iter()
        .map(|(centre, sd, height)| {
            let square: f64 = (0..3).map(|a| (at[a] - centre[a]).powi(2)).sum();
            height * (-square / (2.0 * sd * sd)).exp()
        })
        .sum()
}

/// 4 mm voxels, centred on the world's origin.
fn plain() -> Affine {
    centred([[4.0, 0.0, 0.0], [0.0, 4.0, 0.0], [0.0, 0.0, 4.0]])
}

/// Left-handed, oblique, 3.5 × 4 × 5 mm.
fn oblique() -> Affine {
    let turn = Rigid::from_pose(&Pose { rotation_rad: [0.3, -0.2, 0.5], ..Pose::IDENTITY }).rotation;
    let sizes = [-3.5, 4.0, 5.0];
    centred(std::array::from_fn(|i| std::array::from_fn(|j| turn[i][j] * sizes[j])))
}

fn centred(columns: [[f64; 3]; 3]) -> Affine {
    let middle = SHAPE.map(|n| (n - 1) as f64 / 2.0);
    Affine(std::array::from_fn(|i| {
        let [x, y, z] = columns[i];
        [x, y, z, -(x * middle[0] + y * middle[1] + z * middle[2])]
    }))
}

fn places(affine: Affine) -> impl Iterator<Item = [f64; 3]> {
    let [nx, ny, nz] = SHAPE;
    (0..nx * ny * nz).map(move |i| affine.apply([i % nx, i / nx % ny, i / nx / ny].map(|v| v as f64)))
}

/// Rz·Ry·Rx as three turns of a point, one after another: the slow twin of the matrices.
fn turned(point: [f64; 3], [alpha, beta, gamma]: [f64; 3]) -> [f64; 3] {
    let [x, y, z] = point;
    let (y, z) = (y * alpha.cos() - z * alpha.sin(), y * alpha.sin() + z * alpha.cos());
    let (x, z) = (x * beta.cos() + z * beta.sin(), -x * beta.sin() + z * beta.cos());
    [x * gamma.cos() - y * gamma.sin(), x * gamma.sin() + y * gamma.cos(), z]
}

fn moved(pose: &Pose, c: [f64; 3], x: [f64; 3]) -> [f64; 3] {
    let r = turned(std::array::from_fn(|a| x[a] - c[a]), pose.rotation_rad);
    std::array::from_fn(|a| r[a] + c[a] + pose.translation_mm[a])
}

/// The way back: the turns undone in the other order.
fn moved_back(pose: &Pose, c: [f64; 3], y: [f64; 3]) -> [f64; 3] {
    let r: [f64; 3] = std::array::from_fn(|a| y[a] - c[a] - pose.translation_mm[a]);
    let [alpha, beta, gamma] = pose.rotation_rad;
    let r = turned(turned(turned(r, [0.0, 0.0, -gamma]), [0.0, -beta, 0.0]), [-alpha, 0.0, 0.0]);
    std::array::from_fn(|a| r[a] + c[a])
}

/// The head at a pose: at y lies what was at the place that moves to y.
fn frame(affine: Affine, c: [f64; 3], pose: &Pose) -> Vec<f32> {
    places(affine).map(|y| (pose.gain * brightness(moved_back(pose, c, y))) as f32).collect()
}

fn brain(affine: Affine) -> Vec<bool> {
    places(affine).map(|x| x.iter().map(|v| v * v).sum::<f64>().sqrt() < 38.0).collect()
}

fn reference(affine: Affine) -> Reference {
    let first = frame(affine, [0.0; 3], &Pose::IDENTITY);
    Reference::new(&first, SHAPE, affine, &brain(affine)).expect("a head with structure")
}

fn pose(translation_mm: [f64; 3], rotation_rad: [f64; 3], gain: f64) -> Pose {
    Pose { translation_mm, rotation_rad, gain }
}

/// Root mean square distance between where two poses put points 40 mm from the pivot.
fn error_mm(c: [f64; 3], a: &Pose, b: &Pose) -> f64 {
    let mut sum = 0.0;
    for axis in 0..3 {
        for sign in [-40.0, 40.0] {
            let mut x = c;
            x[axis] += sign;
            let (p, q) = (moved(a, c, x), moved(b, c, x));
            sum += (0..3).map(|i| (p[i] - q[i]).powi(2)).sum::<f64>();
        }
    }
    (sum / 6.0).sqrt()
}

/// Numbers from −1 to 1 that look like noise and are the same every time.
fn noise(count: usize) -> Vec<f32> {
    let mut state = 0x2545_F491_4F6C_DD1D;
    (0..count).map(|_| (xorshift(&mut state) >> 40) as f32 / 8_388_608.0 - 1.0).collect()
}

#[test]
fn a_pose_maps_points_as_three_turns_and_a_shift_do() {
    let c = [3.0, -7.0, 11.0];
    for p in [
        pose([1.0, -2.0, 3.0], [0.3, -0.2, 0.5], 1.0),
        pose([0.0; 3], [-1.2, 1.4, 3.0], 1.0),
        pose([-15.0, 0.1, 4.0], [0.001, 0.0, -0.002], 1.0),
    ] {
        let x = [20.0, -31.0, 44.0];
        let (fast, slow) = (p.apply(c, x), moved(&p, c, x));
        let there_and_back = moved_back(&p, c, slow);
        let read = Rigid::from_pose(&p).pose(p.gain);
        for a in 0..3 {
            assert!((fast[a] - slow[a]).abs() < 1e-12);
            assert!((there_and_back[a] - x[a]).abs() < 1e-12);
            assert!((read.rotation_rad[a] - p.rotation_rad[a]).abs() < 1e-12);
            assert_eq!(read.translation_mm[a], p.translation_mm[a]);
        }
    }
}

#[test]
fn a_step_is_undone_before_the_pose() {
    let c = [3.0, -7.0, 11.0];
    let p = pose([1.0, -2.0, 3.0], [0.3, -0.2, 0.5], 1.0);
    let step = [0.4, -0.3, 0.2, 0.02, -0.05, 0.03];
    let small = pose([0.4, -0.3, 0.2], [0.02, -0.05, 0.03], 1.0);
    let after = Rigid::from_pose(&p).after_inverse(step).pose(1.0);
    let x = [20.0, -31.0, 44.0];
    // (T ∘ W⁻¹)(W x) = T x.
    let (left, right) = (moved(&after, c, moved(&small, c, x)), moved(&p, c, x));
    assert!((0..3).all(|a| (left[a] - right[a]).abs() < 1e-12), "{left:?} {right:?}");
}

#[test]
fn rows_are_the_derivatives_of_the_moved_image() {
    for affine in [plain(), oblique()] {
        let reference = reference(affine);
        let grids: Vec<_> = reference.levels.iter().map(|l| l.grid).collect();
        let mut pyramid = Pyramid::new(&grids, affine.voxel_sizes());
        pyramid.fill(&frame(affine, [0.0; 3], &Pose::IDENTITY), reference.scale, None);
        for (number, level) in reference.levels.iter().enumerate() {
            for k in 0..6 {
                // What the level's image shows at a point once the step is undone, for a step forward and one back.
                let looked_up = |size: f64| {
                    let mut step = [0.0; 6];
                    step[k] = if k < 3 { size } else { size / reference.radius_mm };
                    let map = Rigid::IDENTITY.after_inverse(step).affine(reference.pivot);
                    let to_frame = level.to_voxel.compose(&map.compose(&level.to_world));
                    move |p: &[f32; 3]| to_frame.apply(p.map(f64::from)).map(|u| u as f32)
                };
                let (forward, back) = (looked_up(0.02), looked_up(-0.02));
                let image = &pyramid.levels[number];
                let inner = |at: [f32; 3]| (0..3).all(|a| at[a] > 0.5 && at[a] < image.shape[a] as f32 - 1.5);
                let (mut tried, mut worst, mut largest) = (0, 0.0_f64, 0.0_f64);
                for (point, row) in level.points.iter().zip(&level.rows) {
                    if !inner(*point) {
                        continue;
                    }
                    tried += 1;
                    let change = f64::from(image.at(forward(point)) - image.at(back(point))) / 0.04;
                    worst = worst.max((change + f64::from(row[k])).abs());
                    largest = largest.max(f64::from(row[k]).abs());
                }
                assert!(tried > 50 && worst < 0.01 * largest, "level {number}, {k}: {worst} of {largest}, {tried}");
            }
        }
    }
}

#[test]
fn the_reference_itself_has_not_moved() {
    for affine in [plain(), oblique()] {
        let reference = reference(affine);
        let found = Tracker::new(&reference).align(&frame(affine, [0.0; 3], &Pose::IDENTITY)).expect("a pose");
        assert!(
            error_mm(reference.pivot, &found, &Pose::IDENTITY) < 1e-4 && (found.gain - 1.0).abs() < 1e-5,
            "{found:?}"
        );
    }
}

#[test]
fn known_moves_come_back_on_plain_and_on_oblique_flipped_grids() {
    let moves = [
        pose([0.5, 0.0, 0.0], [0.0; 3], 1.0),
        pose([0.0, -0.7, 0.3], [0.0; 3], 1.3),
        pose([0.2, 0.1, -0.4], [0.01, -0.02, 0.015], 0.9),
        pose([-1.5, 2.0, 1.0], [-0.03, 0.02, 0.05], 1.0),
    ];
    for affine in [plain(), oblique()] {
        let reference = reference(affine);
        let mut tracker = Tracker::new(&reference);
        for truth in &moves {
            let found = tracker.align(&frame(affine, reference.pivot, truth)).expect("a pose");
            let error = error_mm(reference.pivot, &found, truth);
            // A hundredth of these voxels; real heads, whose structure is finer, come out nearer (test_realign.py).
            assert!(error < 0.04 && (found.gain - truth.gain).abs() < 0.005, "{error} mm: {found:?} for {truth:?}");
        }
    }
}

#[test]
fn jumps_are_found_there_and_back() {
    let reference = reference(plain());
    let mut tracker = Tracker::new(&reference);
    let ten = 10.0_f64.to_radians();
    let jumps = [
        pose([8.0, -9.0, 9.0], [ten, 0.0, 0.0], 1.0),
        Pose::IDENTITY,
        pose([-15.0, 0.0, 0.0], [0.0, -ten, 0.0], 1.0),
        pose([0.0, 0.0, -10.0], [0.0, 0.0, ten], 1.0),
        pose([0.1, 0.0, 0.0], [0.0; 3], 1.0),
    ];
    for truth in &jumps {
        let found = tracker.align(&frame(plain(), reference.pivot, truth)).expect("a pose");
        let error = error_mm(reference.pivot, &found, truth);
        // A head of 4 mm voxels that leaves the field of view in part; the windows of evening out do not turn with it.
        assert!(error < 0.06, "{error} mm: {found:?} for {truth:?}");
    }
}

#[test]
fn frames_without_the_head_have_no_pose_and_leave_no_trace() {
    let reference = reference(plain());
    let good = frame(plain(), reference.pivot, &pose([0.3, 0.2, 0.1], [0.01, 0.0, 0.0], 1.0));
    let voxels = good.len();
    let half = |keep: &dyn Fn(usize) -> bool| {
        good.iter().enumerate().map(|(i, &v)| if keep(i) { v } else { 0.0 }).collect::<Vec<f32>>()
    };
    let [nx, ny, nz] = SHAPE;
    let bad = [
        noise(voxels),
        noise(voxels).iter().map(|v| 100.0 + 20.0 * v).collect(),
        vec![100.0; voxels],
        vec![0.0; voxels],
        vec![f32::NAN; voxels],
        vec![f32::INFINITY; voxels],
        good.iter().map(|v| -v).collect(),
        half(&|i| i % nx < nx / 2),
        half(&|i| i / nx % ny < ny / 2),
        half(&|i| i / nx / ny < nz / 2),
        half(&|i| i / nx / ny >= nz / 2),
        half(&|i| i / nx / ny % 2 == 0),
        vec![1.0; voxels - 1],
    ];
    let mut tracker = Tracker::new(&reference);
    let before = tracker.align(&good).expect("a pose");
    for (number, frame) in bad.iter().enumerate() {
        let found = tracker.align(frame);
        assert!(found.is_err(), "bad frame {number} has the pose {found:?}");
    }
    let after = tracker.align(&good).expect("a pose");
    // Each of the two ends within a step of 0.003 mm of the best.
    let apart = error_mm(reference.pivot, &before, &after);
    assert!(apart < 0.006, "{apart} mm");
    // Noise of SD 1.15 in a head of 30 in the mean does not matter much; twenty times as much leaves no trust.
    let noisy = |height: f32| good.iter().zip(noise(voxels)).map(|(v, n)| v + height * n).collect::<Vec<f32>>();
    let found = tracker.align(&noisy(2.0)).expect("a pose");
    let error = error_mm(reference.pivot, &before, &found);
    assert!(error < 0.25, "{error} mm");
    assert!(matches!(tracker.align(&noisy(40.0)), Err(Unaligned::Uncertain { .. } | Unaligned::Unlike { .. })));
}

#[test]
fn voxels_that_are_not_finite_are_left_out() {
    let truth = pose([0.3, -0.2, 0.4], [0.01, 0.005, -0.02], 1.0);
    // Everything outside the head is NaN in the reference; in the frame that and a bit of the head.
    let outside = |i: usize| !brain(plain())[i];
    let mut first = frame(plain(), [0.0; 3], &Pose::IDENTITY);
    let edge: Vec<usize> = (0..first.len()).step_by(97).filter(|&i| outside(i)).collect();
    for &i in &edge {
        first[i] = f32::NAN;
    }
    let reference = Reference::new(&first, SHAPE, plain(), &brain(plain())).expect("a head");
    let mut holed = frame(plain(), reference.pivot, &truth);
    for &i in &edge {
        holed[i] = f32::NAN;
    }
    let middle = SHAPE[0] / 2 + SHAPE[0] * (SHAPE[1] / 2 + SHAPE[1] * (SHAPE[2] / 2));
    for i in [middle, middle + 1, middle + SHAPE[0], middle + 400] {
        holed[i] = f32::INFINITY;
    }
    let found = Tracker::new(&reference).align(&holed).expect("a pose");
    let error = error_mm(reference.pivot, &found, &truth);
    assert!(error < 0.1, "{error} mm: {found:?}");
}

#[test]
fn the_same_frames_give_the_same_bits() {
    let reference = reference(oblique());
    let frames: Vec<Vec<f32>> = (0..4)
        .map(|i| frame(oblique(), reference.pivot, &pose([0.3 * f64::from(i), 0.0, -0.1], [0.0, 0.01, 0.0], 1.0)))
        .collect();
    let run = || {
        let mut tracker = Tracker::new(&reference);
        frames.iter().map(|f| tracker.align(f).expect("a pose")).collect::<Vec<_>>()
    };
    assert_eq!(run(), run());
}

#[test]
fn an_image_that_shows_no_pose_cannot_be_a_reference() {
    let voxels = SHAPE.iter().product::<usize>();
    let all = vec![true; voxels];
    let new = |volume: &[f32], brain: &[bool]| Reference::new(volume, SHAPE, plain(), brain).map(|_| ());
    assert!(matches!(new(&vec![5.0; voxels], &all), Err(RealignError::Undetermined { .. })));
    assert!(matches!(new(&vec![0.0; voxels], &all), Err(RealignError::Flat)));
    assert!(matches!(new(&vec![f32::NAN; voxels], &all), Err(RealignError::FewVoxels { found: 0, .. })));
    assert!(matches!(new(&vec![5.0; voxels - 1], &all), Err(RealignError::Lengths { .. })));
    // A ball looks the same however it is turned.
    let ball: Vec<f32> =
        places(plain()).map(|x| (-x.iter().map(|v| v * v).sum::<f64>() / 800.0).exp() as f32).collect();
    let found = new(&ball, &brain(plain()));
    assert!(matches!(found, Err(RealignError::Undetermined { .. })), "{found:?}");
    // A bar looks the same however it is shifted along itself.
    let bar: Vec<f32> = places(plain()).map(|x| (-(x[0] * x[0] + 2.0 * x[1] * x[1]) / 800.0).exp() as f32).collect();
    let found = new(&bar, &brain(plain()));
    assert!(matches!(found, Err(RealignError::Undetermined { .. })), "{found:?}");
    let flat = Affine([[4.0, 0.0, 0.0, 0.0], [0.0, 4.0, 0.0, 0.0], [0.0, 4.0, 0.0, 0.0]]);
    assert!(matches!(Reference::new(&ball, SHAPE, flat, &all), Err(RealignError::Affine)));
}

#[test]
fn no_grid_is_too_small_or_too_flat_to_be_answered() {
    let values = noise(12 * 12 * 12);
    for shape in [
        [0, 3, 3],
        [1, 1, 1],
        [1, 40, 30],
        [12, 12, 1],
        [12, 12, 2],
        [12, 12, 3],
        [3, 12, 12],
        [12, 3, 4],
        [5, 5, 5],
        [2, 2, 400],
        [7, 8, 9],
    ] {
        let voxels = shape.iter().product::<usize>();
        let volume: Vec<f32> = (0..voxels).map(|i| 100.0 + values[i % values.len()]).collect();
        if let Ok(reference) = Reference::new(&volume, shape, Affine::scaling([3.0, 3.0, 8.0]), &vec![true; voxels]) {
            let mut tracker = Tracker::new(&reference);
            // Another noise: whatever is said of it, it is not a pose.
            let other: Vec<f32> = volume.iter().rev().copied().collect();
            assert!(tracker.align(&other).is_err(), "{shape:?}");
        }
    }
}

#[test]
fn the_reference_is_the_steady_frame_of_median_difference() {
    let nan = f64::NAN;
    assert_eq!(choose_reference(&[nan, 9.0, 1.0, 5.0, 3.0, 2.0], 0), Some(4));
    // An even count takes the lower middle one, equal ones the first.
    assert_eq!(choose_reference(&[nan, 4.0, 2.0, 2.0, 3.0], 0), Some(2));
    // Frames 0 and 1 are unsteady, and the difference in frame 2 is against one of them.
    assert_eq!(choose_reference(&[nan, 2.0, 2.5, 7.0, 5.0, 6.0], 2), Some(5));
    assert_eq!(choose_reference(&[nan, nan, nan], 1), Some(1));
    assert_eq!(choose_reference(&[nan], 0), Some(0));
    assert_eq!(choose_reference(&[nan, 1.0], 2), None);
    assert_eq!(choose_reference(&[], 0), None);
}

#[test]
fn memory_stays_below_what_was_foretold() {
    let reference = reference(plain());
    let grids: Vec<_> = reference.levels.iter().map(|l| l.grid).collect();
    let held = reference.bytes() + Pyramid::bytes(&grids);
    let most = Reference::most_bytes(SHAPE, plain().voxel_sizes());
    assert!(held <= most && most < 4 * held, "{held} held, {most} foretold");
}
