use ndarray::array;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use ndarray::s;

use super::*;

fn names(count: usize) -> Vec<String> {
    (0..count).map(|j| format!("b{j}")).collect()
}

/// Normal equations by Gauss–Jordan elimination: the textbook, no scaling, no pivoting beyond rows.
fn textbook(x: &Array2<f64>, y: &[f64]) -> Option<(Vec<f64>, Vec<f64>)> {
    let p = x.ncols();
    let mut a = Array2::zeros((p, 2 * p + 1));
    for i in 0..p {
        for j in 0..p {
            a[[i, j]] = x.column(i).dot(&x.column(j));
        }
        a[[i, p + i]] = 1.0;
        a[[i, 2 * p]] = (0..y.len()).map(|k| x[[k, i]] * y[k]).sum();
    }
    for i in 0..p {
        let pivot = (i..p).max_by(|&a_, &b_| a[[a_, i]].abs().total_cmp(&a[[b_, i]].abs()))?;
        for k in 0..=2 * p {
            a.swap([i, k], [pivot, k]);
        }
        let d = a[[i, i]];
        if d.abs() < 1e-6 {
            return None;
        }
        a.row_mut(i).mapv_inplace(|v| v / d);
        for k in (0..p).filter(|&k| k != i) {
            let f = a[[k, i]];
            let row = a.row(i).to_owned();
            a.row_mut(k).scaled_add(-f, &row);
        }
    }
    let b: Vec<f64> = (0..p).map(|i| a[[i, 2 * p]]).collect();
    let left: f64 = (0..y.len()).map(|k| (y[k] - (0..p).map(|j| x[[k, j]] * b[j]).sum::<f64>()).powi(2)).sum();
    let s2 = left / (y.len() - p) as f64;
    Some((b, (0..p).map(|i| (s2 * a[[i, p + i]]).sqrt()).collect()))
}

proptest! {
    // The same cases every time: one small design in many thousands is so nearly dependent that the twin loses its
    // digits.
    #![proptest_config(ProptestConfig { cases: 400, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]
    #[test]
    fn every_edge_is_what_the_textbook_gives_on_the_children_that_have_it(
        children in 4usize..14, coefficients in 1usize..4, edges in 1usize..6,
        values in proptest::collection::vec(-3.0f64..3.0, 14 * 10),
        missing in proptest::collection::vec(0u8..6, 14 * 10)
    ) {
        let x = Array2::from_shape_fn((children, coefficients), |(i, j)| if j == 0 { 1.0 } else { values[i * 10 + j] });
        let y = Array2::from_shape_fn((children, edges), |(i, j)| {
            if missing[i * 10 + j] == 0 { f64::NAN } else { values[i * 10 + 4 + j] }
        });
        let whole = textbook(&x, &vec![0.0; children]);
        prop_assume!(children > coefficients && whole.is_some());
        let fits = Model::new(x.view(), &names(coefficients)).unwrap().fit(y.view()).unwrap();
        for edge in 0..edges {
            let present: Vec<usize> = (0..children).filter(|&i| !y[[i, edge]].is_nan()).collect();
            prop_assert_eq!(fits.children[edge], present.len());
            if present.len() <= coefficients {
                prop_assert!(fits.coefficients.column(edge).iter().all(|v| v.is_nan()) && fits.p[[0, edge]].is_nan());
                prop_assert_eq!(fits.dof[edge], 0);
                continue;
            }
            let own: Vec<f64> = present.iter().map(|&i| y[[i, edge]]).collect();
            let Some((b, se)) = textbook(&x.select(Axis(0), &present), &own) else { continue };
            prop_assert_eq!(fits.dof[edge], present.len() - coefficients);
            for j in 0..coefficients {
                // The textbook's normal equations lose digits where columns are alike.
                let scale = b.iter().chain(&se).fold(1.0f64, |m, v| m.max(v.abs()));
                prop_assert!((fits.coefficients[[j, edge]] - b[j]).abs() < 1e-5 * scale);
                prop_assert!((fits.standard_errors[[j, edge]] - se[j]).abs() < 1e-5 * scale);
                let product = fits.t[[j, edge]] * fits.standard_errors[[j, edge]];
                prop_assert!((product - fits.coefficients[[j, edge]]).abs() < 1e-9 * scale);
            }
        }
    }
}

