//! Memory: predicted against true, a budget that is kept, and a scan that is too big for it.

use std::fs;
use std::thread;
use std::time::Duration;

use keepstill::nifti::{ImageWriter, RunShape};
use ndarray::Array3;
use serde_json::Value;

use crate::builders::{Folder, Stream, TR_S, Tiny, affine, motion_table};
use crate::resume::log;

/// Replaces the scan of a tiny study with one of another size; masks and atlas with it.
fn of_size(shape: [usize; 3], frames: usize, ending: &str, clean: &str) -> Folder {
    let folder = Tiny { children: 1, ..Tiny::default() }.build();
    let [nx, ny, nz] = shape;
    let put = |name: &str, value: &dyn Fn(usize, usize, usize) -> u8| {
        let data = Array3::from_shape_fn((nx, ny, nz), |(x, y, z)| value(x, y, z)).into_dyn();
        keepstill::nifti::write_image(&folder.join(name), &data.view(), &affine(), None, 1).unwrap();
    };
    let middle = |x: usize, y: usize| x > nx / 6 && x < nx - nx / 6 && y > ny / 6 && y < ny - ny / 6;
    put("brain.nii", &|x, y, _| u8::from(middle(x, y)));
    put("white.nii", &|x, y, z| u8::from(middle(x, y) && z == nz / 2));
    put("csf.nii", &|x, y, z| u8::from(middle(x, y) && z == nz / 3));
    put("atlas.nii", &|x, y, z| if middle(x, y) { (1 + (x + 7 * y + 31 * z) % 5) as u8 } else { 0 });
    let run = RunShape { shape, frames, slope: 1.0, inter: 0.0, affine: affine(), tr_s: Some(TR_S) };
    let name = format!("bold_01{ending}");
    let mut writer = ImageWriter::create(&folder.join(&name), &run, 1).unwrap();
    let mut stream = Stream::new(9);
    let noise: Vec<i16> = (0..nx * ny * nz).map(|_| (1000.0 + 50.0 * stream.next()) as i16).collect();
    for frame in 0..frames {
        let wave = (20.0 * stream.next()) as i16;
        let volume: Vec<i16> = (0..noise.len()).map(|i| noise[(i + 17 * frame) % noise.len()] + wave).collect();
        writer.write_volume(&volume).unwrap();
    }
    writer.finish().unwrap();
    folder.write("motion_01.tsv", &motion_table(frames, 1));
    folder.edit("runs.tsv", "bold_01.nii", &name);
    folder.edit("study.toml", "motion_terms = 6", &format!("motion_terms = 6\n{clean}"));
    folder
}

fn last(folder: &Folder, event: &str) -> Value {
    log(folder).into_iter().rev().find(|e| e["event"] == event).unwrap()
}

#[test]
fn predicted_is_within_a_quarter_of_true() {
    let sizes = [
        ([6, 5, 4], 40, ".nii", ""),
        ([64, 64, 36], 60, ".nii.gz", ""),
        ([64, 64, 36], 30, ".nii", ""),
        ([96, 96, 60], 12, ".nii", ""),
        ([64, 64, 36], 120, ".nii.gz", "tissue_components = 3"),
    ];
    let mut wrong = String::new();
    for (shape, frames, ending, clean) in sizes {
        let folder = of_size(shape, frames, ending, clean);
        let check = folder.keepstill(&["check", "--json", "study.toml"]).expect(0).stdout;
        let check: Value = serde_json::from_str(&check).unwrap();
        let predicted =
            check["memory_bytes_program"].as_f64().unwrap() + check["memory_bytes_per_scan"].as_f64().unwrap();
        assert_eq!(check["scans"][0]["memory_bytes"], check["memory_bytes_per_scan"]);
        folder.run(&["--jobs", "1"]).expect(0);
        let Some(peak) = last(&folder, "finished")["peak_bytes"].as_f64() else { return };
        let ratio = predicted / peak;
        let line = format!("{shape:?} {frames} {ending} {clean}: predicted {predicted}, true {peak}, {ratio:.2}\n");
        if !(0.75..=1.25).contains(&ratio) || std::env::var_os("KEEPSTILL_SHOW").is_some() {
            wrong += &line;
        }
    }
    assert!(wrong.is_empty(), "{wrong}");
}

