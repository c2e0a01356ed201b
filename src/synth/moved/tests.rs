use super::super::artefact::Loss;
use super::super::head::AgeGroup;
use super::super::parcellation::Parcellation;
use super::super::scan::{INTER, Voxels};
use super::super::streams::stream;
use super::super::truth::Truth;
use super::super::{Grid, SynthSettings, write_cohort};
use super::*;
use crate::nifti::{RunShape, VolumeStream};

#[test]
fn blurring_and_the_prefilter_undo_each_other() {
    let line: Vec<f32> = (0..24).map(|i| if (5..18).contains(&i) { 100.0 + (i * i % 7) as f32 } else { 0.0 }).collect();
    let mut there = line.clone();
    blur(&mut there);
    assert!((there[4] - line[5] / 6.0).abs() < 1e-4);
    prefilter(&mut there);
    for (a, b) in there.iter().zip(&line) {
        assert!((a - b).abs() < 1e-3, "{there:?}");
    }
}

#[test]
fn the_splines_weights_add_up_and_meet_at_the_voxels() {
    for n in 0..=20 {
        let w = weights(n as f32 / 20.0);
        assert!((w.iter().sum::<f32>() - 1.0).abs() < 1e-6 && w.iter().all(|w| *w >= 0.0));
        // The mean place of the weights is the place itself.
        let place: f32 = w.iter().enumerate().map(|(i, w)| (i as f32 - 1.0) * w).sum();
        assert!((place - n as f32 / 20.0).abs() < 1e-6);
    }
    assert_eq!(weights(0.0)[3], 0.0);
}

#[test]
fn a_pose_leads_from_the_frame_back_to_the_head() {
    let field = VoxelGrid { shape: [20, 22, 18], voxel_mm: [3.0, 3.0, 4.0] };
    let wide = widened(&field, &Head { half_axes_mm: [30.0, 40.0, 20.0] });
    assert_eq!(wide.shape, [20 + 2 * (3 + 4), 22 + 2 * (6 + 4), 18 + 2 * 4]);
    let pose = [2.0, -1.0, 0.5, 0.1, -0.2, 0.3];
    let (place, r) = (Place::of(&pose, &wide), rotation([0.1, -0.2, 0.3], ORDER));
    let at_rest = [7.0, -11.0, 5.0];
    let in_frame: [f64; 3] = std::array::from_fn(|i| (0..3).map(|j| r[i][j] * at_rest[j]).sum::<f64>() + pose[i]);
    let (voxel, share) = corner(place.indices(in_frame), &wide).unwrap();
    for i in 0..3 {
        let before = wide.world_mm(voxel)[i];
        let found = before + f64::from(share[i]) * wide.voxel_mm[i];
        assert!((found - at_rest[i]).abs() < 1e-5, "{found} {at_rest:?}");
    }
    assert!(corner(place.indices([500.0, 0.0, 0.0]), &wide).is_none());
    assert!(corner([f64::NAN, 5.0, 5.0], &wide).is_none());
}

#[test]
fn a_wider_grid_has_the_same_voxels() {
    let head = Head::of(AgeGroup::School);
    let field = VoxelGrid { shape: [32, 38, 30], voxel_mm: [4.5; 3] };
    let wide = widened(&field, &head);
    let values: Vec<i16> = (0..field.voxels()).map(|v| (v % 1000) as i16 + 1).collect();
    let laid = laid_into(&wide, &field, &values);
    let filled: Vec<usize> = (0..wide.voxels()).filter(|&v| laid[v] > 0).collect();
    assert_eq!(filled.len(), values.len());
    for (n, &v) in filled.iter().enumerate() {
        assert_eq!((laid[v], wide.world_mm(v)), (values[n], field.world_mm(n)));
    }
}

/// A toddler's run with these poses, as values of each frame; little noise, and the same signals whatever the poses.
fn run(field: &VoxelGrid, floor_mm: f64, poses: &[[f64; 6]]) -> Vec<Vec<f64>> {
    let head = Head::of(AgeGroup::Toddler);
    let parcellation = Parcellation::grow(&head, field, 40, 1).unwrap();
    let truth = Truth::draw(&parcellation, 1, 1).unwrap();
    let wide = widened(field, &head);
    let (matter, labels) = (wide.matter(&head), laid_into(&wide, field, &parcellation.labels));
    let voxels = Voxels::of_child(&wide, &matter, &matter, &labels, f64::NEG_INFINITY);
    let frames = poses.len();
    let loss = Loss { parcels: vec![vec![0.0; 40]; frames], shared: vec![0.0; frames] };
    let plan = ScanPlan { grid: &wide, voxels: &voxels, truth: &truth, loss: &loss, frames, tr_s: 2.0, tsnr: 1e9 };
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("run.nii.gz");
    let (slope, inter) = (SLOPE, INTER);
    let form = RunShape { shape: field.shape, frames, slope, inter, affine: field.affine(), tr_s: Some(2.0) };
    let mut image = ImageWriter::create(&path, &form, 1).unwrap();
    write(&plan, FieldOfView { grid: field, floor_mm }, poses, &mut image, &mut stream(1, 2)).unwrap();
    image.finish().unwrap();
    read(&path)
}

