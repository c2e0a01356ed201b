//! Covariances in percent of each run's mean signal, from images to `stack --test`: gain does not matter, a mean of
//! nothing has no percent, and every command that works matrices out anew has the same unit.

use std::io::Cursor;

use keepstill::pages;
use ndarray::Array2;
use ndarray_npy::ReadNpyExt;
use serde_json::Value;

use crate::builders::{Folder, SHAPE, Tiny, cells};

const COVARIANCE: &str = "atlas-tern5_desc-covariance";
const PEARSON: &str = "atlas-tern5_desc-pearson";

/// Children with two runs of 60 frames, whose files may be spoiled before the run.
fn finished(children: usize, spoil: impl Fn(&Folder)) -> Folder {
    let settings = "\n[connectivity]\nmeasures = [\"pearson\", \"covariance\"]\n".to_owned();
    let folder = Tiny { children, runs: 2, frames: 60, settings, ..Tiny::default() }.build();
    spoil(&folder);
    folder.run(&["-q"]).expect(0);
    folder
}

/// Changes every voxel's value; `change` is given the voxel's place along x.
fn change_image(folder: &Folder, name: &str, change: impl Fn(usize, i16) -> i16) {
    let mut bytes = folder.bytes(name);
    for (at, value) in bytes[352..].chunks_exact_mut(2).enumerate() {
        let changed = change(at % SHAPE[0], i16::from_le_bytes([value[0], value[1]]));
        value.copy_from_slice(&changed.to_le_bytes());
    }
    folder.write_bytes(name, &bytes);
}

/// A table of numbers with names above and before; n/a is NaN.
fn numbers(folder: &Folder, name: &str) -> Vec<Vec<f64>> {
    let number = |cell: &String| if cell == "n/a" { f64::NAN } else { cell.parse().unwrap() };
    cells(&folder.read(name))[1..].iter().map(|row| row[1..].iter().map(number).collect()).collect()
}

fn matrix(folder: &Folder, stem: &str, kind: &str) -> Vec<Vec<f64>> {
    numbers(folder, &format!("results/{stem}/func/{stem}_{kind}_matrix.tsv"))
}

fn report(folder: &Folder, stem: &str) -> Value {
    serde_json::from_str(&folder.read(&format!("results/{stem}/func/{stem}_report.json"))).unwrap()
}

fn array(folder: &Folder, name: &str) -> Array2<f32> {
    Array2::read_npy(Cursor::new(folder.bytes(&format!("results/stack/{name}.npy")))).unwrap()
}

/// Equal but for the 32-bit floats of the tables.
fn alike(a: &[Vec<f64>], b: &[Vec<f64>]) -> bool {
    let same = |(a, b): (&f64, &f64)| (a.is_nan() && b.is_nan()) || (a - b).abs() <= 2e-6 * a.abs().max(0.01);
    a.len() == b.len() && a.iter().flatten().zip(b.iter().flatten()).all(same)
}

/// What a child's report says of covariances.
fn told_of_covariance(folder: &Folder, child: &str) -> Vec<String> {
    let told = report(folder, child)["joined"]["warnings"].clone();
    let words = told.as_array().unwrap().iter().map(|words| words.as_str().unwrap().to_owned());
    words.filter(|words| words.contains("covariances")).collect()
}

#[test]
fn the_gain_of_a_scanner_does_not_matter() {
    let plain = finished(2, |_| {});
    let louder = finished(2, |folder| change_image(folder, "bold_01_2.nii", |_, value| 7 * value));
    let [a, b] = [&plain, &louder].map(|folder| matrix(folder, "sub-01", COVARIANCE));
    assert!(alike(&a, &b), "{a:?}\n{b:?}");
    // Not a correlation: the images' waves are about 1 % of a mean of 1100 and more, squared.
    let variances: Vec<f64> = (0..4).map(|parcel| a[parcel][parcel]).collect();
    assert!(variances.iter().all(|own| *own > 0.1 && *own < 1.5 && (own - 1.0).abs() > 0.01), "{variances:?}");
    assert!(told_of_covariance(&plain, "sub-01").is_empty());
}

