use ndarray::Array2;

use super::*;

#[test]
fn covariances_are_in_percent_and_correlations_as_they_were() {
    let run = |seed: usize| Array2::from_shape_fn((9, 4), |(t, p)| ((3 + t * t + seed * p) as f64).sin());
    let (one, two) = (run(5), run(2));
    let signals = [[50.0, 10.0, f64::NAN, 2.0], [5.0, 20.0, 3.0, 8.0]];
    let parts = [(&one, &signals[0]), (&two, &signals[1])]
        .map(|(run, mean_signal)| RunPart { residuals: run.view(), mean_signal });
    let found = of_runs(&parts, Measure::Covariance).unwrap().matrix;
    for i in 0..4 {
        for j in 0..4 {
            // By hand, over both runs.
            let mut sum = 0.0;
            for (run, signal) in [(&one, &signals[0]), (&two, &signals[1])] {
                let percent = |p: usize, t: usize| 100.0 * (run[[t, p]] - run.column(p).sum() / 9.0) / signal[p];
                sum += (0..9).map(|t| percent(i, t) * percent(j, t)).sum::<f64>();
            }
            if i == 2 || j == 2 {
                assert!(found[[i, j]].is_nan());
            } else {
                assert!((found[[i, j]] - sum / 18.0).abs() < 1e-9 * found[[i, i]].max(found[[j, j]]));
            }
            assert!(found[[i, j]].to_bits() == found[[j, i]].to_bits());
        }
    }
    for measure in [Measure::Pearson, Measure::Spearman, Measure::Partial] {
        let joined = join(&[one.view(), two.view()]);
        assert_eq!(of_runs(&parts, measure).unwrap(), connectivity(joined.view(), measure).unwrap());
    }
}

#[test]
fn a_value_that_is_not_finite_is_refused_where_it_counts() {
    let mut run = Array2::from_shape_fn((9, 2), |(t, p)| ((t * t + p) as f64).sin());
    run[[3, 1]] = f64::NAN;
    let covariance = |mean_signal| of_runs(&[RunPart { residuals: run.view(), mean_signal }], Measure::Covariance);
    assert!(covariance(&[1.0, 1.0]).is_err());
    assert!(covariance(&[1.0, f64::NAN]).is_ok());
}