fn read(path: &std::path::Path) -> Vec<Vec<f64>> {
    let mut stream = VolumeStream::open(path).unwrap();
    let mut frames = Vec::new();
    while let Some(volume) = stream.next_volume().unwrap() {
        let mut values = Vec::new();
        volume.decode_all(&mut values);
        frames.push(values);
    }
    frames
}

/// Centre of what is brighter than air's noise, mm.
fn centre_of_mass(grid: &VoxelGrid, values: &[f64]) -> [f64; 3] {
    let (mut mass, mut sum) = (0.0, [0.0; 3]);
    for (voxel, value) in values.iter().enumerate() {
        // Air: 10 to 13.5 units, 11.75 on average.
        let weight = value - 11.75;
        mass += weight;
        grid.world_mm(voxel).iter().zip(&mut sum).for_each(|(x, s)| *s += weight * x);
    }
    sum.map(|s| s / mass)
}

#[test]
fn the_centre_of_mass_moves_as_the_pose_says() {
    let field = Grid::Whole.voxels();
    let poses = [
        [0.0; 6],
        [1.3, -0.7, 2.1, 0.0, 0.0, 0.0],
        [0.05, 0.0, -0.02, 0.0, 0.0, 0.0],
        [4.5, -3.0, 0.4, 0.06, -0.04, 0.09],
        [0.0, 0.0, 0.0, 0.1, 0.0, 0.0],
    ];
    let (still, moved) = (run(&field, f64::NEG_INFINITY, &[[0.0; 6]; 5]), run(&field, f64::NEG_INFINITY, &poses));
    for (frame, pose) in poses.iter().enumerate() {
        let (from, to) = (centre_of_mass(&field, &still[frame]), centre_of_mass(&field, &moved[frame]));
        let r = rotation([pose[3], pose[4], pose[5]], ORDER);
        for i in 0..3 {
            let expected = (0..3).map(|j| r[i][j] * from[j]).sum::<f64>() + pose[i];
            assert!((to[i] - expected).abs() < 0.01, "frame {frame}, axis {i}: {} for {expected}", to[i]);
        }
    }
    // Nor is any brightness lost.
    let sum = |values: &[f64]| values.iter().map(|v| v - 11.75).sum::<f64>();
    for frame in 0..5 {
        assert!((sum(&moved[frame]) / sum(&still[frame]) - 1.0).abs() < 1e-3);
    }
}

#[test]
fn a_whole_voxel_of_shift_shifts_the_voxels() {
    let field = Grid::Small.voxels();
    let shift = [0.0, 4.5, -9.0, 0.0, 0.0, 0.0];
    let (still, moved) = (run(&field, f64::NEG_INFINITY, &[[0.0; 6]]), run(&field, f64::NEG_INFINITY, &[shift]));
    let mut largest = 0.0f64;
    for (voxel, value) in moved[0].iter().enumerate() {
        let [x, y, z] = field.indices(voxel);
        // The voxel that was one behind and two above; the frame's edges see what lay beyond them at rest.
        if y >= 1 && z + 2 < 30 {
            let from = x + 32 * (y - 1 + 38 * (z + 2));
            largest = largest.max((value - still[0][from]).abs());
        }
    }
    // Both hold the noise of air, up to 3.5 units.
    assert!(largest <= 4.0, "{largest}");
    // The outer edge of the scalp at the back, beyond the field of view at rest, has come in: brighter than air.
    let edge = |frame: &[f64]| (0..32 * 30).map(|n| frame[n % 32 + 32 * 38 * (n / 32)]).fold(0.0, f64::max);
    assert!(edge(&moved[0]) > 30.0, "{}", edge(&moved[0]));
}