#[test]
fn covariances_are_those_of_the_files_series_over_the_images_mean() {
    let folder = finished(2, |folder| change_image(folder, "bold_02_1.nii", |_, value| 3 * value));
    let found = matrix(&folder, "sub-02", COVARIANCE);
    let (mut sums, mut frames) = ([[0.0; 4]; 4], 0.0);
    for run in 1..=2 {
        let stem = format!("results/sub-02/func/sub-02_run-{run}");
        let table = cells(&folder.read(&format!("{stem}_frames.tsv")));
        let column = table[0].iter().position(|name| name == "kept").unwrap();
        let kept: Vec<bool> = table[1..].iter().map(|row| row[column] == "1").collect();
        let image = folder.bytes(&format!("bold_02_{run}.nii"));
        let voxels = SHAPE.iter().product::<usize>();
        let signal = |parcel: usize| {
            let values = image[352..].chunks_exact(2).map(|value| f64::from(i16::from_le_bytes([value[0], value[1]])));
            let own = values.enumerate().filter(|(at, _)| kept[at / voxels] && at % SHAPE[0] == parcel + 1);
            let (sum, count) = own.fold((0.0, 0.0), |(sum, count), (_, value)| (sum + value, count + 1.0));
            sum / count
        };
        let signals = [0, 1, 2, 3].map(signal);
        let series = cells(&folder.read(&format!("{stem}_atlas-tern5_series.tsv")));
        let series = series[1..].iter().filter(|row| row[0] != "n/a");
        let series: Vec<Vec<f64>> =
            series.map(|row| (0..4).map(|p| row[p].parse::<f64>().unwrap() * 100.0 / signals[p]).collect()).collect();
        let mean = |p: usize| series.iter().map(|row| row[p]).sum::<f64>() / series.len() as f64;
        for (i, sums) in sums.iter_mut().enumerate() {
            for (j, sum) in sums.iter_mut().enumerate() {
                *sum += series.iter().map(|row| (row[i] - mean(i)) * (row[j] - mean(j))).sum::<f64>();
            }
        }
        frames += series.len() as f64;
    }
    let expected: Vec<Vec<f64>> = sums.iter().map(|row| row.iter().map(|sum| sum / frames).collect()).collect();
    let found: Vec<Vec<f64>> = found[..4].iter().map(|row| row[..4].to_vec()).collect();
    assert!(frames > 80.0 && alike(&found, &expected), "{found:?}\n{expected:?}");
}

#[test]
fn a_parcel_whose_mean_was_taken_away_has_no_covariance_and_the_report_says_why() {
    // The parcel cove stands at 1100; in one run of one child nothing is left of that.
    let folder = finished(3, |folder| change_image(folder, "bold_02_2.nii", |x, v| if x == 1 { v - 1100 } else { v }));
    let (covariance, pearson) = (matrix(&folder, "sub-02", COVARIANCE), matrix(&folder, "sub-02", PEARSON));
    for parcel in 0..4 {
        assert!(covariance[0][parcel].is_nan() && covariance[parcel][0].is_nan() && !pearson[0][parcel].is_nan());
        assert!(parcel == 0 || !covariance[parcel][parcel].is_nan());
    }
    assert_eq!(
        told_of_covariance(&folder, "sub-02"),
        ["sub-02_run-2: covariances are n/a for 1 of 4 parcels of atlas tern5 (cove), because their mean signal is \
             less than 5 times its SD over time, so nothing can be given in percent of it; if the mean was taken out \
             of the image, give the image as it was before that, or use a measure of correlation"]
    );
    // Worked out anew it is lacking too, and the others have standard errors and halves.
    let options = ["--equal-minutes", "2.5", "--standard-errors", "--resamples", "5", "--reliability"];
    let test = ["--test", "covariance ~ age_months", "--permutations", "0", "--all"];
    folder.keepstill(&[&["stack", "results"], options.as_slice(), &test].concat()).expect(0);
    let missing = cells(&folder.read("results/stack/atlas-tern5_missing.tsv"));
    assert!(
        missing.iter().any(|row| row.contains(&"cove".to_owned()) && row.contains(&"sub-02".to_owned())),
        "{missing:?}"
    );
    let name = "atlas-tern5_desc-covarianceEqual2p5";
    let errors = array(&folder, &format!("{name}_standard_errors"));
    let edges = array(&folder, &format!("{name}_edges"));
    for (edge, parcels) in (0..5).flat_map(|i| (i + 1..5).map(move |j| (i, j))).enumerate() {
        let lacks = |child: usize| parcels.1 == 4 || (child == 1 && parcels.0 == 0);
        for child in 0..3 {
            assert_eq!(edges[[child, edge]].is_nan(), lacks(child), "{parcels:?}");
            assert_eq!(errors[[child, edge]].is_nan(), lacks(child), "{parcels:?}");
        }
    }
}