#[test]
fn edges_of_many_blocks_stand_at_their_places() {
    let x = Array2::from_shape_fn((9, 2), |(i, j)| if j == 0 { 1.0 } else { (i * i) as f64 });
    let y = Array2::from_shape_fn((9, 700), |(i, j)| ((i * 7919 + j * 104_729) % 1009) as f32);
    let model = Model::new(x.view(), &names(2)).unwrap();
    let together = model.fit(y.view()).unwrap();
    for edge in [0, 255, 256, 511, 699] {
        let alone = model.fit(y.slice(s![.., edge..=edge])).unwrap();
        assert!((alone.t[[1, 0]] - together.t[[1, edge]]).abs() < 1e-12 * alone.t[[1, 0]].abs());
    }
    assert_eq!(model.fit(y.slice(s![.., ..0])).unwrap().t.dim(), (2, 0));
}

#[test]
fn dependent_columns_are_named() {
    let x = array![
        [1.0, 1.0, 5.0, 0.0],
        [1.0, 1.0, 6.0, 0.0],
        [1.0, 0.0, 7.0, 1.0],
        [1.0, 0.0, 9.0, 1.0],
        [1.0, 1.0, 8.5, 0.0]
    ];
    let names = ["(Intercept)", "siteA", "age", "siteB"].map(String::from);
    assert_eq!(
        Model::new(x.view(), &names).unwrap_err().to_string(),
        "the model's column siteB follows from its columns (Intercept), siteA but for the rounding of the tables, so \
         their coefficients cannot be told apart; leave out one of the terms that they come from"
    );
    let few = Model::new(x.slice(s![..4, ..]), &names).unwrap_err();
    assert_eq!(few, EdgeTestError::TooFewChildren { children: 4, coefficients: 4 });
    assert_eq!(Model::new(Array2::zeros((5, 0)).view(), &[]).unwrap_err(), EdgeTestError::Empty);
    let zero = Model::new(array![[1.0, 0.0], [1.0, 0.0], [1.0, 0.0]].view(), &names[..2]).unwrap_err();
    assert_eq!(zero, EdgeTestError::Same { column: "siteA".into(), value: 0.0 });
}

#[test]
fn what_cannot_be_tested_is_not_available() {
    let x = Array2::from_shape_fn((6, 2), |(i, j)| if j == 0 { 1.0 } else { i as f64 });
    let model = Model::new(x.view(), &names(2)).unwrap();
    // A constant edge, one on the line, and one whose children all have the same x.
    let mut y = Array2::from_elem((6, 3), 0.3);
    (0..6).for_each(|i| y[[i, 1]] = 2.0 + 0.1 * i as f64);
    let fits = model.fit(y.view()).unwrap();
    assert!((fits.coefficients[[0, 0]] - 0.3).abs() < 1e-15 && fits.p.iter().all(|p| p.is_nan()));
    let mut infinite = y.clone();
    infinite[[4, 2]] = f64::INFINITY;
    assert_eq!(model.fit(infinite.view()).unwrap_err(), EdgeTestError::Infinite { child: 4, edge: 2 });
    assert_eq!(model.fit(y.slice(s![..5, ..])).unwrap_err(), EdgeTestError::Children { design: 6, data: 5 });
}

#[test]
fn columns_that_differ_by_the_rounding_of_tables_alone_depend_on_one_another() {
    let names = ["(Intercept)", "fd", "frames", "minutes", "lost"].map(String::from);
    let frames = [420.0, 433.0, 391.0, 457.0, 402.0, 440.0, 415.0, 428.0_f64];
    let single = |v: f64| f64::from(v as f32);
    let x = Array2::from_shape_fn((8, 5), |(i, j)| match j {
        0 => 1.0,
        1 => single(0.1 + 0.013 * (i * i % 5) as f64),
        2 => frames[i],
        3 => single(frames[i] * 2.3 / 60.0),
        // A small difference of large numbers has lost more of itself.
        _ => single(17.6 - frames[i] * 2.3 / 60.0),
    });
    let dependent = |columns: &[usize]| {
        let names: Vec<String> = columns.iter().map(|&c| names[c].clone()).collect();
        Model::new(x.select(Axis(1), columns).view(), &names).map(|_| ()).unwrap_err()
    };
    let expected =
        |column: &str, others: &str| EdgeTestError::Dependent { column: column.into(), others: others.into() };
    assert_eq!(dependent(&[0, 1, 2, 3]), expected("minutes", "frames"));
    assert_eq!(dependent(&[0, 1, 3, 2]), expected("frames", "minutes"));
    assert_eq!(dependent(&[0, 1, 3, 4]), expected("lost", "(Intercept), minutes"));
    // A thousandth of a minute more or less makes them differ.
    let mut apart = x.select(Axis(1), &[0, 1, 2, 3]);
    (0..8).for_each(|i| apart[[i, 3]] += [0.001, -0.001, 0.0, 0.001][i % 4]);
    assert!(Model::new(apart.view(), &names[..4]).is_ok());
    // Numbers far from 0, as dates are, are not constant.
    let dates = Array2::from_shape_fn((8, 2), |(i, j)| if j == 0 { 1.0 } else { 20_260_101.0 + frames[i] });
    assert!(Model::new(dates.view(), &names[..2]).is_ok());
}

