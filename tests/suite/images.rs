//! Head motion measured from the images: a small textured head that moves by known steps, no motion table at all.

use std::fs;

use keepstill::nifti::{Affine, ImageWriter, RunShape, write_image};
use ndarray::Array3;
use serde_json::Value;

use crate::builders::{Folder, Stream, Tiny, cells};
use crate::digests::opened;

const SHAPE: [usize; 3] = [22, 24, 16];
const FRAMES: usize = 40;
/// The frame that shows nothing but noise.
const LOST: usize = 25;
/// The head jumps from frame 12 to 13, by this much along z, mm.
const JUMP_MM: f64 = 1.0;

fn affine() -> Affine {
    Affine([[-4.0, 0.0, 0.0, 42.0], [0.0, 4.0, 0.0, -46.0], [0.0, 0.0, 4.0, -30.0]])
}

/// Where the head lies in a frame: a drift along x, and the jump.
fn shift_mm(frame: usize) -> [f64; 3] {
    [0.01 * frame as f64, 0.0, if frame > 12 { JUMP_MM } else { 0.0 }]
}

fn inside(p: [f64; 3]) -> bool {
    (p[0] / 34.0).powi(2) + (p[1] / 38.0).powi(2) + (p[2] / 26.0).powi(2) < 1.0
}

/// A head of blobs of 5 mm, dark outside.
fn brightness(p: [f64; 3]) -> f64 {
    let r = ((p[0] / 34.0).powi(2) + (p[1] / 38.0).powi(2) + (p[2] / 26.0).powi(2)).sqrt();
    let head = 1.0 / (1.0 + ((r - 1.0) * 12.0).exp());
    let texture: f64 = [(0.41, 0.0, 0.9), (0.0, 0.37, 0.2), (0.23, 0.29, 1.7), (0.31, -0.27, 0.5)]
        .iter()
        .enumerate()
        .map(|(i, (kx, ky, phase))| (kx * p[0] + ky * p[1] + (0.19 + 0.07 * i as f64) * p[2] + phase).sin())
        .sum();
    head * (1000.0 + 150.0 * texture)
}

fn place(voxel: usize) -> [f64; 3] {
    let [nx, ny, _] = SHAPE;
    affine().apply([voxel % nx, voxel / nx % ny, voxel / nx / ny].map(|i| i as f64))
}

/// One of four slabs along x.
fn slab(p: [f64; 3]) -> usize {
    ((p[0] + 34.0) / 17.0).clamp(0.0, 3.0) as usize
}

fn write_run(folder: &Folder, name: &str, seed: u64, level: f64) {
    let [nx, ny, nz] = SHAPE;
    let run = RunShape { shape: SHAPE, frames: FRAMES, slope: 1.0, inter: 0.0, affine: affine(), tr_s: Some(2.0) };
    let mut writer = ImageWriter::create(&folder.join(name), &run, 1).unwrap();
    let mut stream = Stream::new(seed);
    for frame in 0..FRAMES {
        let shift = shift_mm(frame);
        let mut volume = Vec::with_capacity(nx * ny * nz);
        for voxel in 0..nx * ny * nz {
            let at = place(voxel);
            let rest: [f64; 3] = std::array::from_fn(|a| at[a] - shift[a]);
            let signal = 1.0 + 0.005 * (0.35 * frame as f64 * (1.0 + 0.2 * slab(rest) as f64) + seed as f64).sin();
            let value = if frame == LOST { 500.0 * (1.0 + stream.next()) } else { level * brightness(rest) * signal };
            volume.push((value + 6.0 * stream.next()).round() as i16);
        }
        writer.write_volume(&volume).unwrap();
    }
    writer.finish().unwrap();
}

fn write_volume(folder: &Folder, name: &str, value: impl Fn([f64; 3]) -> u8) {
    let [nx, ny, _] = SHAPE;
    let data = Array3::from_shape_fn(SHAPE, |(x, y, z)| value(place(x + nx * (y + ny * z))));
    write_image(&folder.join(name), &data.into_dyn().view(), &affine(), None, 1).unwrap();
}