#[test]
fn a_page_shows_covariances_in_their_unit() {
    let folder = finished(1, |_| {});
    let data = pages::child_data(&folder.read("results/sub-01/func/sub-01_report.html")).unwrap();
    let covariance = matrix(&folder, "sub-01", COVARIANCE);
    let edges = (0..4).flat_map(|i| (i + 1..4).map(move |j| (i, j)));
    let largest = edges.map(|(i, j)| covariance[i][j].abs()).fold(0.0, f64::max);
    let [of_pearson, of_covariance] = [&data.matrices[0], &data.matrices[1]];
    assert_eq!((of_pearson.largest, of_pearson.unit.as_str()), (1.0, ""));
    assert_eq!((of_covariance.measure.as_str(), of_covariance.unit.as_str()), ("covariance", "percent²"));
    assert!((of_covariance.largest - largest).abs() < 1e-6 * largest);
}

#[test]
fn covariances_are_tested_as_they_are_stacked() {
    let folder = finished(6, |_| {});
    let test = ["stack", "results", "--permutations", "19", "--test"];
    let run = |formula: &str| folder.keepstill(&[test.as_slice(), &[formula]].concat()).expect(0);
    let told = || -> Value { serde_json::from_str(&folder.read("results/stack/test.json")).unwrap() };
    let said = run("covariance ~ age_months").stderr;
    assert!(said.contains("pearson is a correlation and is not tested; test it with \"z ~ …\""), "{said}");
    let measures = |told: &Value| -> Vec<String> {
        told["arrays"].as_array().unwrap().iter().map(|array| array["measure"].as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(
        (measures(&told()), &told()["response"]),
        (vec!["covariance".to_owned()], &"covariance in percent^2, as stacked".into())
    );
    // On a scale of its own on each edge, there is one class of weights.
    let weights = &told()["arrays"][0]["weights"];
    assert_eq!((weights["by"].as_str(), weights["classes"].as_array().unwrap().len()), (Some("variance"), 1));
    // Equal weights: an ordinary regression, by hand.
    folder.keepstill(&[test.as_slice(), &["covariance ~ age_months", "--weights", "equal"]].concat()).expect(0);
    let table = cells(&folder.read(&format!("results/stack/{COVARIANCE}_test.tsv")));
    let column = |name: &str| table[0].iter().position(|column| column == name).unwrap();
    let (estimate, t) = (column("age_months_estimate"), column("age_months_t"));
    let (edges, ages) = (array(&folder, &format!("{COVARIANCE}_edges")), [6.0, 12.0, 18.0, 24.0, 30.0, 36.0]);
    let mean = |values: &[f64]| values.iter().sum::<f64>() / 6.0;
    for (edge, row) in table[1..].iter().enumerate().filter(|(_, row)| row[t] != "n/a") {
        let values: Vec<f64> = edges.column(edge).iter().map(|v| f64::from(*v)).collect();
        let product = |a: &[f64], b: &[f64]| a.iter().zip(b).map(|(x, y)| (x - mean(a)) * (y - mean(b))).sum::<f64>();
        let slope = product(&values, &ages) / product(&ages, &ages);
        let left = product(&values, &values) - slope * slope * product(&ages, &ages);
        let expected = [slope, slope / (left / 4.0 / product(&ages, &ages)).sqrt()];
        for (at, expected) in [estimate, t].into_iter().zip(expected) {
            let found: f64 = row[at].parse().unwrap();
            assert!((found - expected).abs() < 1e-4 * expected.abs(), "{found} {expected}");
        }
    }
    let said = run("z ~ age_months").stderr;
    assert!(
        said.contains("covariance is not a correlation and is not tested; test it with \"covariance ~ …\""),
        "{said}"
    );
    assert_eq!(measures(&told()), ["pearson"]);
    folder.keepstill(&[test.as_slice(), &["covariance ~ age_months", "--level", "networks"]].concat()).expect(0);
    assert!(folder.join(&format!("results/stack/{COVARIANCE}_networks_test.tsv")).is_file());
}
