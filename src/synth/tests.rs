use std::collections::BTreeMap;

use super::head::AgeGroup;
use super::movement::{Temper, displacement_mm};
use super::signals::{BAND_HZ, Spectrum};
use super::truth::{distance_mm, pearson};
use super::*;

fn toddler_parcels(seed: u64) -> Parcellation {
    let head = Head::of(AgeGroup::Toddler);
    Parcellation::grow(&head, &Grid::Small.voxels(), 84, seed).expect("84 parcels fit")
}

fn small(seed: u64) -> SynthSettings {
    SynthSettings { children: 6, frames: 24, runs: 2, parcels: 20, ..SynthSettings::demo(seed) }
}

fn written(settings: &SynthSettings) -> (tempfile::TempDir, PathBuf) {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let out = dir.path().join("cohort");
    write_cohort(settings, &out, &|_, _| {}).expect("the cohort is written");
    (dir, out)
}

/// Every file below a folder with its bytes.
fn bytes(root: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut files = BTreeMap::new();
    let mut folders = vec![root.to_owned()];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).expect("a folder") {
            let path = entry.expect("an entry").path();
            if path.is_dir() {
                folders.push(path);
            } else {
                let name = path.strip_prefix(root).expect("below the root").to_owned();
                files.insert(name, fs::read(&path).expect("a file"));
            }
        }
    }
    files
}

#[test]
fn the_true_matrix_is_a_correlation_matrix_and_its_factor_gives_it_back() {
    for seed in 0..20 {
        let parcellation = toddler_parcels(seed);
        let truth = Truth::draw(&parcellation, seed, TRUTH_STREAM).expect("positive definite");
        let (r, l) = (&truth.correlation, &truth.factor);
        for i in 0..r.size {
            assert_eq!(r.at(i, i), 1.0);
            for j in 0..i {
                assert_eq!(r.at(i, j), r.at(j, i));
                assert!(r.at(i, j).abs() < 0.65);
                let product: f64 = (0..=j).map(|k| l.at(i, k) * l.at(j, k)).sum();
                assert!((product - r.at(i, j)).abs() < 1e-12);
                let same = parcellation.parcels[i].network == parcellation.parcels[j].network;
                assert!(!same || r.at(i, j) >= 0.40);
            }
            // A Cholesky factor with a positive diagonal is what positive definite means.
            assert!(l.at(i, i) > 0.0);
        }
        assert!(truth.distance_rank_correlation.abs() < 0.15, "{}", truth.distance_rank_correlation);
    }
    assert_eq!(truth::Square::from_fn(2, |i, j| if i == j { 1.0 } else { 1.5 }).cholesky(), None);
}

#[test]
fn sample_correlations_of_the_signals_close_in_on_the_truth() {
    let truth = Truth::draw(&toddler_parcels(4), 4, TRUTH_STREAM).expect("positive definite");
    let spectrum = Spectrum::new(300, 2.0, BAND_HZ);
    let mut rng = stream(4, 99);
    let mut errors = Vec::new();
    // Runs are independent of each other: the error of the mean over n falls as 1/√n.
    let mut sums = vec![0.0; 84 * 84];
    for runs in 1..=64usize {
        let x = spectrum.draw_correlated(&truth.factor, &mut rng);
        for i in 0..84 {
            for j in 0..84 {
                sums[i * 84 + j] += x.iter().map(|f| f[i] * f[j]).sum::<f64>() / 300.0;
            }
        }
        if [1, 4, 16, 64].contains(&runs) {
            let square: f64 = (0..84 * 84).map(|n| (sums[n] / runs as f64 - truth.correlation.values[n]).powi(2)).sum();
            errors.push((square / (84.0 * 84.0)).sqrt());
        }
    }
    // In one run the error is about √((1 + r²)/n) with n the signal's independent samples: 54 harmonics, two each,
    // fewer as their power is uneven; so between 0.09 and 0.2, and half as much with four times the runs.
    assert!((0.07..0.2).contains(&errors[0]), "{errors:?}");
    assert!(errors[3] < 0.022, "{errors:?}");
    for pair in errors.windows(2) {
        assert!(pair[1] < 0.75 * pair[0], "{errors:?}");
    }
}

