use ndarray::{Array2, Axis, concatenate};

use super::*;
use crate::clean::tests::settings;
use crate::clean::{Cleaner, clean, detrend};
use crate::linalg::LeastSquares;
use crate::study::settings::Fill;
use crate::test_numbers::even_table as noise;

const TR: Seconds = Seconds(2.0);

/// Every seventh frame, the two after it and one stretch are dropped.
fn gaps(frames: usize) -> Vec<bool> {
    (0..frames).map(|i| i % 7 > 2 && !(frames / 2..frames / 2 + frames / 10).contains(&i)).collect()
}

fn ar1(rho: f64) -> Autoregression {
    Autoregression::of_autocovariances(&[1.0, rho])
}

/// The traces of kept frames that are not cleaned at all.
fn uncleaned(kept: &[bool], own: &Autoregression) -> Traces {
    let kept_rows: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
    let nothing = Array2::zeros((kept_rows.len(), 0));
    let filling = Filling::new(kept, Fill::Linear);
    let map = CleaningMap {
        kept,
        kept_rows: &kept_rows,
        trend: nothing.view(),
        filling: &filling,
        band_hz: None,
        tr: TR,
        design: nothing.view(),
    };
    map.traces_of_matrices([Series { own: Some(own), factor: 1.0 }; 2]).unwrap()[0][0]
}

/// ν·(1 + 4·tr(M³)/(tr(M)·tr(M²)) − 4/ν) of M = AΣAᵀ, entry by entry; `a` by cleaning the unit vectors.
fn slow(a: &Array2<f64>, kept_rows: &[usize], rho: &[f64]) -> f64 {
    let sigma =
        Array2::from_shape_fn((kept_rows.len(), kept_rows.len()), |(i, j)| rho[kept_rows[i].abs_diff(kept_rows[j])]);
    let m = a.dot(&sigma).dot(&a.t());
    let square = m.dot(&m);
    let (t1, t2) = (m.diag().sum(), square.diag().sum());
    let nu = t1 * t1 / t2;
    nu * (1.0 + 4.0 * (&square * &m).sum() / (t1 * t2) - 4.0 / nu)
}

#[test]
fn white_series_and_an_intercept_leave_one_fewer_than_frames() {
    for frames in [2, 3, 10, 128] {
        let (confounds, kept) = (Array2::zeros((frames, 0)), vec![true; frames]);
        let cleaner_settings = settings(None, 0, Fill::Linear);
        let cleaned = clean(noise(frames, 3, 1).view(), confounds.view(), &kept, TR, &cleaner_settings).unwrap();
        assert!((cleaned.dof.white - (frames - 1) as f64).abs() < 1e-9, "{frames}: {:?}", cleaned.dof);
    }
}

#[test]
fn a_first_order_series_has_the_closed_form() {
    for (frames, rho) in [(1, 0.5), (2, 0.5), (40, 0.3), (100, -0.6), (128, 0.9)] {
        let n = frames as f64;
        let a: f64 = rho * rho;
        // Σ (n − h) a^h over h = 1 … n − 1.
        let sum = a * (n * (1.0 - a) - (1.0 - a.powi(frames))) / (1.0 - a).powi(2);
        let Traces([t1, t2, _]) = uncleaned(&vec![true; frames as usize], &ar1(rho));
        assert!((t1 - n).abs() < 1e-9 && (t2 - (n + 2.0 * sum)).abs() < 1e-9, "{frames} {rho}: {t1} {t2}");
        assert!((uncleaned(&vec![true; frames as usize], &Autoregression::white()).dof() - n).abs() < 1e-9);
    }
}

#[test]
fn frames_beside_a_gap_are_as_far_apart_as_the_gap_is_long() {
    // Kept 0, 1, 5: ρ, ρ⁴ and ρ⁵ between them.
    let rho: f64 = 0.8;
    let found = uncleaned(&[true, true, false, false, false, true], &ar1(rho));
    let squares = 3.0 + 2.0 * (rho.powi(2) + rho.powi(8) + rho.powi(10));
    assert!((found.0[1] - squares).abs() < 1e-12, "{:?}", found.0);
    let expected = slow(&Array2::eye(3), &[0, 1, 5], &ar1(rho).autocorrelations(6));
    assert!((found.dof() - expected).abs() < 1e-12, "{} {expected}", found.dof());
}

#[test]
fn a_short_run_has_exactly_what_its_matrix_says() {
    let own = Autoregression::of_autocovariances(&[1.0, 0.7, 0.3]);
    for (fill, band) in [(Fill::Linear, None), (Fill::Linear, Some([0.01, 0.1]))] {
        for degree in [0, 2] {
            let kept = gaps(150);
            let kept_rows: Vec<usize> = (0..150).filter(|&i| kept[i]).collect();
            let (confounds, settings) = (noise(150, 6, 5), settings(band, degree, fill));
            let cleaner = Cleaner::new(confounds.view(), &kept, TR, &settings).unwrap();
            let mut units = Array2::zeros((150, kept_rows.len()));
            kept_rows.iter().enumerate().for_each(|(j, &i)| units[[i, j]] = 1.0);
            let a = cleaner.residuals(units.view()).unwrap();
            let found = cleaner.dof_of(&own).unwrap();
            let white = Autoregression::white().autocorrelations(150);
            let expected = [slow(&a, &kept_rows, &own.autocorrelations(150)), slow(&a, &kept_rows, &white)];
            assert!((found.own - expected[0]).abs() < 1e-6, "{found:?} {expected:?}");
            assert!((found.white - expected[1]).abs() < 1e-6, "{found:?} {expected:?}");
            assert!(found.before_regression > found.own);
        }
    }
}

