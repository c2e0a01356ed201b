use ndarray::{Array2, Axis, array, concatenate};

use super::*;

const ALL: [bool; 8] = [true; 8];

/// Frames × parcels: means × (1 + what the parcel does, in percent).
fn signal(percent: &Array2<f64>, means: &[f64], gain: f64) -> Array2<f64> {
    Array2::from_shape_fn(percent.dim(), |(t, p)| gain * means[p] * (1.0 + percent[[t, p]] / 100.0))
}

fn without_mean(series: &Array2<f64>) -> Array2<f64> {
    series - &(series.sum_axis(Axis(0)) / series.nrows() as f64)
}

/// What three parcels do in 8 frames, percent: a square wave of 2 %, another of 0.5 %, and their sum. Products of the
/// two waves add up to 0.
fn waves() -> Array2<f64> {
    Array2::from_shape_fn((8, 3), |(t, p)| {
        let (slow, fast) = (if t < 4 { 2.0 } else { -2.0 }, if t % 2 == 0 { 0.5 } else { -0.5 });
        [slow, fast, slow + fast][p]
    })
}

/// Joined covariances as the pipeline makes them of the series before cleaning, which here takes only the mean.
fn joined(runs: &[Array2<f64>]) -> Array2<f64> {
    let residuals: Vec<Array2<f64>> = runs.iter().map(without_mean).collect();
    let signals: Vec<Vec<f64>> = runs.iter().map(|run| mean_signal(run.view(), &ALL[..run.nrows()])).collect();
    let part = |(residuals, mean_signal): (&'_ Array2<f64>, &'_ Vec<f64>)| -> Array2<f64> {
        in_percent(&[RunPart { residuals: residuals.view(), mean_signal }]).series
    };
    let alone: Vec<Array2<f64>> = residuals.iter().zip(&signals).map(part).collect();
    let parts: Vec<RunPart<'_>> = residuals
        .iter()
        .zip(&signals)
        .map(|(run, mean_signal)| RunPart { residuals: run.view(), mean_signal })
        .collect();
    let joined = in_percent(&parts);
    let stacked = concatenate(Axis(0), &alone.iter().map(|run| run.view()).collect::<Vec<_>>()).unwrap();
    assert_eq!(joined.series, stacked);
    joined.series.t().dot(&joined.series) / joined.series.nrows() as f64
}

fn close(a: &Array2<f64>, b: &Array2<f64>) -> bool {
    a.dim() == b.dim() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < 1e-12)
}

#[test]
fn covariances_of_runs_of_unlike_gain_are_those_by_hand() {
    let expected = array![[4.0, 0.0, 4.0], [0.0, 0.25, 0.25], [4.0, 0.25, 4.25]];
    let means = [640.0, 1000.0, 90.0];
    let one = signal(&waves(), &means, 1.0);
    assert!(close(&joined(std::slice::from_ref(&one)), &expected));
    // Another scanner also shows the parcels with other contrast.
    let other = signal(&waves(), &[1.0, 77.0, 3.0], 0.013);
    assert!(close(&joined(&[one.clone(), other]), &expected));
    // A run in which everything is half as large counts by its frames: (4 + 1) / 2.
    let half = signal(&(waves() / 2.0), &means, 20.0);
    assert!(close(&joined(&[one, half]), &(expected * 0.625)));
}

#[test]
fn gain_does_not_matter() {
    let wild = Array2::from_shape_fn((8, 3), |(t, p)| ((t * t + 3 * p) as f64).sin());
    let of = |gain: f64| joined(&[signal(&wild, &[500.0, 20.0, 3.0], gain), signal(&waves(), &[9.0; 3], 1.0)]);
    let one = of(1.0);
    assert!([1e-6, 0.3, 4096.0, 1e9].iter().all(|&gain| close(&of(gain), &one)));
}

#[test]
fn parts_of_a_run_keep_its_unit_and_have_their_own_mean() {
    let run = signal(&waves(), &[640.0, 1000.0, 90.0], 1.0);
    let signal = mean_signal(run.view(), &ALL);
    let residuals = without_mean(&run);
    let half =
        in_percent(&[RunPart { residuals: residuals.slice(ndarray::s![2..8, ..]), mean_signal: &signal }]).series;
    // 2 frames at +2 % and 4 at −2 %: their own mean is −2/3 %.
    assert!(half.sum_axis(Axis(0)).iter().all(|sum| sum.abs() < 1e-12));
    assert!((half[[0, 0]] - (2.0 + 2.0 / 3.0)).abs() < 1e-12 && (half[[5, 0]] - (-2.0 + 2.0 / 3.0)).abs() < 1e-12);
}

#[test]
fn a_mean_of_nothing_has_no_percent() {
    // SDs of 20: a fifth of 100, a sixth of it too much for 99.9; and a mean of 0, one below 0, one of a parcel that
    // is 0 throughout.
    let swing = |t: usize| if t.is_multiple_of(2) { 20.0 } else { -20.0 };
    let means = [100.0, 99.9, 0.0, -1000.0, 1000.0];
    let run = Array2::from_shape_fn((8, 6), |(t, p)| means.get(p).map_or(0.0, |mean| mean + swing(t)));
    let found = mean_signal(run.view(), &ALL);
    let has: Vec<bool> = found.iter().map(|mean| mean.is_finite()).collect();
    assert_eq!(has, [true, false, false, false, true, false]);
    assert_eq!((found[0], found[4]), (100.0, 1000.0));
    // Lacking in one run, lacking in the joined result.
    let whole = vec![7.0; 6];
    let part = |mean_signal| RunPart { residuals: run.view(), mean_signal };
    let joined = in_percent(&[part(&whole), part(&found)]);
    assert_eq!((joined.parcels, joined.series.dim()), (vec![0, 4], (16, 2)));
    assert_eq!(in_percent(&[part(&whole)]).parcels.len(), 6);
    assert_eq!(in_percent(&[]).series.dim(), (0, 0));
}

#[test]
fn only_kept_frames_make_the_mean() {
    let run = Array2::from_shape_fn((6, 1), |(t, _)| if t < 4 { 100.0 } else { -1e6 });
    assert_eq!(mean_signal(run.view(), &[true, true, true, true, false, false]), [100.0]);
    assert!(mean_signal(run.view(), &[false; 6])[0].is_nan());
}