#[test]
fn signals_have_unit_variance_and_stay_in_their_band() {
    let (frames, tr_s) = (400usize, 1.0);
    let spectrum = Spectrum::new(frames, tr_s, BAND_HZ);
    let mut rng = stream(8, 1);
    let (mut power, mut outside, mut total) = (0.0, 0.0, 0.0);
    for _ in 0..50 {
        let s = spectrum.draw(&mut rng);
        power += s.iter().map(|v| v * v).sum::<f64>() / frames as f64 / 50.0;
        let mean = s.iter().sum::<f64>() / frames as f64;
        // Discrete Fourier transform, term by term, under a Hann window against leakage.
        for k in 1..frames / 2 {
            let (mut re, mut im) = (0.0, 0.0);
            for (t, v) in s.iter().enumerate() {
                let turn = 2.0 * std::f64::consts::PI * t as f64 / frames as f64;
                let window = 0.5 - 0.5 * turn.cos();
                re += window * (v - mean) * (turn * k as f64).cos();
                im += window * (v - mean) * (turn * k as f64).sin();
            }
            let f = k as f64 / frames as f64 / tr_s;
            total += re * re + im * im;
            if f > 0.11 {
                outside += re * re + im * im;
            }
        }
    }
    assert!((power - 1.0).abs() < 0.1, "{power}");
    assert!(outside < 1e-3 * total, "{outside} of {total}");
}

