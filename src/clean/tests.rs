use ndarray::{Array1, Array2, array};
use proptest::prelude::*;

use super::*;
use crate::study::settings::Fill;

pub(super) fn settings(band_hz: Option<[f64; 2]>, detrend_degree: usize, fill: Fill) -> CleanSettings {
    CleanSettings {
        motion_terms: 0,
        tissue_means: Vec::new(),
        global_signal: false,
        tissue_components: 0,
        confound_columns: Vec::new(),
        detrend_degree,
        band_hz,
        fill,
    }
}

/// A made-up series that no step treats specially.
fn wobble(frames: usize, columns: usize, seed: f64) -> Array2<f64> {
    Array2::from_shape_fn((frames, columns), |(i, j)| {
        let (t, c) = (i as f64, j as f64 + seed);
        (0.31 * t + c).sin() + 0.5 * (0.047 * t * (1.0 + 0.1 * c)).cos() + 0.01 * c * t + 100.0
    })
}

#[test]
fn legendre_polynomials_are_the_known_ones() {
    let p = detrend::legendre(5, 3);
    for (i, x) in [-1.0, -0.5, 0.0, 0.5, 1.0_f64].into_iter().enumerate() {
        let known = [1.0, x, (3.0 * x * x - 1.0) / 2.0, (5.0 * x.powi(3) - 3.0 * x) / 2.0];
        known.iter().enumerate().for_each(|(n, v)| assert!((p[[i, n]] - v).abs() < 1e-15));
    }
    assert_eq!(detrend::legendre(1, 1), array![[1.0, 0.0]]);
}

#[test]
fn a_column_that_is_only_trend_becomes_exactly_zero() {
    let mut values =
        Array2::from_shape_fn((30, 2), |(i, j)| if j == 0 { 5.3 + 0.7 * i as f64 } else { (i as f64).sin() });
    let kept: Vec<usize> = (3..28).collect();
    detrend::remove(&mut values, &kept, 1).unwrap();
    assert!(values.column(0).iter().all(|&v| v == 0.0));
    assert!(values.column(1).iter().any(|&v| v != 0.0));
    // So a constant confound costs no degree of freedom beside the intercept.
    let (confounds, settings) = (Array2::from_elem((30, 1), 1234.567), settings(None, 1, Fill::Linear));
    let cleaned = clean(wobble(30, 2, 0.0).view(), confounds.view(), &[true; 30], Seconds(2.0), &settings).unwrap();
    assert_eq!(cleaned.rank, 1);
    assert!((cleaned.dof.white - 28.0).abs() < 1e-9, "{:?}", cleaned.dof);
}

#[test]
fn a_parcel_that_a_confound_explains_wholly_becomes_exactly_zero() {
    let data = wobble(60, 2, 0.0);
    let confounds = data.slice(ndarray::s![.., ..1]).mapv(|v| 3.0 * v - 7.0);
    let kept: Vec<bool> = (0..60).map(|i| i % 9 != 4).collect();
    for band in [None, Some([0.01, 0.1])] {
        let settings = settings(band, 1, Fill::Linear);
        let cleaned = clean(data.view(), confounds.view(), &kept, Seconds(2.0), &settings).unwrap();
        assert!(cleaned.residuals.column(0).iter().all(|&v| v == 0.0));
        assert!(cleaned.residuals.column(1).iter().any(|&v| v.abs() > 1e-3));
    }
}

#[test]
fn linear_fill_between_neighbours_and_nearest_at_the_ends() {
    let mut values = Array2::from_shape_vec((7, 1), vec![9.0, 2.0, 9.0, 9.0, 5.0, 9.0, 9.0]).unwrap();
    let kept = [false, true, false, false, true, false, false];
    Filling::new(&kept, Fill::Linear).fill(&mut values);
    assert_eq!(values.column(0).to_vec(), [2.0, 2.0, 3.0, 4.0, 5.0, 5.0, 5.0]);
}

