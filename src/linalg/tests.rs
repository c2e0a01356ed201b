use ndarray::{Array2, array};
use ndarray_linalg::{Eigh, UPLO};
use proptest::prelude::*;

use super::*;

#[test]
fn lapack_is_linked_and_right() {
    let a: Array2<f64> = array![[2.0, 1.0], [1.0, 2.0]];
    let (values, _) = a.eigh(UPLO::Lower).unwrap();
    assert!((values[0] - 1.0).abs() < 1e-14 && (values[1] - 3.0).abs() < 1e-14);
}

#[test]
fn a_dependent_column_is_set_aside() {
    let design = array![[1.0, 0.0, 1.0], [1.0, 1.0, 2.0], [1.0, 2.0, 3.0], [1.0, 4.0, 5.0]];
    let y = array![[1.0], [3.0], [5.0], [9.0]];
    let fit = LeastSquares::new(design.view()).unwrap();
    assert_eq!(fit.rank(), 2);
    let b = fit.coefficients(y.view()).unwrap();
    assert!((b[[0, 0]] - 1.0).abs() < 1e-13 && (b[[1, 0]] - 2.0).abs() < 1e-13);
    assert_eq!(b[[2, 0]], 0.0);
    assert!(fit.residuals(y.view()).unwrap().iter().all(|r| r.abs() < 1e-13));
}

#[test]
fn not_finite_is_refused_with_its_place() {
    let design = array![[1.0, 0.0], [1.0, f64::NAN]];
    assert_eq!(
        LeastSquares::new(design.view()).unwrap_err().to_string(),
        "the least-squares design was given a value that is not finite (row 1, column 1); check the input tables and \
        images"
    );
}

proptest! {
    #[test]
    fn residuals_are_what_the_fit_leaves(
        rows in 1usize..12, columns in 0usize..6, seed in proptest::collection::vec(-3.0f64..3.0, 12 * 8)
    ) {
        let design = Array2::from_shape_fn((rows, columns), |(i, j)| seed[i * 8 + j]);
        let data = Array2::from_shape_fn((rows, 2), |(i, j)| seed[i * 8 + 6 + j]);
        let fit = LeastSquares::new(design.view()).unwrap();
        let direct = &data - &design.dot(&fit.coefficients(data.view()).unwrap());
        let left = fit.residuals(data.view()).unwrap();
        // The fit's condition number bounds how far the two ways may differ; columns here are ordinary.
        for (a, b) in left.iter().zip(&direct) {
            prop_assert!((a - b).abs() < 1e-6, "{a} {b}");
        }
        for column in design.columns() {
            for residual in left.columns() {
                prop_assert!(column.dot(&residual).abs() < 1e-9);
            }
        }
    }
}

#[test]
fn a_gap_takes_its_pair_out_of_the_autocorrelation() {
    let x = [1.0, 3.0, 2.0, 6.0];
    // Deviations −2, 0, −1, 3; squares 14.
    assert!((summary(&x, |_| true).lag1 - (0.0 + 0.0 - 3.0) / 14.0).abs() < 1e-15);
    assert!((summary(&x, |t| t != 0).lag1 - (-3.0 / 14.0) * (3.0 / 2.0)).abs() < 1e-15);
    assert!(summary(&x, |_| false).lag1.is_nan());
}