#[test]
fn the_loss_is_shared_more_by_parcels_that_lie_near_each_other() {
    let parcellation = toddler_parcels(5);
    let parcels = &parcellation.parcels;
    let field = LossField::new(parcels).expect("a covariance");
    let mut rng = stream(5, 7);
    // One startle per frame and no memory (a long TR): each frame is a draw of the field, times 4 % for 1 mm.
    let n = 4000;
    let loss = field.draw(&vec![1.0; n], &vec![true; n], 1e6, &mut rng);
    let series = |p: usize| loss.parcels.iter().map(|f| f[p]).collect::<Vec<f64>>();
    let all: Vec<Vec<f64>> = (0..parcels.len()).map(series).collect();
    let (mut near, mut far) = (Vec::new(), Vec::new());
    for i in 0..parcels.len() {
        for j in 0..i {
            let d = distance_mm(&parcels[i], &parcels[j]);
            let r = pearson(&all[i], &all[j]);
            let expected = (-d * d / (2.0 * 35.0 * 35.0)).exp();
            // Standard error of r in 4000 draws is at most 0.016; five of them.
            assert!((r - expected).abs() < 0.08, "{d} mm: {r}, expected {expected}");
            if d < 25.0 {
                near.push(r);
            } else if d > 100.0 {
                far.push(r);
            }
        }
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    assert!(near.len() > 20 && far.len() > 20);
    assert!(mean(&near) > 0.75 && mean(&far) < 0.05, "{} {}", mean(&near), mean(&far));
}

#[test]
fn a_loss_is_in_proportion_to_the_move_and_fades_over_ten_seconds() {
    let parcellation = toddler_parcels(6);
    let field = LossField::new(&parcellation.parcels).expect("a covariance");
    let draw = |mm: f64| {
        let mut moved = vec![0.0; 12];
        moved[1] = mm;
        let mut startled = vec![false; 12];
        startled[1] = true;
        field.draw(&moved, &startled, 2.0, &mut stream(6, 7))
    };
    let (one, two) = (draw(1.0), draw(2.0));
    assert_eq!(one.shared[0], 0.0);
    assert!((one.shared[1] - 4.0 * 0.6).abs() < 1e-12);
    for p in 0..parcellation.parcels.len() {
        assert_eq!(one.parcels[0][p], 0.0);
        assert!((two.parcels[1][p] - 2.0 * one.parcels[1][p]).abs() < 1e-12);
        let left = one.parcels[6][p] / one.parcels[1][p];
        assert!((left - (-10.0f64 / 3.5).exp()).abs() < 1e-9 && left < 0.06, "{left}");
    }
}

#[test]
fn younger_children_move_more_and_restless_ones_most() {
    let mean_fd = |age: f64, restless: bool, level: f64| {
        let runs = 60;
        (0..runs)
            .map(|n| {
                let mut rng = stream(n, 3);
                let temper = Temper::draw(age, restless, level, &mut rng);
                let fd = displacement_mm(&Movement::draw(&temper, 300, 2.0, &mut rng).recorded);
                fd.iter().sum::<f64>() / (fd.len() - 1) as f64
            })
            .sum::<f64>()
            / runs as f64
    };
    let (newborn, toddler, school) = (mean_fd(1.0, false, 1.0), mean_fd(24.0, false, 1.0), mean_fd(100.0, false, 1.0));
    assert!(newborn > 1.2 * toddler && toddler > 1.1 * school, "{newborn} {toddler} {school}");
    assert!(mean_fd(1.0, true, 1.0) > 1.8 * newborn);
    assert!(mean_fd(1.0, false, 0.0) < 0.06, "what is left at level 0 is breathing");
}

#[test]
fn breathing_is_in_the_table_and_not_in_the_head() {
    let mut rng = stream(9, 9);
    let temper = Temper::draw(1.0, false, 0.0, &mut rng);
    let still = Movement::draw(&temper, 200, 0.5, &mut rng);
    // Level 0 leaves the drift's factor at 0 too: the head does not move at all.
    assert!(displacement_mm(&still.head).iter().all(|fd| *fd < 1e-12));
    let fd = displacement_mm(&still.recorded);
    assert!(fd[1..].iter().sum::<f64>() / 199.0 > 0.01);
    assert!(fd.iter().all(|fd| *fd < 0.2));
}

#[test]
fn some_children_of_the_demonstration_keep_five_minutes_and_some_do_not() {
    // The usual rule, written out: above 0.2 mm, one frame before, two after, logged intervals, stretches of five.
    for seed in [1, 2, 3] {
        let settings = SynthSettings::demo(seed);
        let template = Head::of(settings.head);
        let enough: Vec<bool> = (0..settings.children)
            .map(|n| {
                let child = Child::draw(n, &settings, &template);
                let mut rng = stream(seed, SCAN_STREAM + (n * 100) as u64);
                let movement = Movement::draw(&child.temper, settings.frames, settings.tr_s, &mut rng);
                let mut kept = vec![true; settings.frames];
                for (i, fd) in displacement_mm(&movement.recorded).iter().enumerate() {
                    if *fd > 0.2 {
                        kept[i.saturating_sub(1)..(i + 3).min(settings.frames)].fill(false);
                    }
                }
                for entry in &movement.log {
                    for (i, keep) in kept.iter_mut().enumerate() {
                        let start = i as f64 * settings.tr_s;
                        if start < entry.onset_s + entry.duration_s && start + settings.tr_s > entry.onset_s {
                            *keep = false;
                        }
                    }
                }
                let minutes = kept
                    .chunk_by(|a, b| a == b)
                    .filter(|stretch| stretch[0] && stretch.len() >= 5)
                    .map(|stretch| stretch.len() as f64 * settings.tr_s / 60.0)
                    .sum::<f64>();
                minutes >= 5.0
            })
            .collect();
        let kept = enough.iter().filter(|e| **e).count();
        assert!((7..=11).contains(&kept), "seed {seed}: {kept} of {}", enough.len());
        assert!(enough.iter().skip(2).step_by(3).all(|e| *e), "school children keep enough");
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_on_any_number_of_threads_and_another_seed_others() {
    let on = |threads: usize, seed: u64| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        let (_dir, out) = pool.install(|| written(&small(seed)));
        bytes(&out)
    };
    let (one, three, other) = (on(1, 11), on(3, 11), on(1, 12));
    assert_eq!(one.keys().collect::<Vec<_>>(), three.keys().collect::<Vec<_>>());
    for (name, contents) in &one {
        assert_eq!(contents, &three[name], "{}", name.display());
    }
    for (name, contents) in one.iter().filter(|(n, _)| {
        let n = n.to_string_lossy();
        n.ends_with("_bold.nii.gz") || n.ends_with("_headmotion.tsv") || n.ends_with("true_correlation.tsv")
    }) {
        assert_ne!(Some(contents), other.get(name), "{}", name.display());
    }
}

/// The images and tables of a seed stay as they were, so that figures in the documentation hold.
/// Images are unpacked first: packing may change with the library that packs.
#[test]
fn a_cohort_has_the_bytes_it_always_had() {
    let (_dir, out) = written(&SynthSettings { children: 2, runs: 1, ..small(61) });
    let mut hash = blake3::Hasher::new();
    for (name, contents) in bytes(&out) {
        let text = name.to_string_lossy();
        if text.ends_with(".nii.gz") {
            let mut unpacked = Vec::new();
            io::Read::read_to_end(&mut flate2::read::GzDecoder::new(&contents[..]), &mut unpacked).expect("whole gzip");
            hash.update(&unpacked);
        } else if text.ends_with(".tsv") {
            hash.update(&contents);
        }
    }
    assert_eq!(hash.finalize().to_hex().as_str(), "cce28daaa8d1c33ac9f275c232988b8653ad1bec04cada0b10b18d051da07a2a");
}

#[test]
fn everything_in_the_scan_table_exists_and_has_its_rows() {
    let settings = small(21);
    let (_dir, out) = written(&settings);
    let text = fs::read_to_string(out.join("runs.tsv")).expect("runs.tsv");
    let mut rows = text.lines().map(|l| l.split('\t').collect::<Vec<_>>());
    let header = rows.next().expect("a header");
    let mut scans = 0;
    for row in rows {
        assert_eq!(row.len(), header.len());
        scans += 1;
        for (name, cell) in header.iter().zip(&row) {
            match *name {
                "participant_id" => assert!(cell.starts_with("sub-")),
                "run_id" => assert!(["1", "2"].contains(cell)),
                "tr_s" => assert_eq!(*cell, "2"),
                "watch_log" if *cell == "n/a" => {}
                _ => assert!(out.join(cell).is_file(), "{name}: {cell}"),
            }
            if *name == "motion" {
                let table = fs::read_to_string(out.join(cell)).expect("a motion table");
                assert_eq!(table.lines().count(), settings.frames + 1);
                assert!(
                    table.lines().skip(1).all(|l| l.split('\t').filter_map(|v| v.parse::<f64>().ok()).count() == 6)
                );
            }
        }
    }
    assert_eq!(scans, settings.children * settings.runs);
    let participants = fs::read_to_string(out.join("participants.tsv")).expect("participants.tsv");
    assert_eq!(participants.lines().count(), settings.children + 1);
    for name in ["study.toml", "study-uncensored.toml", "README.txt", "atlas.tsv", "truth/truth.json"] {
        assert!(out.join(name).is_file(), "{name}");
    }
}

#[test]
fn a_written_run_reads_back_as_what_it_says() {
    let settings = small(31);
    let (_dir, out) = written(&settings);
    let gz = |name: &str| {
        let mut bytes = Vec::new();
        let file = fs::File::open(out.join(name)).expect("an image");
        io::Read::read_to_end(&mut flate2::read::GzDecoder::new(file), &mut bytes).expect("whole gzip");
        bytes
    };
    let bold = gz("sub-01/func/sub-01_task-rest_run-1_bold.nii.gz");
    let brain = gz("sub-01/func/sub-01_desc-brain_mask.nii.gz");
    let voxels = Grid::Small.voxels().voxels();
    assert_eq!(bold.len(), 352 + 2 * voxels * settings.frames);
    assert_eq!(brain.len(), 352 + voxels);
    // Free text stays empty: db_name, descrip, aux_file, intent_name.
    for image in [&bold, &brain] {
        for range in [14..32, 148..252, 328..344] {
            assert!(image[range].iter().all(|b| *b == 0));
        }
    }
    let float = |at: usize| f32::from_le_bytes(std::array::from_fn(|n| bold[at + n]));
    assert_eq!((float(112), float(116), float(92)), (0.5, 10.0, 2.0));
    let mean = |inside: u8| {
        let values: Vec<f64> = (0..voxels)
            .filter(|&v| brain[352 + v] == inside)
            .map(|v| {
                let at = 352 + 2 * v;
                f64::from(i16::from_le_bytes([bold[at], bold[at + 1]])) * 0.5 + 10.0
            })
            .collect();
        values.iter().sum::<f64>() / values.len() as f64
    };
    assert!((900.0..1100.0).contains(&mean(1)), "{}", mean(1));
    assert!(mean(0) < 200.0, "{}", mean(0));
}

#[test]
fn wrong_settings_and_full_folders_are_refused_and_leave_nothing() {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let out = dir.path().join("cohort");
    let good = small(1);
    for (bad, name) in [
        (SynthSettings { children: 0, ..good.clone() }, "children"),
        (SynthSettings { frames: 5, ..good.clone() }, "frames"),
        (SynthSettings { tr_s: f64::NAN, ..good.clone() }, "tr_s"),
        (SynthSettings { runs: 0, ..good.clone() }, "runs"),
        (SynthSettings { parcels: 21, ..good.clone() }, "parcels"),
        (SynthSettings { tsnr: 0.0, ..good.clone() }, "tsnr"),
        (SynthSettings { motion: -1.0, ..good.clone() }, "motion"),
        (SynthSettings { compression: 10, ..good.clone() }, "compression"),
    ] {
        let error = write_cohort(&bad, &out, &|_, _| {}).expect_err("refused").to_string();
        assert!(error.starts_with(&format!("synth: {name} is ")) && error.contains("expected"), "{error}");
    }
    assert_eq!(fs::read_dir(dir.path()).expect("the folder").count(), 0);

    fs::create_dir(&out).expect("a folder");
    fs::write(out.join("mine.txt"), "kept").expect("a file");
    assert!(matches!(write_cohort(&good, &out, &|_, _| {}), Err(SynthError::OutNotEmpty { .. })));
    assert_eq!(fs::read_to_string(out.join("mine.txt")).expect("still there"), "kept");
    assert_eq!(fs::read_dir(dir.path()).expect("the folder").count(), 1);
    assert!(matches!(write_cohort(&good, &out.join("mine.txt"), &|_, _| {}), Err(SynthError::OutNotEmpty { .. })));

    // An empty folder will do, and progress counts every scan once.
    fs::remove_file(out.join("mine.txt")).expect("removed");
    let calls = std::sync::Mutex::new(Vec::new());
    let summary = write_cohort(&good, &out, &|done, all| {
        if let Ok(mut calls) = calls.lock() {
            calls.push((done, all));
        }
    })
    .expect("written");
    let mut calls = calls.into_inner().expect("not poisoned");
    calls.sort_unstable();
    assert_eq!(calls, (1..=12).map(|n| (n, 12)).collect::<Vec<_>>());
    assert!(summary.study.is_file() && summary.study_uncensored.is_file() && summary.image_bytes > 100_000);
    assert_eq!(fs::read_dir(dir.path()).expect("the folder").count(), 1);
}

#[test]
fn the_committed_atlases_are_what_their_generator_makes() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("atlases-synthetic");
    for atlas in &parcellation::ATLASES {
        let made = atlas.grow().expect("grown");
        let table = fs::read_to_string(folder.join(format!("{}.tsv", atlas.name))).expect("the label table");
        assert_eq!(table, made.label_table(), "{}", atlas.name);
        let file = fs::File::open(folder.join(format!("{}.nii.gz", atlas.name))).expect("the label image");
        let mut bytes = Vec::new();
        io::Read::read_to_end(&mut flate2::read::GzDecoder::new(file), &mut bytes).expect("whole gzip");
        let labels: Vec<i16> = bytes[352..].chunks_exact(2).map(|b| i16::from_le_bytes([b[0], b[1]])).collect();
        assert!(labels == made.labels, "{}: other labels than the generator makes", atlas.name);
    }
}

#[test]
fn both_study_files_read_without_a_problem() {
    let settings = SynthSettings { name: "A \"quoted\" \\ name".to_owned(), ..small(41) };
    let (_dir, out) = written(&settings);
    let read = |name: &str| crate::study::Study::read(&out.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
    let (censored, uncensored) = (read("study.toml"), read("study-uncensored.toml"));
    assert_eq!(censored.name, settings.name);
    assert_eq!(censored.censor.fd_mm, 0.2);
    assert_eq!((uncensored.censor.fd_mm, uncensored.censor.watch_log), (0.0, false));
    assert_ne!(censored.results, uncensored.results);
    assert!(censored.parcels[0].image.is_file());
    for study in [&censored, &uncensored] {
        let cohort = crate::discover::discover(study).expect("the tables read");
        assert_eq!(cohort.scans.len(), 12);
        assert_eq!(cohort.children.len(), 6);
        assert!(
            cohort.scans.iter().all(|s| s.problems.is_empty()),
            "{}",
            crate::remark::texts(&cohort.scans[0].problems).join("; ")
        );
    }
}

#[test]
fn the_whole_brain_grid_takes_two_hundred_parcels() {
    let settings =
        SynthSettings { children: 1, frames: 20, parcels: 200, grid: Grid::Whole, ..SynthSettings::demo(51) };
    let (_dir, out) = written(&settings);
    let header =
        crate::nifti::read_header(&out.join("sub-01/func/sub-01_task-rest_run-1_bold.nii.gz")).expect("a header");
    assert_eq!((header.shape, header.frames), ([64, 64, 36], 20));
    let labels = crate::nifti::read_3d(&out.join("atlas.nii.gz")).expect("the atlas");
    let mut seen: Vec<i64> = labels.data.iter().map(|v| *v as i64).filter(|v| *v > 0).collect();
    seen.sort_unstable();
    seen.dedup();
    assert_eq!(seen, (1..=200).collect::<Vec<_>>());
}
