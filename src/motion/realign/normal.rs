//! Small symmetric systems: solving the fit's seven normal equations, and how well they determine a pose.
//!
//! There are seven unknowns, whose columns are scaled alike. Normal equations in double precision lose nothing that
//! matters, since the numbers that go in are single precision; and LAPACK would allocate memory.

/// Solves A x = b for a symmetric positive definite A by Cholesky's decomposition; none when A is not.
pub(super) fn solve<const N: usize>(a: &[[f64; N]; N], b: &[f64; N]) -> Option<[f64; N]> {
    let mut l = [[0.0; N]; N];
    for i in 0..N {
        for j in 0..=i {
            let rest = a[i][j] - (0..j).map(|k| l[i][k] * l[j][k]).sum::<f64>();
            if i == j {
                // Written so that NaN is refused too. 1e-12: a column that is its predecessors' to a millionth.
                if !(rest > 1e-12 * a[i][i]) {
                    return None;
                }
                l[i][i] = rest.sqrt();
            } else {
                l[i][j] = rest / l[j][j];
            }
        }
    }
    let mut x = *b;
    for i in 0..N {
        x[i] = (x[i] - (0..i).map(|k| l[i][k] * x[k]).sum::<f64>()) / l[i][i];
    }
    for i in (0..N).rev() {
        x[i] = (x[i] - (i + 1..N).map(|k| l[k][i] * x[k]).sum::<f64>()) / l[i][i];
    }
    x.iter().all(|v| v.is_finite()).then_some(x)
}

/// Smallest over largest eigenvalue of the six pose parameters' matrix once the seventh, the gain, has been fitted
/// away; 0 when there is nothing to see. `a` is symmetric.
pub(super) fn determination(a: &[[f64; 7]; 7]) -> f64 {
    let gain = a[6][6];
    if !(gain > 0.0) {
        return 0.0;
    }
    let pose: [[f64; 6]; 6] = std::array::from_fn(|i| std::array::from_fn(|j| a[i][j] - a[i][6] * a[6][j] / gain));
    let values = eigenvalues(pose);
    let largest = values.iter().copied().fold(0.0, f64::max);
    let smallest = values.iter().copied().fold(f64::INFINITY, f64::min);
    if largest > 0.0 && smallest > 0.0 { smallest / largest } else { 0.0 }
}

/// Eigenvalues of a symmetric matrix by Jacobi's rotations (Golub & Van Loan, Matrix Computations, section 8.5).
fn eigenvalues<const N: usize>(mut a: [[f64; N]; N]) -> [f64; N] {
    // Convergence is quadratic: six sweeps reach rounding for a matrix of this size, the rest is reserve.
    for _ in 0..30 {
        let off: f64 = (0..N).flat_map(|i| (0..i).map(move |j| (i, j))).map(|(i, j)| a[i][j] * a[i][j]).sum();
        let diagonal: f64 = (0..N).map(|i| a[i][i] * a[i][i]).sum();
        if !(off > diagonal * 1e-30) {
            break;
        }
        for p in 0..N {
            for q in p + 1..N {
                if a[p][q] == 0.0 {
                    continue;
                }
                let theta = (a[q][q] - a[p][p]) / (2.0 * a[p][q]);
                let t = theta.signum() / (theta.abs() + (theta * theta + 1.0).sqrt());
                let c = 1.0 / (t * t + 1.0).sqrt();
                let s = t * c;
                for row in &mut a {
                    (row[p], row[q]) = (c * row[p] - s * row[q], s * row[p] + c * row[q]);
                }
                for k in 0..N {
                    (a[p][k], a[q][k]) = (c * a[p][k] - s * a[q][k], s * a[p][k] + c * a[q][k]);
                }
            }
        }
    }
    std::array::from_fn(|i| a[i][i])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solving_and_eigenvalues_of_a_matrix_with_known_ones() {
        // Second differences: eigenvalues 2 − 2 cos(kπ/(N + 1)).
        let a: [[f64; 5]; 5] = std::array::from_fn(|i| {
            std::array::from_fn(|j| match i.abs_diff(j) {
                0 => 2.0,
                1 => -1.0,
                _ => 0.0,
            })
        });
        let mut values = eigenvalues(a);
        values.sort_by(f64::total_cmp);
        for (k, value) in values.iter().enumerate() {
            let expected = 2.0 - 2.0 * ((k + 1) as f64 * std::f64::consts::PI / 6.0).cos();
            assert!((value - expected).abs() < 1e-12, "{value} against {expected}");
        }
        let x = [3.0, -1.0, 0.5, 7.0, 2.0];
        let b = std::array::from_fn(|i| (0..5).map(|j| a[i][j] * x[j]).sum());
        let found = solve(&a, &b).expect("a positive definite matrix");
        assert!(found.iter().zip(x).all(|(f, x)| (f - x).abs() < 1e-12));
    }

    #[test]
    fn a_matrix_that_determines_nothing_is_refused() {
        assert!(solve(&[[1.0, 1.0], [1.0, 1.0]], &[1.0, 1.0]).is_none());
        assert!(solve(&[[f64::NAN]], &[1.0]).is_none());
        let mut a = [[0.0; 7]; 7];
        assert_eq!(determination(&a), 0.0);
        for (i, row) in a.iter_mut().enumerate() {
            row[i] = 2.0;
        }
        assert!((determination(&a) - 1.0).abs() < 1e-15);
        a[5][5] = 0.0;
        assert_eq!(determination(&a), 0.0);
    }
}