#[test]
fn a_long_run_has_nearly_what_its_matrix_says() {
    let own = Autoregression::of_autocovariances(&[1.0, 0.8, 0.6]);
    let frames = 420;
    let kept: Vec<bool> = (0..frames).map(|i| i % 50 > 6).collect();
    let kept_rows: Vec<usize> = (0..frames).filter(|&i| kept[i]).collect();
    assert!(kept_rows.len() > 2 * WRITTEN_OUT);
    for tr in [0.5, 0.8, 2.0] {
        let (confounds, settings) = (noise(frames, 12, 9), settings(Some([0.01, 0.1]), 1, Fill::Linear));
        let cleaner = Cleaner::new(confounds.view(), &kept, Seconds(tr), &settings).unwrap();
        let mut units = Array2::zeros((frames, kept_rows.len()));
        kept_rows.iter().enumerate().for_each(|(j, &i)| units[[i, j]] = 1.0);
        let a = cleaner.residuals(units.view()).unwrap();
        let found = cleaner.dof_of(&own).unwrap();
        let white = Autoregression::white().autocorrelations(frames);
        for (found, rho) in [(found.own, own.autocorrelations(frames)), (found.white, white)] {
            let expected = slow(&a, &kept_rows, &rho);
            assert!((found / expected - 1.0).abs() < 0.03, "TR {tr}: {found} {expected}");
        }
    }
}

#[test]
fn columns_that_depend_on_others_cost_nothing() {
    let (kept, confounds) = (gaps(140), noise(140, 3, 3));
    let twice = concatenate![Axis(1), confounds, confounds.mapv(|v| 5.0 - 2.0 * v), Array2::ones((140, 1))];
    for band in [None, Some([0.01, 0.1])] {
        let settings = settings(band, 1, Fill::Linear);
        let dof = |confounds: &Array2<f64>| {
            clean(noise(140, 4, 7).view(), confounds.view(), &kept, TR, &settings).unwrap().dof
        };
        let (once, again) = (dof(&confounds), dof(&twice));
        assert!((once.own - again.own).abs() < 1e-6 && (once.white - again.white).abs() < 1e-6, "{once:?} {again:?}");
    }
}

#[test]
fn a_design_that_explains_everything_leaves_nothing() {
    for band in [None, Some([0.01, 0.1])] {
        for columns in [19, 20, 30] {
            let settings = settings(band, 1, Fill::Linear);
            let confounds = noise(20, columns, 3);
            let cleaned = clean(noise(20, 4, 7).view(), confounds.view(), &[true; 20], TR, &settings).unwrap();
            assert_eq!((cleaned.dof.own, cleaned.dof.white), (0.0, 0.0), "{columns} columns");
        }
    }
}

#[test]
fn a_trend_that_explains_everything_leaves_nothing() {
    for band in [None, Some([0.01, 0.1])] {
        let settings = settings(band, 10, Fill::Linear);
        let kept: Vec<bool> = (0..40).map(|frame| frame >= 34).collect();
        let cleaner = Cleaner::new(Array2::zeros((40, 0)).view(), &kept, Seconds(2.0), &settings).unwrap();
        assert_eq!(cleaner.dof_of(&ar1(0.4)).unwrap(), Dof::NONE, "{band:?}");
    }
}

#[test]
fn the_transposed_map_has_the_entries_the_other_way_round() {
    for (fill, band_hz) in
        [(Fill::Linear, None), (Fill::Linear, Some([0.01, 0.1])), (Fill::Spectral, Some([0.01, 0.1]))]
    {
        let kept = gaps(40);
        let kept_rows: Vec<usize> = (0..40).filter(|&i| kept[i]).collect();
        let of = |values: Array2<f64>| LeastSquares::new(values.select(Axis(0), &kept_rows).view()).unwrap().basis();
        let (trend, design) = (of(detrend::legendre(40, 1)), of(noise(40, 3, 2)));
        let filling = Filling::new(&kept, fill);
        let (trend, design) = (trend.view(), design.view());
        let map = CleaningMap { kept: &kept, kept_rows: &kept_rows, trend, filling: &filling, band_hz, tr: TR, design };
        let there = map.apply(Array2::eye(kept_rows.len()), 0.7).unwrap();
        let back = map.transposed(Array2::eye(kept_rows.len()), 0.7).unwrap();
        for (a, b) in there.iter().zip(back.t()) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
    }
}

/// The variance of r between series that the spectral fill rescales each by its own SD.
#[test]
fn the_spectral_fill_has_about_the_dof_of_one_factor() {
    let (frames, many) = (120, 400);
    let kept = gaps(frames);
    let settings = settings(Some([0.01, 0.1]), 1, Fill::Spectral);
    let confounds = noise(frames, 4, 2);
    let cleaner = Cleaner::new(confounds.view(), &kept, TR, &settings).unwrap();
    let mut residuals = cleaner.residuals(noise(frames, many, 8).view()).unwrap();
    for mut column in residuals.columns_mut() {
        let norm = column.dot(&column).sqrt();
        column /= norm;
    }
    let r = residuals.t().dot(&residuals);
    let squares: f64 = r.indexed_iter().filter(|((i, j), _)| i < j).map(|(_, r)| r * r).sum();
    let simulated = (many * (many - 1) / 2) as f64 / squares;
    let found = cleaner.dof_of(&Autoregression::white()).unwrap();
    assert!((found.own / simulated - 1.0).abs() < 0.05, "{found:?} {simulated}");
    assert!((found.own - found.white).abs() < 1e-9);
}