/// Without Lomb's shift of time: the sine and cosine of each frequency by two normal equations.
#[test]
fn spectral_fill_is_what_a_fit_at_each_frequency_gives() {
    for frames in [16, 23] {
        let kept: Vec<bool> = (0..frames).map(|i| !(5..8).contains(&i) && i != 13).collect();
        let x = |i: usize| 10.0 + ((i * 37) % 11) as f64;
        let mut values = Array2::from_shape_fn((frames, 1), |(i, _)| x(i));
        Filling::new(&kept, Fill::Spectral).fill(&mut values);

        let rows: Vec<usize> = (0..frames).filter(|&i| kept[i]).collect();
        let mean = rows.iter().map(|&i| x(i)).sum::<f64>() / rows.len() as f64;
        let mut slow = vec![0.0; frames];
        for j in (1..).take_while(|j| 2 * j < 8 * frames) {
            let angle = |i: usize| std::f64::consts::TAU * j as f64 / (8 * frames) as f64 * i as f64;
            let sum = |f: &dyn Fn(usize) -> f64| rows.iter().map(|&i| f(i)).sum::<f64>();
            let (cc, ss) = (sum(&|i| angle(i).cos().powi(2)), sum(&|i| angle(i).sin().powi(2)));
            let cs = sum(&|i| angle(i).cos() * angle(i).sin());
            let (xc, xs) = (sum(&|i| (x(i) - mean) * angle(i).cos()), sum(&|i| (x(i) - mean) * angle(i).sin()));
            let determinant = cc * ss - cs * cs;
            let (a, b) = ((xc * ss - xs * cs) / determinant, (xs * cc - xc * cs) / determinant);
            (0..frames).for_each(|i| slow[i] += a * angle(i).cos() + b * angle(i).sin());
        }
        let sd = |f: &dyn Fn(usize) -> f64| {
            let m = rows.iter().map(|&i| f(i)).sum::<f64>() / rows.len() as f64;
            (rows.iter().map(|&i| (f(i) - m).powi(2)).sum::<f64>() / rows.len() as f64).sqrt()
        };
        let scale = sd(&x) / sd(&|i| slow[i]);
        for i in 0..frames {
            let expected = if kept[i] { x(i) } else { mean + scale * slow[i] };
            assert!((values[[i, 0]] - expected).abs() < 1e-9, "frame {i}: {} {expected}", values[[i, 0]]);
        }
    }
}

#[test]
fn the_filter_keeps_its_band_and_stops_the_rest() {
    let tr = Seconds(2.0);
    let frames = 600;
    let amplitude = |hz: f64| {
        let mut wave = Array2::from_shape_fn((frames, 1), |(i, _)| (std::f64::consts::TAU * hz * 2.0 * i as f64).sin());
        filter::band_pass(&mut wave, [0.01, 0.1], tr).unwrap();
        let middle = wave.slice(ndarray::s![200..400, 0]).to_owned();
        (2.0 * middle.iter().map(|v: &f64| v * v).sum::<f64>() / 200.0).sqrt()
    };
    assert!((amplitude(0.04) - 1.0).abs() < 0.02);
    assert!(amplitude(0.002) < 0.02);
    assert!(amplitude(0.22) < 0.02);
    // Half power twice over (forward and backward) at the edges.
    assert!((amplitude(0.1) - 0.5).abs() < 0.02);
}

#[test]
fn a_band_above_what_frames_show_is_refused() {
    let error = filter::require_below_nyquist(0.25, Seconds(2.0)).unwrap_err();
    assert_eq!(
        error.to_string(),
        "clean.band_hz ends at 0.25 Hz, but frames 2 s apart show only frequencies below 0.2500 Hz; lower the upper \
         edge, or set band_hz = [] for no filter"
    );
}

