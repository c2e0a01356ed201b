use ndarray::{Array2, Axis, array};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use super::*;
use crate::linalg::LeastSquares;

/// Partial correlation as it is defined: both sides regressed on the controls, residuals correlated.
fn slow_twin(z: &[f64], of: &[f64], controls: &Array2<f64>) -> Option<f64> {
    let n = z.len();
    let mut design = Array2::ones((n, controls.ncols() + 1));
    design.slice_mut(ndarray::s![.., 1..]).assign(controls);
    let data = Array2::from_shape_fn((n, 2), |(i, j)| if j == 0 { z[i] } else { of[i] });
    let left = LeastSquares::new(design.view()).ok()?.residuals(data.view()).ok()?;
    let (a, b) = (left.column(0), left.column(1));
    let (aa, bb) = (a.dot(&a), b.dot(&b));
    let whole = |v: &[f64]| {
        let mean = v.iter().sum::<f64>() / n as f64;
        v.iter().map(|x| (x - mean).powi(2)).sum::<f64>()
    };
    // Where hardly anything is left, one way may call it nothing and the other not.
    (aa > 1e-6 * whole(z) && bb > 1e-6 * whole(of)).then(|| a.dot(&b) / (aa * bb).sqrt())
}

proptest! {
    // The same cases every time: one small design in many thousands is so nearly dependent that the twin loses its
    // digits.
    #![proptest_config(ProptestConfig { cases: 400, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]
    #[test]
    fn correlations_are_those_of_the_children_who_have_the_edge(
        children in 1usize..14, covariates in 1usize..4, edges in 1usize..5,
        offset in prop_oneof![Just(0.0), Just(1e4)],
        values in proptest::collection::vec(-2.0f64..2.0, 14 * 8), missing in proptest::collection::vec(0u8..8, 14 * 4)
    ) {
        let z = Array2::from_shape_fn((children, edges), |(i, e)| {
            if missing[i * 4 + e] == 0 { f32::NAN } else { (values[i * 8 + e] + offset) as f32 }
        });
        let x = Array2::from_shape_fn((children, covariates), |(i, k)| values[i * 8 + 4 + k] + offset);
        let mut sums = Accumulator::new(edges, covariates);
        for i in 0..children {
            sums.add_child(&z.row(i).to_vec(), &x.row(i).to_vec(), 1.0).unwrap();
        }
        prop_assert_eq!(sums.children(), children);
        let controls: Vec<usize> = (1..covariates).collect();
        for controls in [&controls[..], &[]] {
            let got = sums.correlation(0, controls).unwrap();
            for edge in 0..edges {
                let present: Vec<usize> = (0..children).filter(|&i| !z[[i, edge]].is_nan()).collect();
                prop_assert_eq!(got.children[edge], present.len());
                let own: Vec<f64> = present.iter().map(|&i| f64::from(z[[i, edge]])).collect();
                if !own.is_empty() {
                    let mean = own.iter().sum::<f64>() / own.len() as f64;
                    prop_assert!((sums.mean()[edge] - mean).abs() < 1e-9 * (1.0 + offset));
                    if own.len() > 1 {
                        let squares: f64 = own.iter().map(|v| (v - mean).powi(2)).sum();
                        prop_assert!((sums.sd()[edge] - (squares / (own.len() - 1) as f64).sqrt()).abs() < 1e-9);
                    }
                } else {
                    prop_assert!(sums.mean()[edge].is_nan());
                }
                if present.len() < controls.len() + 3 {
                    prop_assert!(got.r[edge].is_nan() && got.p[edge].is_nan());
                    continue;
                }
                let part = x.select(Axis(0), &present);
                let motion = part.column(0).to_vec();
                let Some(r) = slow_twin(&own, &motion, &part.select(Axis(1), controls)) else { continue };
                prop_assert!((got.r[edge] - r).abs() < 1e-5, "{} {}", got.r[edge], r);
            }
        }
    }
}