#[test]
fn a_mask_on_a_finer_grid_counts_as_large_as_it_is() {
    let folder = of_size([24, 24, 16], 20, ".nii", "");
    // Eight times as fine along each axis, over the same box.
    let fine = Array3::from_elem((192, 192, 128), 1_u8).into_dyn();
    let mut finer = affine();
    for row in &mut finer.0 {
        let corner: f64 = row[..3].iter().sum::<f64>() * -0.5 + row[3];
        row[..3].iter_mut().for_each(|v| *v /= 8.0);
        row[3] = corner + row[..3].iter().sum::<f64>() * 0.5;
    }
    keepstill::nifti::write_image(&folder.join("brain.nii"), &fine.view(), &finer, None, 1).unwrap();
    let check = folder.keepstill(&["check", "--json", "study.toml"]).expect(0).stdout;
    let check: Value = serde_json::from_str(&check).unwrap();
    let program = check["memory_bytes_program"].as_f64().unwrap();
    let predicted = program + check["memory_bytes_per_scan"].as_f64().unwrap();
    let little = format!("{}", 0.8 * predicted / f64::from(1 << 30));
    let refused = folder.run(&["--jobs", "1", "--memory-gib", &little]).expect(3).stderr;
    assert!(refused.contains("MiB are allowed in all"), "{refused}");
    folder.run(&["--jobs", "1"]).expect(0);
    let Some(peak) = last(&folder, "finished")["peak_bytes"].as_f64() else { return };
    assert!((0.75..=1.25).contains(&(predicted / peak)), "predicted {predicted}, true {peak}");
}

#[test]
fn a_run_under_a_budget_gives_the_same_results() {
    let tiny = Tiny { children: 6, ..Tiny::default() };
    let (free, tight) = (tiny.build(), tiny.build());
    free.run(&["--jobs", "3"]).expect(0);
    // Room for the program and one such scan, not for two.
    let check: Value = serde_json::from_str(&tight.keepstill(&["check", "--json", "study.toml"]).stdout).unwrap();
    let bytes =
        check["memory_bytes_program"].as_f64().unwrap() + 1.3 * check["memory_bytes_per_scan"].as_f64().unwrap();
    let gib = format!("{}", bytes / f64::from(1 << 30));
    tight.run(&["--jobs", "3", "--memory-gib", &gib]).expect(0);
    assert!(tight.results() == free.results());
    assert_eq!(last(&tight, "started")["memory_bytes"].as_f64().unwrap(), bytes.floor());
}

#[test]
fn unpacking_ahead_changes_no_bit() {
    let folder = Tiny { children: 1, frames: 300, ..Tiny::default() }.build();
    folder.gzip("bold_01.nii");
    folder.edit("runs.tsv", "bold_01.nii", "bold_01.nii.gz");
    folder.run(&["--jobs", "1"]).expect(0);
    let in_turn = folder.results();
    fs::remove_dir_all(folder.join("results")).unwrap();
    // Two threads and one scan: the second thread unpacks.
    folder.run(&["--jobs", "2"]).expect(0);
    assert!(folder.results() == in_turn);
}

#[test]
fn an_interrupt_reaches_scans_that_wait_for_memory() {
    let folder = Tiny { children: 8, frames: 3000, ..Tiny::default() }.build();
    let check: Value = serde_json::from_str(&folder.keepstill(&["check", "--json", "study.toml"]).stdout).unwrap();
    let bytes =
        check["memory_bytes_program"].as_f64().unwrap() + 1.2 * check["memory_bytes_per_scan"].as_f64().unwrap();
    let gib = format!("{}", bytes / f64::from(1 << 30));
    let mut child = folder.command(&["run", "-q", "study.toml", "--jobs", "4", "--memory-gib", &gib]).spawn().unwrap();
    while !fs::read_to_string(folder.join("results/run-log.jsonl")).unwrap_or_default().contains("scan_started") {
        assert!(child.try_wait().unwrap().is_none(), "the run is over");
        thread::sleep(Duration::from_millis(1));
    }
    let sent = std::process::Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap();
    assert!(sent.success());
    assert_eq!(child.wait().unwrap().code(), Some(130));
    folder.run(&[]).expect(0);
}

#[test]
fn a_digest_whose_voxels_have_no_room_is_not_read() {
    // Many frames of few voxels: what is held of the tissues is more than the rest of a scan takes.
    let folder = of_size([12, 12, 8], 900, ".nii", "tissue_components = 3");
    folder.run(&["--jobs", "1"]).expect(0);
    folder.edit("study.toml", "tissue_components = 3", "tissue_components = 0");
    let check: Value = serde_json::from_str(&folder.keepstill(&["check", "--json", "study.toml"]).stdout).unwrap();
    let bytes =
        check["memory_bytes_program"].as_f64().unwrap() + 1.1 * check["memory_bytes_per_scan"].as_f64().unwrap();
    let gib = format!("{}", bytes / f64::from(1 << 30));
    folder.run(&["--jobs", "1", "--memory-gib", &gib]).expect(0);
    let opened = log(&folder).iter().filter(|event| event["event"] == "image_opened").count();
    assert_eq!(opened, 2);
}