#[test]
fn nothing_kept_gives_nothing_and_no_panic() {
    let (data, confounds, settings) =
        (wobble(20, 3, 0.0), wobble(20, 2, 9.0), settings(Some([0.01, 0.1]), 1, Fill::Linear));
    let cleaned = clean(data.view(), confounds.view(), &[false; 20], Seconds(2.0), &settings).unwrap();
    assert_eq!((cleaned.residuals.dim(), cleaned.dof), ((0, 3), Dof::NONE));
}

#[test]
fn components_are_shared_signals_with_fixed_signs() {
    let shared: Array1<f64> = (0..60).map(|i| (0.4 * i as f64).sin()).collect();
    let voxels = Array2::from_shape_fn((60, 25), |(i, v)| {
        50.0 + shared[i] * (1.0 + v as f64 % 3.0) + 0.05 * ((i * 7 + v * 13) as f64).sin() + 0.02 * i as f64
    });
    let kept: Vec<bool> = (0..60).map(|i| i % 11 != 5).collect();
    let found = components::tissue_components(voxels.view(), &kept, 1, 3).unwrap();
    assert_eq!(found.dim(), (60, 3));
    let rows: Vec<usize> = (0..60).filter(|&i| kept[i]).collect();
    let first = found.column(0).select(Axis(0), &rows);
    let wave = shared.select(Axis(0), &rows);
    let (a, b) = (&first - first.mean().unwrap(), &wave - wave.mean().unwrap());
    let r = a.dot(&b) / (a.dot(&a) * b.dot(&b)).sqrt();
    assert!(r.abs() > 0.99, "{r}");
    assert!((first.dot(&first) - 1.0).abs() < 1e-12);
    assert!((0..60).filter(|&i| !kept[i]).all(|i| found[[i, 0]] == 0.0));
}

proptest! {
    /// The architecture's premise: cleaning is linear, so cleaning voxels and averaging is averaging and cleaning.
    #[test]
    fn cleaning_and_averaging_commute(
        gaps in proptest::collection::vec(0usize..60, 0..15), seed in 0.0f64..50.0, filtered in any::<bool>()
    ) {
        let frames = 60;
        let kept: Vec<bool> = (0..frames).map(|i| !gaps.contains(&i)).collect();
        let voxels = wobble(frames, 6, seed);
        let mean = voxels.mean_axis(Axis(1)).unwrap().insert_axis(Axis(1));
        let confounds = wobble(frames, 3, seed + 0.37);
        let settings = settings(filtered.then_some([0.01, 0.1]), 2, Fill::Linear);
        let cleaner = Cleaner::new(confounds.view(), &kept, Seconds(2.0), &settings).unwrap();
        let run = |data: &Array2<f64>| cleaner.residuals(data.view()).unwrap();
        let after = run(&voxels).mean_axis(Axis(1)).unwrap();
        for (a, b) in after.iter().zip(run(&mean).column(0)) {
            prop_assert!((a - b).abs() < 1e-9, "{a} {b}");
        }
    }

    /// The linear fill against a direct search for neighbours.
    #[test]
    fn linear_fill_is_what_a_slow_search_gives(kept in proptest::collection::vec(any::<bool>(), 1..24)) {
        prop_assume!(kept.contains(&true));
        let x = |i: usize| ((i * 37) % 11) as f64;
        let mut values = Array2::from_shape_fn((kept.len(), 1), |(i, _)| x(i));
        Filling::new(&kept, Fill::Linear).fill(&mut values);
        for i in 0..kept.len() {
            let before = (0..=i).rev().find(|&k| kept[k]);
            let after = (i..kept.len()).find(|&k| kept[k]);
            let slow = match (before, after) {
                (Some(a), Some(b)) if a == b => x(a),
                (Some(a), Some(b)) => x(a) + (x(b) - x(a)) * (i - a) as f64 / (b - a) as f64,
                (Some(only), None) | (None, Some(only)) => x(only),
                (None, None) => unreachable!("something is kept"),
            };
            prop_assert!((values[[i, 0]] - slow).abs() < 1e-12);
        }
    }
}