/// Two children whose heads move; no motion table.
fn heads() -> Folder {
    let folder = Tiny { children: 2, ..Tiny::default() }.build();
    let mut table = "participant_id\tbold\tbrain_mask\n".to_owned();
    for child in 1..=2 {
        write_run(&folder, &format!("head_{child}.nii"), child, 1.0);
        table += &format!("{child:02}\thead_{child}.nii\tmask.nii\n");
    }
    write_volume(&folder, "mask.nii", |p| u8::from(inside(p)));
    write_volume(&folder, "slabs.nii", |p| if inside(p) { slab(p) as u8 + 1 } else { 0 });
    folder.write("slabs.tsv", "index\tname\n1\tcove\n2\tdune\n3\treef\n4\tspit\n");
    folder.write("runs.tsv", &table);
    let study = folder.read("study.toml").replace("atlas.", "slabs.");
    let study = study.replace("[clean]", "[motion]\nfrom = \"images\"\n\n[clean]\ntissue_means = []");
    folder.write("study.toml", &study);
    folder
}

fn done() -> Folder {
    let folder = heads();
    folder.run(&[]).expect(0);
    folder
}

fn frames(folder: &Folder) -> Vec<Vec<String>> {
    cells(&folder.read("results/sub-01/func/sub-01_frames.tsv"))
}

fn json(folder: &Folder, name: &str) -> Value {
    serde_json::from_str(&folder.read(name)).unwrap()
}

#[test]
fn known_steps_come_back_and_a_lost_frame_is_no_number() {
    let folder = heads();
    folder.keepstill(&["check", "study.toml"]).expect(0);
    folder.run(&[]).expect(0);
    let table = frames(&folder);
    let column = |name: &str| table[0].iter().position(|cell| cell == name).unwrap();
    let number = |frame: usize, name: &str| table[frame + 1][column(name)].parse::<f64>();
    let sidecar = json(&folder, "results/sub-01/func/sub-01_frames.json");
    let reference = sidecar["reference_frame"].as_u64().unwrap() as usize;
    assert!(sidecar["pivot_mm"].as_array().unwrap().iter().all(|mm| mm.as_f64().unwrap().abs() < 2.0));
    for frame in (0..FRAMES).filter(|&frame| frame != LOST) {
        for (axis, name) in ["translation_x_mm", "translation_y_mm", "translation_z_mm"].into_iter().enumerate() {
            let expected = shift_mm(frame)[axis] - shift_mm(reference)[axis];
            let found = number(frame, name).unwrap();
            assert!((found - expected).abs() < 0.1, "frame {frame}, {name}: {found} for {expected}");
        }
    }
    let jump = number(13, "fd_sum_mm").unwrap();
    assert!((jump - JUMP_MM).abs() < 0.15, "{jump}");
    for name in ["translation_x_mm", "rotation_z_rad", "fd_sum_mm", "fd_rms_mm", "fd_unfiltered_mm", "fd_radius_50_mm"]
    {
        assert_eq!(table[LOST + 1][column(name)], "n/a", "{name}");
    }
    // The next frame is measured against the latest with a pose, and lies where that lay.
    assert!(number(LOST + 1, "fd_sum_mm").unwrap() < 0.15);
    let reasons: Vec<&str> = table[1..].iter().map(|row| row[column("reasons")].as_str()).collect();
    let mut expected = ["n/a"; FRAMES];
    expected[12..16].copy_from_slice(&["beside_motion", "moved", "beside_motion", "beside_motion"]);
    expected[LOST - 1..LOST + 3].copy_from_slice(&["beside_motion", "unaligned", "beside_motion", "beside_motion"]);
    assert_eq!(reasons, expected);

    let why = folder.keepstill(&["why", "results", "sub-01", &LOST.to_string()]).expect(0).stdout;
    assert!(why.contains("unaligned: no pose was found that aligns it with the reference frame"), "{why}");
    let report = json(&folder, "results/sub-01/func/sub-01_report.json");
    let run = &report["runs"][0];
    assert_eq!((run["dropped_unaligned"].as_u64(), run["dropped_moved"].as_u64()), (Some(1), Some(1)));
    assert_eq!(run["motion"]["from"], "images");
    assert_eq!(run["motion"]["realigned"], true);
    assert_eq!(run["motion"]["reference_frame"], reference);
    assert!(run["mean_fd_mm"].as_f64().unwrap() < 0.1);
    assert_eq!(report["joined"]["dropped_unaligned"], 1);
    assert!(folder.read("results/sub-01/func/sub-01_report.html").contains("each frame was registered to frame"));
}

#[test]
fn following_the_head_takes_the_jump_out_of_the_parcels() {
    let folder = done();
    let jump = |folder: &Folder| {
        let table = frames(folder);
        let dvars = table[0].iter().position(|cell| cell == "dvars_percent").unwrap();
        table[14][dvars].parse::<f64>().unwrap()
    };
    let followed = jump(&folder);
    folder.edit("study.toml", "from = \"images\"", "from = \"images\"\nrealign = false");
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 2, "other voxels are read");
    let left = jump(&folder);
    assert!(followed < 0.6 * left, "{followed} {left}");
    assert_eq!(json(&folder, "results/sub-01/func/sub-01_report.json")["runs"][0]["motion"]["realigned"], false);
}