#[test]
fn a_column_that_does_not_vary_is_named_with_its_value() {
    let names = ["(Intercept)", "minutes", "age"].map(String::from);
    let x = array![[1.0, 10.2, 3.0], [1.0, 10.200001, 5.0], [1.0, 10.2, 4.0]];
    assert_eq!(
        Model::new(x.view(), &names).unwrap_err().to_string(),
        "the model's column minutes is 10.2 for every child in the test; leave its term out of the formula"
    );
    // Without an intercept, a factor's levels add up to one.
    let names = ["sexF", "sexM", "minutes"].map(String::from);
    let x = array![[1.0, 0.0, 7.0], [1.0, 0.0, 7.0], [0.0, 1.0, 7.0], [0.0, 1.0, 7.0]];
    assert_eq!(Model::new(x.view(), &names).unwrap_err(), EdgeTestError::Same { column: "minutes".into(), value: 7.0 });
    // It may stand for the intercept.
    assert!(Model::new(x.slice(s![.., 2..]), &names[2..]).is_ok());
}

#[test]
fn coefficients_that_the_children_of_an_edge_do_not_determine_take_away_only_themselves() {
    // Intercept, age, site B, site C, sex.
    let x = Array2::from_shape_fn((12, 5), |(i, j)| match j {
        0 => 1.0,
        1 => ((i * i) % 7) as f64,
        2 | 3 => f64::from(u8::from(i / 4 == j - 1)),
        _ => f64::from(u8::from(i % 2 == 1)),
    });
    let y = Array2::from_shape_fn((12, 5), |(i, j)| ((i * 7919 + j * 104_729) % 1009) as f64 / 100.0);
    let with = |rows: &dyn Fn(usize) -> bool| {
        let mut y = y.clone();
        y.rows_mut().into_iter().enumerate().filter(|(i, _)| rows(*i)).for_each(|(_, mut row)| row[0] = f64::NAN);
        Model::new(x.view(), &names(5)).unwrap().fit(y.view()).unwrap()
    };
    let alone = |rows: &dyn Fn(usize) -> bool, columns: &[usize]| {
        let kept: Vec<usize> = (0..12).filter(|i| !rows(*i)).collect();
        let model =
            Model::new(x.select(Axis(0), &kept).select(Axis(1), columns).view(), &names(columns.len())).unwrap();
        model.fit(y.select(Axis(0), &kept).view()).unwrap()
    };
    // Who lacks the edge, columns of an equal model without those that are not determined, and places of its
    // coefficients.
    type Case = (fn(usize) -> bool, &'static [usize], &'static [(usize, usize)]);
    let cases: [Case; 3] = [
        // Site C lacks it: its coefficient is not there, the others are as without the site.
        (|i| i / 4 == 2, &[0, 1, 2, 4], &[(0, 0), (1, 1), (2, 2), (4, 3)]),
        // The reference lacks it: neither the intercept nor the sites, but age and sex.
        (|i| i / 4 == 0, &[1, 2, 3, 4], &[(1, 0), (4, 3)]),
        // Only girls have it.
        (|i| i % 2 == 1, &[0, 1, 2, 3], &[(0, 0), (1, 1), (2, 2), (3, 3)]),
    ];
    for (lacks, columns, same) in cases {
        let (got, expected) = (with(&lacks), alone(&lacks, columns));
        assert_eq!((got.dof[0], got.children[0]), (expected.dof[0], expected.children[0]));
        for j in 0..5 {
            let Some((_, other)) = same.iter().find(|(own, _)| *own == j) else {
                let values = [&got.coefficients, &got.standard_errors, &got.t, &got.p].map(|of| of[[j, 0]]);
                assert!(values.iter().all(|v| v.is_nan()), "{j}");
                continue;
            };
            for (a, b) in [
                (&got.coefficients, &expected.coefficients),
                (&got.standard_errors, &expected.standard_errors),
                (&got.p, &expected.p),
            ] {
                assert!((a[[j, 0]] - b[[*other, 0]]).abs() < 1e-10, "{j}: {} {}", a[[j, 0]], b[[*other, 0]]);
            }
        }
        // Edges that all have are untouched.
        assert_eq!(got.dof[1..], [7; 4]);
        assert!(got.p.column(1).iter().all(|p| p.is_finite()));
    }
    // No degree of freedom left: nothing.
    let none = with(&|i| i > 2);
    assert!((none.dof[0], none.children[0]) == (0, 3) && none.coefficients.column(0).iter().all(|v| v.is_nan()));
}
