use ndarray::{Array2, Axis, array};

use super::*;
use crate::linalg::LeastSquares;
use crate::test_numbers::even_table as noise;

/// The autocovariances of x_t = a·x_{t−1} + b·x_{t−2} + e_t, as shares of the variance.
fn second_order([a, b]: [f64; 2], lags: usize) -> Vec<f64> {
    let mut rho = vec![1.0, a / (1.0 - b)];
    (2..lags).for_each(|h| rho.push(a * rho[h - 1] + b * rho[h - 2]));
    rho
}

#[test]
fn a_second_order_series_is_found_from_its_autocovariances() {
    let rho = second_order([1.2, -0.4], 12);
    let found = Autoregression::of_autocovariances(&rho[..6].iter().map(|r| 7.0 * r).collect::<Vec<_>>());
    assert_eq!(found.order(), 5);
    for (phi, expected) in found.predictors[5].iter().zip([1.2, -0.4, 0.0, 0.0, 0.0]) {
        assert!((phi - expected).abs() < 1e-10, "{found:?}");
    }
    for (a, b) in found.autocorrelations(12).iter().zip(&rho) {
        assert!((a - b).abs() < 1e-12);
    }
}

#[test]
fn autocovariances_of_no_series_end_the_order() {
    assert_eq!(Autoregression::of_autocovariances(&[1.0, 0.5, 1.2, 0.1]).order(), 1);
    assert_eq!(Autoregression::of_autocovariances(&[1.0, 1.0]).order(), 0);
    assert_eq!(Autoregression::of_autocovariances(&[0.0, 0.0]), Autoregression::white());
    assert_eq!(Autoregression::of_autocovariances(&[]), Autoregression::white());
    assert!(Autoregression::white().autocorrelations(0).is_empty());
}

#[test]
fn colouring_there_and_back_is_the_autocorrelation_matrix() {
    let model = Autoregression::of_autocovariances(&second_order([1.1, -0.5], 3));
    let mut sigma = Array2::eye(15);
    model.colour_transposed(&mut sigma);
    model.colour(&mut sigma);
    let rho = model.autocorrelations(15);
    for ((i, j), value) in sigma.indexed_iter() {
        assert!((value - rho[i.abs_diff(j)]).abs() < 1e-12, "{i} {j}: {value}");
    }
}

#[test]
fn expected_products_are_the_traces_that_define_them() {
    let kept: Vec<bool> = (0..60).map(|i| i % 11 > 1 && !(20..26).contains(&i)).collect();
    let rows: Vec<usize> = (0..60).filter(|&i| kept[i]).collect();
    let n = rows.len();
    let basis = LeastSquares::new(noise(n, 7, 4).view()).unwrap().basis();
    let lags = Lags::new(basis.view(), &kept, Seconds(2.0));
    assert!(lags.pairs.len() > 5, "{:?}", lags.pairs);
    let autocovariances: Vec<f64> = second_order([0.9, -0.3], lags.pairs.len()).iter().map(|r| 2.5 * r).collect();
    let rho = Autoregression::of_autocovariances(&autocovariances).autocorrelations(60);
    let sigma = Array2::from_shape_fn((n, n), |(i, j)| 2.5 * rho[rows[i].abs_diff(rows[j])]);
    let out = Array2::eye(n) - basis.dot(&basis.t());
    let residual = out.dot(&sigma).dot(&out);
    for (lag, (found, pairs)) in lags.expected(&autocovariances).iter().zip(&lags.pairs).enumerate() {
        let apart = (0..n).flat_map(|i| (0..n).map(move |j| (i, j))).filter(|&(i, j)| rows[i] + lag == rows[j]);
        let apart: Vec<(usize, usize)> = apart.collect();
        let slow: f64 = apart.iter().map(|&(i, j)| residual[[i, j]]).sum();
        assert_eq!(apart.len() as f64, *pairs);
        assert!((found - slow).abs() < 1e-10, "lag {lag}: {found} {slow}");
    }
}

#[test]
fn what_the_regression_took_is_put_back() {
    let (frames, parcels) = (160, 200);
    let kept: Vec<bool> = (0..frames).map(|i| i % 23 > 3).collect();
    let rows: Vec<usize> = (0..frames).filter(|&i| kept[i]).collect();
    let mut series = noise(frames, parcels, 11);
    let truth = Autoregression::of_autocovariances(&[1.0, 0.6]);
    truth.colour(&mut series);
    // Slow confounds take slow signals with them.
    let mut confounds = noise(frames, 24, 12);
    Autoregression::of_autocovariances(&[1.0, 0.95]).colour(&mut confounds);
    let fit = LeastSquares::new(confounds.select(Axis(0), &rows).view()).unwrap();
    let left = fit.residuals(series.select(Axis(0), &rows).view()).unwrap();
    let lags = Lags::new(fit.basis().view(), &kept, Seconds(2.0));
    let found = lags.products(left.view()).unwrap();
    let plain = found[1] / lags.pairs[1] / (found[0] / lags.pairs[0]);
    let corrected = estimate(left.view(), fit.basis().view(), &kept, Seconds(2.0)).autocorrelations(4);
    assert!(plain < 0.52, "{plain}");
    for (found, expected) in corrected.iter().zip([1.0, 0.6, 0.36, 0.216]) {
        assert!((found - expected).abs() < 0.03, "{corrected:?}");
    }
}

#[test]
fn each_parcel_counts_alike() {
    let mut loud = noise(80, 3, 5);
    let basis = Array2::zeros((80, 0));
    let of = |series: &Array2<f64>| estimate(series.view(), basis.view(), &[true; 80], Seconds(2.0));
    let before = of(&loud).autocorrelations(9);
    loud.column_mut(1).mapv_inplace(|v| 1000.0 * v);
    for (a, b) in of(&loud).autocorrelations(9).iter().zip(&before) {
        assert!((a - b).abs() < 1e-12);
    }
}

#[test]
fn nothing_known_is_white() {
    let white = Autoregression::white();
    let none = Array2::zeros((6, 0));
    let kept = [true; 6];
    assert_eq!(estimate(none.view(), none.view(), &kept, Seconds(2.0)), white);
    assert_eq!(estimate(Array2::zeros((6, 3)).view(), none.view(), &kept, Seconds(2.0)), white);
    // Too few frames for a lag.
    let three = array![[1.0], [-1.0], [0.5]];
    assert_eq!(estimate(three.view(), Array2::zeros((3, 0)).view(), &[true; 3], Seconds(2.0)), white);
    assert_eq!(estimate(Array2::zeros((0, 3)).view(), Array2::zeros((0, 0)).view(), &[false; 4], Seconds(2.0)), white);
}

#[test]
fn of_many_parcels_some_that_vary_are_taken_evenly() {
    let table =
        |parcels: usize| Array2::from_shape_fn((5, parcels), |(i, j)| if j % 2 == 0 { (i * j) as f64 } else { 7.0 });
    let (few, many) = (table(6), table(2 * MOST_PARCELS + 2));
    let second = |columns: &[ArrayView1<'_, f64>]| columns.iter().map(|column| column[1]).collect::<Vec<_>>();
    assert_eq!(second(&some_that_vary(&[few.view()])), [2.0, 4.0]);
    let tables = [few.view(), many.view()];
    let taken = some_that_vary(&tables);
    // 2 and 128 vary (column 0 of each is 0 throughout): every second.
    assert_eq!(second(&taken)[..3], [2.0, 2.0, 6.0]);
    assert_eq!(taken.len(), MOST_PARCELS / 2 + 1);
    assert!(some_that_vary(&[]).is_empty());
}