#[test]
fn slices_that_were_not_scanned_hold_air_wherever_the_head_is() {
    let field = Grid::Small.voxels();
    let frames = run(&field, -30.0, &[[0.0; 6], [0.0, 0.0, -12.0, 0.0, 0.0, 0.0]]);
    for frame in &frames {
        for (voxel, value) in frame.iter().enumerate() {
            let air = (10.0..=13.5).contains(value);
            assert!(air || field.world_mm(voxel)[2] >= -30.0);
        }
    }
    assert!(frames[1].iter().any(|v| *v > 500.0));
}

#[test]
fn signals_are_those_of_the_rest_position_and_not_mixed() {
    // Two runs that differ in their poses alone: taken back to the rest position by whole voxels, parcels are alike.
    let field = Grid::Small.voxels();
    let shift = [4.5, 0.0, 0.0, 0.0, 0.0, 0.0];
    let frames = 12;
    let (still, moved) =
        (run(&field, f64::NEG_INFINITY, &vec![[0.0; 6]; frames]), run(&field, f64::NEG_INFINITY, &vec![shift; frames]));
    let parcellation = Parcellation::grow(&Head::of(AgeGroup::Toddler), &field, 40, 1).unwrap();
    let parcel = |values: &[f64], label: i16, back: usize| {
        let inside: Vec<usize> = (0..field.voxels()).filter(|&v| parcellation.labels[v] == label).collect();
        inside.iter().map(|&v| values[v + back]).sum::<f64>() / inside.len() as f64
    };
    for label in 1..=40 {
        let series = |run: &[Vec<f64>], back: usize| -> Vec<f64> {
            let values: Vec<f64> = run.iter().map(|frame| parcel(frame, label, back)).collect();
            let mean = values.iter().sum::<f64>() / frames as f64;
            values.iter().map(|v| 100.0 * (v / mean - 1.0)).collect()
        };
        let (there, here) = (series(&moved, 1), series(&still, 0));
        assert!(here.iter().any(|v| v.abs() > 0.3));
        for (a, b) in there.iter().zip(&here) {
            // The noise of air over a parcel's voxels: 1.1 units of 1000 over the root of their number.
            assert!((a - b).abs() < 0.1, "parcel {label}: {a} {b}");
        }
    }
}

#[test]
fn a_moved_cohort_has_its_poses_and_the_same_tables() {
    let still = SynthSettings { children: 2, frames: 24, parcels: 20, ..SynthSettings::demo(7) };
    let moving = SynthSettings { move_images: true, ..still.clone() };
    let dir = tempfile::tempdir().unwrap();
    let (a, b) = (dir.path().join("still"), dir.path().join("moving"));
    write_cohort(&still, &a, &|_, _| {}).unwrap();
    write_cohort(&moving, &b, &|_, _| {}).unwrap();
    let text = |path: std::path::PathBuf| std::fs::read_to_string(path).unwrap();
    for child in ["sub-01", "sub-02"] {
        let motion = format!("{child}/func/{child}_task-rest_run-1_headmotion.tsv");
        assert_eq!(text(a.join(&motion)), text(b.join(&motion)));
        let poses = text(b.join(format!("truth/{child}_task-rest_run-1_pose.tsv")));
        let numbers = |line: &str| line.split('\t').map(|v| v.parse::<f64>().unwrap()).collect::<Vec<_>>();
        let motion = text(b.join(&motion));
        for (pose, recorded) in poses.lines().skip(1).zip(motion.lines().skip(1)) {
            let (pose, recorded) = (numbers(pose), numbers(recorded));
            assert_eq!((pose.len(), recorded.len()), (12, 6));
            assert!(pose.iter().zip(&recorded).all(|(p, r)| (p - r).abs() < 1e-6));
            // Breathing, up to 0.022 mm and half of that on the sphere, is what the head's own pose lacks.
            let breathing: Vec<f64> = (0..6).map(|p| (pose[p] - pose[p + 6]).abs()).collect();
            assert!(breathing[..3].iter().all(|b| *b <= 0.0221) && breathing[3..].iter().all(|b| *b <= 0.0111 / 50.0));
        }
        assert_eq!((poses.lines().count(), motion.lines().count()), (25, 25));
    }
    assert!(
        text(b.join("truth/truth.json")).contains("pivot_mm") && text(b.join("README.txt")).contains("moves through")
    );
    let told = text(a.join("truth/truth.json"));
    assert!(!told.contains("move") && !text(a.join("README.txt")).contains("moves through"), "{told}");
    assert!(!a.join("truth/sub-01_task-rest_run-1_pose.tsv").exists());
}