#[test]
fn decisions_open_no_image_and_what_reaches_the_poses_does() {
    let folder = done();
    assert_eq!(opened(&folder), 2);
    for (from, to) in [
        ("from = \"images\"", "from = \"images\"\nsphere_radius = \"from-mask\""),
        ("sphere_radius = \"from-mask\"", "sphere_radius = \"by-age\""),
        ("sphere_radius = \"by-age\"", "respiration = \"low-pass\""),
        ("\"low-pass\"", "\"notch\"\nbreaths_per_min = [8, 10]"),
        ("[clean]", "[censor]\nsettling = \"auto\"\nfd_mm = 0.4\n\n[clean]"),
        ("motion_terms = 6", "motion_terms = 12"),
    ] {
        folder.edit("study.toml", from, to);
        folder.run(&[]).expect(0);
        assert_eq!(opened(&folder), 0, "{to}");
    }
    let run = json(&folder, "results/sub-01/func/sub-01_report.json")["runs"][0].clone();
    assert!(run["motion"]["breathing"][0].as_str().unwrap().contains("8 to 10 breaths a minute"), "{run}");
    assert!(run["motion"]["breathing_band_hz"][0].as_f64().unwrap() > 0.13);
    // Another mask is another pivot and other voxels.
    write_volume(&folder, "mask.nii", |p| u8::from(inside(p) && p[1] < 30.0));
    folder.run(&[]).expect(0);
    assert_eq!(opened(&folder), 2);
    // As if done from nothing.
    let results = folder.results();
    fs::remove_dir_all(folder.join("results")).unwrap();
    folder.run(&["--jobs", "1"]).expect(0);
    assert_eq!(folder.results(), results);
}

#[test]
fn without_a_mask_one_is_made_and_said() {
    let folder = heads();
    let table = folder.read("runs.tsv").replace("mask.nii", "n/a");
    folder.write("runs.tsv", &table);
    folder.run(&[]).expect(0);
    let run = json(&folder, "results/sub-01/func/sub-01_report.json")["runs"][0].clone();
    assert!(run["warnings"][0].as_str().unwrap().starts_with("No brain mask was given: it was made from the mean"));
    assert_eq!(run["dropped_unaligned"], 1);
}

#[test]
fn thresholds_need_a_run_first_and_then_agree_with_it() {
    let folder = heads();
    let before = folder.keepstill(&["thresholds", "study.toml"]);
    assert!((before.stdout.clone() + &before.stderr).contains("run `keepstill run` first"), "{before:?}");
    folder.run(&[]).expect(0);
    folder.keepstill(&["thresholds", "study.toml"]).expect(0);
    let kept = |table: &str, limit: &str| {
        let table = cells(&folder.read(table));
        let column = |name: &str| table[0].iter().position(|cell| cell == name).unwrap();
        let own = |row: &&Vec<String>| {
            limit.is_empty()
                || (row[column("fd_mm")] == limit
                    && row[column("displacement")] == "sum"
                    && row[column("neighbours")] == "1")
        };
        let row = table[1..].iter().filter(|row| row[0] == "sub-01").find(own).unwrap();
        row[column("minutes_kept")].clone()
    };
    assert_eq!(kept("results/thresholds/minutes.tsv", "0.2"), kept("results/cohort.tsv", ""));
}

#[test]
fn images_without_a_head_say_so() {
    let folder = heads();
    // Nothing but noise, and a run whose brightness is turned about, as if a larger mean had been removed.
    write_run(&folder, "head_1.nii", 1, 0.0);
    write_run(&folder, "head_2.nii", 2, -1.0);
    folder.run(&[]).expect(3);
    let cohort = cells(&folder.read("results/cohort.tsv"));
    let column = |name: &str| cohort[0].iter().position(|cell| cell == name).unwrap();
    assert_eq!(cohort[1][column("verdict")], "too_few_dof");
    assert!(
        cohort[1][column("warnings")].contains("39 of 40 frames could not be aligned with frame"),
        "{:?}",
        cohort[1]
    );
    assert_eq!(cohort[2][column("verdict")], "failed");
    let problem = &cohort[2][column("problem")];
    assert!(problem.contains("head_2.nii: head motion cannot be measured from the images"), "{problem}");
}
