use ndarray::{Axis, array};
use ndarray_linalg::QR;

use super::super::{EdgeFits, fit_in_blocks, fit_weighted};
use super::*;
use crate::group::exchange::Blocks;
use crate::group::tails::t_two_sided;
use crate::group::weights::WeightedEdges;
use crate::test_numbers::Numbers;

fn names(count: usize) -> Vec<String> {
    (0..count).map(|j| format!("b{j}")).collect()
}

fn fit(x: &Array2<f64>, y: &Array2<f64>, blocks: &[usize]) -> EdgeFits {
    let blocks = Blocks::new(&(0..blocks.len()).collect::<Vec<_>>(), Some(blocks));
    fit_in_blocks(x.view(), &names(x.ncols()), y.view(), &WeightedEdges::alike(y.nrows(), y.ncols()), &blocks).unwrap()
}

/// The definition, with every matrix written out.
#[test]
fn errors_and_degrees_of_freedom_are_those_of_the_definition() {
    let mut noise = Numbers::new(3);
    let blocks = [0, 0, 1, 2, 2, 2, 3, 1, 4, 5, 5];
    let mut x = Array2::from_shape_simple_fn((11, 3), || noise.normal());
    x.column_mut(0).fill(1.0);
    let mut y = Array2::from_shape_simple_fn((11, 2), || noise.normal());
    y[[4, 1]] = f64::NAN;
    let found = fit(&x, &y, &blocks);
    for edge in 0..2 {
        let here: Vec<usize> = (0..11).filter(|&row| !y[[row, edge]].is_nan()).collect();
        let (x, y) = (x.select(Axis(0), &here), y.select(Axis(0), &here).column(edge).to_owned());
        let (q, r) = x.qr().unwrap();
        let left = Array2::eye(here.len()) - q.dot(&q.t());
        let e = left.dot(&y);
        for coefficient in 0..3 {
            let mut unit = Array1::zeros(3);
            unit[coefficient] = 1.0;
            // v solves Rᵀv = unit, by forward substitution.
            let mut v = Array1::<f64>::zeros(3);
            for k in 0..3 {
                v[k] = (unit[k] - (0..k).map(|j| r[[j, k]] * v[j]).sum::<f64>()) / r[[k, k]];
            }
            let mut p = Array2::<f64>::zeros((6, here.len()));
            for block in 0..6 {
                let rows: Vec<usize> = (0..here.len()).filter(|&row| blocks[here[row]] == block).collect();
                let own = q.select(Axis(0), &rows);
                let part = left.select(Axis(0), &rows).select(Axis(1), &rows);
                let (values, vectors) = part.eigh(UPLO::Lower).unwrap();
                let root = vectors.dot(&Array2::from_diag(&values.mapv(|v: f64| 1.0 / v.sqrt()))).dot(&vectors.t());
                for (row, value) in rows.iter().zip(root.dot(&own).dot(&v)) {
                    p[[block, *row]] = value;
                }
            }
            let variance = p.dot(&e).mapv(|v| v * v).sum();
            let omega = p.dot(&left).dot(&p.t());
            let dof = omega.diag().sum().powi(2) / omega.dot(&omega).diag().sum();
            assert!((found.standard_errors[[coefficient, edge]] - variance.sqrt()).abs() < 1e-10);
            assert!((found.t_dof[[coefficient, edge]] - dof).abs() < 1e-8, "{dof}");
            let t = found.t[[coefficient, edge]];
            assert!((found.p[[coefficient, edge]] - t_two_sided(t, dof)).abs() < 1e-10);
        }
    }
}

#[test]
fn rows_that_are_independent_have_the_ordinary_error() {
    let mut noise = Numbers::new(4);
    let mut x = Array2::from_shape_simple_fn((9, 2), || noise.normal());
    x.column_mut(0).fill(1.0);
    let y = Array2::from_shape_simple_fn((9, 3), || noise.normal());
    let plain = fit_weighted(x.view(), &names(2), y.view(), &WeightedEdges::alike(9, 3)).unwrap();
    assert_eq!(fit(&x, &y, &[0, 1, 2, 3, 4, 5, 6, 7, 8]), plain);
    assert!(plain.t_dof.iter().all(|dof| *dof == 7.0));
}

#[test]
fn a_coefficient_of_one_block_has_no_error() {
    let x = array![[1.0, 1.0], [1.0, 1.0], [1.0, 0.0], [1.0, 0.0], [1.0, 0.0], [1.0, 0.0]];
    let y = array![[0.1], [0.4], [0.3], [0.9], [0.2], [0.8]];
    let found = fit(&x, &y, &[0, 0, 1, 1, 2, 2]);
    assert!(found.coefficients[[1, 0]].is_finite());
    assert!(found.standard_errors[[1, 0]].is_nan() && found.p[[1, 0]].is_nan());
}

/// Pairs that share half their variance, and a column that is the same in both: the ordinary p is below 0.05 far too
/// often, the one of blocks is not.
#[test]
fn five_in_a_hundred_by_chance() {
    let mut noise = Numbers::new(5);
    for families in [10, 20, 40] {
        let rows = 2 * families;
        let blocks: Vec<usize> = (0..rows).map(|row| row / 2).collect();
        let (mut called, mut ordinary, edges, cohorts) = (0, 0, 40, 60);
        for _ in 0..cohorts {
            let own: Vec<f64> = (0..families).map(|_| noise.normal()).collect();
            let x = Array2::from_shape_fn((rows, 2), |(row, j)| if j == 0 { 1.0 } else { own[row / 2] });
            let shared = Array2::from_shape_simple_fn((families, edges), || noise.normal());
            let y = Array2::from_shape_fn((rows, edges), |(row, edge)| shared[[row / 2, edge]] + noise.normal());
            let below = |fits: &EdgeFits| fits.p.row(1).iter().filter(|p| **p < 0.05).count();
            called += below(&fit(&x, &y, &blocks));
            ordinary += below(&fit(&x, &y, &(0..rows).collect::<Vec<_>>()));
        }
        let tests = f64::from(edges as u32 * cohorts);
        let (share, ordinary) = (called as f64 / tests, ordinary as f64 / tests);
        // Edges are independent: a standard error of 0.0045.
        assert!((0.03..0.066).contains(&share), "{families}: {share}");
        assert!(ordinary > 0.08, "{families}: {ordinary}");
    }
}