#[test]
fn a_child_that_does_not_fit_changes_nothing() {
    let mut sums = Accumulator::new(2, 1);
    sums.add_child(&[0.1, 0.2], &[0.3], 1.0).unwrap();
    assert_eq!(sums.add_child(&[0.1], &[0.3], 1.0), Err(QualityError::Edges { found: 1, expected: 2 }));
    assert_eq!(sums.add_child(&[0.1, 0.2], &[], 1.0), Err(QualityError::Covariates { found: 0, expected: 1 }));
    assert_eq!(sums.add_child(&[0.1, 0.2], &[f64::NAN], 1.0), Err(QualityError::NotFinite { number: 0 }));
    assert_eq!(sums.add_child(&[0.1, f32::INFINITY], &[0.3], 1.0), Err(QualityError::Infinite { edge: 1 }));
    assert_eq!(sums.correlation(1, &[]), Err(QualityError::NoCovariate { number: 1, covariates: 1 }));
    assert_eq!((sums.children(), sums.children_of_edges()), (1, vec![1, 1]));
}

#[test]
fn what_does_not_vary_has_no_correlation() {
    let mut sums = Accumulator::new(2, 3);
    for (i, fd) in [0.1, 0.2, 0.4, 0.3, 0.25].into_iter().enumerate() {
        // The second covariate is a multiple of motion, the third constant.
        sums.add_child(&[0.5, i as f32], &[fd, 2.0 * fd, 1.0], 1.0).unwrap();
    }
    let plain = sums.correlation(0, &[]).unwrap();
    assert!(plain.r[0].is_nan() && plain.p[0].is_nan() && plain.r[1].is_finite());
    assert!(sums.correlation(0, &[1]).unwrap().r[1].is_nan());
    assert!(sums.correlation(2, &[]).unwrap().r[1].is_nan());
    // A constant takes nothing out, and no degree of freedom away.
    let beside_constant = sums.correlation(0, &[2]).unwrap();
    assert!((beside_constant.r[1] - plain.r[1]).abs() < 1e-15);
    assert_eq!((beside_constant.dof[1], plain.dof[1], plain.dof[0]), (3, 3, 0));
    assert_eq!(sums.correlation(2, &[0, 1]).unwrap().dof, [0, 0]);
}

#[test]
fn the_summary_counts_edges_with_a_correlation() {
    let correlations = QcFc {
        r: array![0.5, -0.1, f64::NAN, 0.3],
        p: array![0.001, 0.4, f64::NAN, 0.04],
        children: vec![10; 4],
        dof: vec![8; 4],
        norm: array![1.0, 1.0, f64::NAN, 1.0],
    };
    let s = summarise(&correlations);
    // q: 0.003, 0.4, 0.06.
    assert_eq!(s, QcFcSummary { edges: 3, median_abs_r: 0.3, share_p: 2.0 / 3.0, share_q: 1.0 / 3.0 });
    let none =
        QcFc { r: array![f64::NAN], p: array![f64::NAN], children: vec![0], dof: vec![0], norm: array![f64::NAN] };
    let s = summarise(&none);
    assert!(s.edges == 0 && s.median_abs_r.is_nan() && s.share_p.is_nan() && s.share_q.is_nan());
}

#[test]
fn distance_dependence_is_the_correlation_of_ranks() {
    // Ranks 1 2 3 4 against 4 2.5 2.5 1.
    let d = distance_dependence(&[0.1, f64::NAN, 0.2, 0.3, 0.9], &[40.0, 1.0, 20.0, 20.0, 5.0]);
    let expected = (-1.5 * 1.5 - 1.5 * 1.5) / (5.0f64 * 4.5).sqrt();
    assert!((d.rho - expected).abs() < 1e-15 && d.edges == 4 && d.p > 0.0 && d.p < 0.1);
    assert!(distance_dependence(&[0.1, 0.2], &[1.0, 2.0]).rho.is_nan());
}

#[test]
fn network_means_leave_out_what_is_not_there() {
    // Parcels 0, 1 in network 0; 2, 3 in network 1; 4 in none. Edges in order: 01 02 03 04 12 13 14 23 24 34.
    let mean = [1.0, 2.0, 3.0, 99.0, f64::NAN, 4.0, 99.0, 5.0, 99.0, 99.0];
    let networks = [Some(0), Some(0), Some(1), Some(1), None];
    assert_eq!(network_means(&mean, &networks, 2), array![[1.0, 3.0], [3.0, 5.0]]);
    assert!(network_means(&mean, &networks, 3)[[2, 2]].is_nan());
}
