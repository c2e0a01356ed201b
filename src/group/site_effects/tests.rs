//! Sites against a slow twin, and what must hold of any adjustment.

use ndarray::{Array1, Axis};
use ndarray_linalg::Solve;

use super::*;
use crate::group::edge_tests::{fit_weighted, scatter};
use crate::group::exchange::Exchange;
use crate::group::permutation::{Draws, permutation_test};
use crate::group::weights::{Scale, VarianceModel, WeightedEdges, sampling_variance};
use crate::test_numbers::Numbers;

fn named(start: &str, count: usize) -> Vec<String> {
    (0..count).map(|k| format!("{start}{k}")).collect()
}

/// Children who go to the sites in turn, with covariates.
fn sites(children: usize, count: usize, kept: usize, draw: &mut Numbers) -> Sites {
    let of: Vec<usize> = (0..children).map(|child| child % count).collect();
    let covariates = Array2::from_shape_fn((children, kept), |(child, _)| draw.normal() + 0.3 * of[child] as f64);
    Sites::new(named("site", count), of, named("x", kept), covariates).unwrap()
}

fn noise(children: usize, edges: usize, draw: &mut Numbers) -> Array2<f32> {
    Array2::from_shape_fn((children, edges), |_| (0.3 + 0.2 * draw.normal()) as f32)
}

fn summed(sites: &Sites, data: &Array2<f32>, classes: &[WeightedEdges]) -> SiteSums {
    let mut sums = SiteSums::new(sites.clone(), data.ncols(), classes);
    for (part, rows) in data.axis_chunks_iter(Axis(0), 7).enumerate() {
        let rows: Vec<&[f32]> = rows.rows().into_iter().map(|row| row.to_slice().unwrap()).collect();
        sums.take(7 * part, &rows);
    }
    sums
}

fn fitted(sites: &Sites, data: &Array2<f32>) -> SiteEffects {
    summed(sites, data, &WeightedEdges::alike(data.nrows(), data.ncols())).effects()
}

fn adjusted(effects: &SiteEffects, data: &Array2<f32>) -> Array2<f32> {
    let mut out = data.clone();
    out.rows_mut()
        .into_iter()
        .enumerate()
        .for_each(|(child, mut row)| effects.apply(child, row.as_slice_mut().unwrap()));
    out
}

/// Mean and SD of one edge over the children of a site.
fn of_site(data: &Array2<f32>, sites: &Sites, site: usize, edge: usize) -> [f64; 2] {
    let own: Vec<f64> = (0..data.nrows())
        .filter(|&child| sites.of[child] == site)
        .map(|child| f64::from(data[[child, edge]]))
        .collect();
    let mean = own.iter().sum::<f64>() / own.len() as f64;
    [mean, (own.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (own.len() as f64 - 1.0)).sqrt()]
}

/// Least squares of one edge over the children who have it: mean, SD, slopes, then γ̂ and δ̂² of each site.
fn twin(sites: &Sites, y: &[f32], weights: &[f64]) -> (f64, f64, Vec<f64>, Vec<[f64; 2]>) {
    let (design, count) = (sites.design(), sites.names.len());
    let there: Vec<usize> = (0..y.len()).filter(|&child| !y[child].is_nan()).collect();
    let design = design.select(Axis(0), &there);
    let y = Array1::from_iter(there.iter().map(|&child| f64::from(y[child])));
    let w = Array1::from_iter(there.iter().map(|&child| weights[child]));
    let heavy = &design * &w.clone().insert_axis(Axis(1));
    let normal = design.t().dot(&heavy);
    let b = normal.solve(&heavy.t().dot(&y)).unwrap();
    let of = |site: usize| (0..there.len()).filter(|&row| sites.of[there[row]] == site).collect::<Vec<_>>();
    let weight = |site: usize| of(site).iter().map(|&row| w[row]).sum::<f64>();
    let mean = (0..count).map(|site| weight(site) * b[site]).sum::<f64>() / w.sum();
    let residuals = &y - &design.dot(&b);
    let sd = ((&residuals * &residuals * &w).sum() / (y.len() - design.ncols()) as f64).sqrt();
    let slopes = b.slice(ndarray::s![count..]).to_owned();
    let z = (&y - mean - design.slice(ndarray::s![.., count..]).dot(&slopes)) / sd;
    let leverage = |row: usize| w[row] * design.row(row).dot(&normal.solve(&design.row(row).to_owned()).unwrap());
    let each = (0..count).map(|site| {
        let gamma = of(site).iter().map(|&row| w[row] * z[row]).sum::<f64>() / weight(site);
        let squares: f64 = of(site).iter().map(|&row| w[row] * (z[row] - gamma).powi(2)).sum();
        [gamma, squares / of(site).iter().map(|&row| 1.0 - leverage(row)).sum::<f64>()]
    });
    (mean, sd, slopes.to_vec(), each.collect())
}

#[test]
fn least_squares_are_those_of_a_slow_twin() {
    let mut draw = Numbers::new(3);
    for (children, count, kept, weighted) in [(20, 2, 0, false), (31, 2, 1, true), (40, 3, 2, true)] {
        let sites = sites(children, count, kept, &mut draw);
        let mut data = noise(children, 9, &mut draw);
        [(0, 3), (1, 3), (4, 5)].iter().for_each(|&at| data[at] = f32::NAN);
        let weights: Vec<f64> = (0..children).map(|_| if weighted { 1.0 + draw.even() } else { 1.0 }).collect();
        let classes = [WeightedEdges { edges: (0..9).collect(), weights: weights.clone() }];
        let found = summed(&sites, &data, &classes).effects();
        let twins: Vec<_> = (0..9).map(|edge| twin(&sites, &data.column(edge).to_vec(), &weights)).collect();
        for (edge, (mean, sd, slopes, _)) in twins.iter().enumerate() {
            let same = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "edge {edge}: {a} {b}");
            same(found.mean[edge], *mean);
            same(found.sd[edge], *sd);
            found.kept.row(edge).iter().zip(slopes).for_each(|(a, b)| same(*a, *b));
        }
        for site in 0..count {
            for k in 0..2 {
                let values: Vec<f64> = twins.iter().map(|(.., each)| each[site][k]).collect();
                let mean = values.iter().sum::<f64>() / 9.0;
                let variance = values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / 8.0;
                let prior = if k == 0 { found.priors[site].location } else { found.priors[site].scale };
                assert!((prior[0] - mean).abs() < 1e-9 && (prior[1] - variance).abs() < 1e-9, "{prior:?} {mean}");
            }
        }
    }
}

#[test]
fn shrunk_values_lie_between_the_edge_and_all_edges_and_solve_both_equations() {
    let mut draw = Numbers::new(5);
    let sites = sites(30, 2, 1, &mut draw);
    let data = noise(30, 40, &mut draw);
    let found = fitted(&sites, &data);
    for edge in 0..40 {
        let (_, sd, _, each) = twin(&sites, &data.column(edge).to_vec(), &[1.0; 30]);
        for (site, [gamma, delta]) in each.into_iter().enumerate() {
            let prior = found.priors[site];
            let (location, scale) = (found.location[[edge, site]] / sd, found.scale[[edge, site]].powi(2));
            let [to, between] = prior.location;
            assert!((location - gamma) * (location - to) <= 1e-12, "{location} between {gamma} and {to}");
            let weight = 15.0 * between / (15.0 * between + scale);
            assert!((location - (weight * gamma + (1.0 - weight) * to)).abs() < 1e-8);
            let [v, s2] = prior.scale;
            let (shape, theta) = ((v * v + 2.0 * s2) / s2, (v.powi(3) + v * s2) / s2);
            // Σ (Z − γ̂)² from δ̂² and its denominator, which differs little from 14.
            let squares = delta * 13.5 + 15.0 * (gamma - location).powi(2);
            let expected = (theta + squares / 2.0) / (7.5 + shape - 1.0);
            assert!((scale - expected).abs() < 0.05, "{scale} {expected}");
        }
    }
}

#[test]
fn without_an_effect_of_sites_values_hardly_change() {
    let mut draw = Numbers::new(11);
    let sites = sites(120, 2, 1, &mut draw);
    let data = noise(120, 300, &mut draw);
    let after = adjusted(&fitted(&sites, &data), &data);
    let square = |a: &Array2<f32>| a.iter().map(|v| f64::from(*v).powi(2)).sum::<f64>() / a.len() as f64;
    let moved = square(&(&after - &data)).sqrt() / 0.2;
    assert!(moved < 0.06, "{moved}");
    // What sites do not differ in is not made smaller or larger either.
    let spread = |a: &Array2<f32>| (0..300).map(|edge| of_site(a, &sites, 0, edge)[1]).sum::<f64>() / 300.0;
    assert!((spread(&after) / spread(&data) - 1.0).abs() < 0.02, "{} {}", spread(&after), spread(&data));
}

#[test]
fn planted_locations_and_scales_go_and_what_is_kept_stays() {
    let mut draw = Numbers::new(13);
    let sites = sites(150, 3, 1, &mut draw);
    let mut data = noise(150, 60, &mut draw);
    for child in 0..150 {
        let (site, x) = (sites.of[child], sites.covariates[[child, 0]]);
        for edge in 0..60 {
            let own = f64::from(data[[child, edge]]) - 0.3;
            let shift = [0.0, 0.15, -0.1][site] + 0.02 * (edge % 5) as f64 * site as f64;
            data[[child, edge]] = (0.3 + 0.1 * x + shift + [1.0, 1.8, 0.6][site] * own) as f32;
        }
    }
    let found = fitted(&sites, &data);
    let after = adjusted(&found, &data);
    let slope = |a: &Array2<f32>, edge: usize| {
        let column: Vec<f32> = a.column(edge).to_vec();
        twin(&sites, &column, &[1.0; 150]).2[0]
    };
    let mean = |of: &dyn Fn(usize) -> f64| (0..60).map(of).sum::<f64>() / 60.0;
    assert!((mean(&|edge| slope(&after, edge)) - 0.1).abs() < 0.005);
    for site in 0..3 {
        let effect = |a: &Array2<f32>| {
            let of = |edge: usize| twin(&sites, &a.column(edge).to_vec(), &[1.0; 150]).3[site];
            [mean(&|edge| of(edge)[0].abs()), mean(&|edge| of(edge)[1].sqrt())]
        };
        let ([_, before], [location, scale]) = (effect(&data), effect(&after));
        assert!(location < 0.08 && (scale - 1.0).abs() < 0.03, "{site}: {location} {scale}");
        // Otherwise there would have been nothing to take away.
        assert!((before - 1.0).abs() > 0.1, "{before}");
    }
}

#[test]
fn a_site_that_kept_less_data_is_not_taken_for_a_noisy_one() {
    let mut draw = Numbers::new(17);
    let sites = sites(100, 2, 0, &mut draw);
    let sampling: Vec<f64> = (0..100)
        .map(|child| sampling_variance(if sites.of[child] == 0 { 82.0 } else { 12.0 } + 4.0 * draw.even()))
        .collect();
    let data =
        Array2::from_shape_fn((100, 300), |(child, _)| ((0.005 + sampling[child]).sqrt() * draw.normal()) as f32);
    let weights: Vec<f64> = sampling.iter().map(|s| 1.0 / (0.005 + s)).collect();
    let classes = [WeightedEdges { edges: (0..300).collect(), weights }];
    let weighted = summed(&sites, &data, &classes).effects();
    let mean = |effects: &SiteEffects, site: usize| effects.scale.column(site).mean().unwrap();
    assert!((mean(&weighted, 0) - 1.0).abs() < 0.03 && (mean(&weighted, 1) - 1.0).abs() < 0.03);
    assert!(mean(&fitted(&sites, &data), 1) > 1.2);
}

#[test]
fn an_edge_that_too_few_children_of_a_site_have_is_not_available() {
    let mut draw = Numbers::new(19);
    let sites = sites(20, 2, 0, &mut draw);
    let mut data = noise(20, 6, &mut draw);
    // Six of the ten children of the first site; then five; then an edge that does not vary.
    (0..6).for_each(|k| data[[2 * k, 1]] = f32::NAN);
    (0..5).for_each(|k| data[[2 * k, 2]] = f32::NAN);
    data.column_mut(4).fill(0.5);
    let found = fitted(&sites, &data);
    assert_eq!(
        found.mean.iter().map(|mean| mean.is_finite()).collect::<Vec<_>>(),
        [true, false, true, true, false, true]
    );
    assert_eq!((found.fitted(), found.children[[1, 0]], found.children[[2, 0]]), (4, 4, 5));
    let after = adjusted(&found, &data);
    assert!(after.column(1).iter().all(|v| v.is_nan()) && after.column(2).iter().filter(|v| v.is_nan()).count() == 5);
}

#[test]
fn sites_that_cannot_be_told_apart_are_refused() {
    let new = |of: Vec<usize>, kept: &[&[f64]]| {
        let count = of.iter().max().unwrap() + 1;
        let covariates = Array2::from_shape_fn((of.len(), kept.len()), |(child, k)| kept[k][child]);
        Sites::new(named("site", count), of, named("x", kept.len()), covariates)
    };
    let two: Vec<usize> = (0..20).map(|child| child / 10).collect();
    let own: Vec<f64> = (0..20).map(|child| f64::from(child % 7)).collect();
    let of_site: Vec<f64> = two.iter().map(|&site| 3.0 - site as f64).collect();
    let both: Vec<f64> = own.iter().zip(&of_site).map(|(a, b)| 2.0 * a + b).collect();
    assert!(new(two.clone(), &[&own]).is_ok());
    let determined = |kept: &[&[f64]], place: usize, before: &[&str]| {
        let (column, before) = (format!("x{place}"), before.iter().map(|&name| name.to_owned()).collect());
        assert_eq!(new(two.clone(), kept).unwrap_err(), SiteError::Determined { column, before });
    };
    determined(&[&of_site], 0, &[]);
    determined(&[&own, &of_site], 1, &[]);
    determined(&[&own, &both], 1, &["x0"]);
    determined(&[&[4.0; 20]], 0, &[]);
    assert!(matches!(new(vec![0; 20], &[]), Err(SiteError::OneSite { children: 20, .. })));
    let few: Vec<usize> = (0..20).map(|child| usize::from(child > 15)).collect();
    let few = new(few, &[]).unwrap_err();
    assert_eq!(few, SiteError::FewChildren { few: vec![("site1".to_owned(), 4)], sites: 2 });
    assert!(few.to_string().starts_with("1 of 2 sites has fewer than 5 children (site1: 4), too few"), "{few}");
    let all = new((0..20).collect(), &[]).unwrap_err().to_string();
    assert!(all.starts_with("20 of 20 sites have fewer than 5 children (site0: 1, site1: 1, site2: 1, …),"), "{all}");
    assert!(all.ends_with("; is this a column of sites?"), "{all}");
    let third: Vec<f64> = own.iter().map(|v| v * v).collect();
    let sum: Vec<f64> = own.iter().zip(&third).map(|(a, b)| a - b).collect();
    let said = new(two.clone(), &[&own, &third, &sum]).unwrap_err().to_string();
    assert!(said.contains("x2 does not vary within any site once x0 and x1 are taken out, so"), "{said}");
    let columns: Vec<Vec<f64>> =
        (0..9).map(|k| (0..20).map(|child| f64::from((child * (k + 3)) % 11)).collect()).collect();
    let columns: Vec<&[f64]> = columns.iter().map(Vec::as_slice).collect();
    assert!(matches!(new(two, &columns), Err(SiteError::ManyColumns { children: 20, sites: 2, kept: 9 })));
}

/// Cohorts of two sites of unlike noise, with more of x's spread at the noisy one, and no effect of x: how often some
/// edge has a family-wise p of at most 0.05, before and after adjustment. x is not kept, so nothing depends on it.
#[test]
fn unlike_noise_no_longer_finds_what_is_not_there() {
    const COHORTS: usize = 60;
    let mut draw = Numbers::new(23);
    let mut found = [0, 0];
    for cohort in 0..COHORTS {
        let sites = sites(40, 2, 0, &mut draw);
        let design =
            Array2::from_shape_fn(
                (40, 2),
                |(child, k)| {
                    if k == 0 { 1.0 } else { draw.normal() * [0.3, 1.5][sites.of[child]] }
                },
            );
        let data = Array2::from_shape_fn((40, 45), |(child, _)| (draw.normal() * [0.1, 0.25][sites.of[child]]) as f32);
        let after = adjusted(&fitted(&sites, &data), &data);
        for (at, data) in [&data, &after].into_iter().enumerate() {
            let names = ["(Intercept)".to_owned(), "x".to_owned()];
            let classes = WeightedEdges::alike(40, 45);
            let draws = Draws { count: 99, seed: cohort as u64 };
            let test =
                permutation_test(design.view(), &names, 1, data.view(), &classes, &Exchange::free(data.nrows()), draws)
                    .unwrap();
            found[at] += usize::from(test.family_wise_p.iter().any(|p| *p <= 0.05));
        }
    }
    // 5 % of 60 are 3; 8 or more come up once in a hundred.
    assert!(found[0] >= 15 && found[1] <= 7, "{found:?}");
}

#[test]
fn sums_of_squares_are_those_that_weights_are_worked_out_from() {
    let mut draw = Numbers::new(29);
    let sites = sites(50, 2, 1, &mut draw);
    let data = noise(50, 30, &mut draw);
    let sampling: Vec<f64> = (0..50).map(|_| sampling_variance(40.0 + 60.0 * draw.even())).collect();
    let names = named("column", 3);
    let direct = scatter(sites.design().view(), &names, data.view(), &sampling).unwrap();
    let (equal, children) = summed(&sites, &data, &WeightedEdges::alike(50, 30)).squares();
    assert_eq!(children, direct.children);
    assert!(equal.iter().zip(&direct.equal).all(|(a, b)| (a / b - 1.0).abs() < 1e-6));
    let model = VarianceModel::estimate(&direct, sites.design().view(), &sampling, Scale::FisherZ).unwrap();
    let classes = model.weighted(&sampling);
    let fits = fit_weighted(sites.design().view(), &names, data.view(), &classes).unwrap();
    let effects = summed(&sites, &data, &classes).effects();
    assert!((0..30).all(|edge| (effects.kept[[edge, 0]] - fits.coefficients[[2, edge]]).abs() < 1e-9));
}

#[test]
fn too_few_children_is_of_children_whatever_their_rows() {
    // Two sites of six children, with two rows each that do not follow each other.
    let participants: Vec<usize> = (0..24).map(|row| row % 12).collect();
    let of: Vec<usize> = participants.iter().map(|child| child % 2).collect();
    let sites = Sites::of_rows(named("site", 2), of, &participants, Vec::new(), Array2::zeros((24, 0))).unwrap();
    assert_eq!((sites.children.as_slice(), sites.counts().as_slice()), (&[6, 6][..], &[12, 12][..]));
    let mut data = noise(24, 3, &mut Numbers::new(9));
    // Both rows of two children of the first site lack edge 1; one row of each of three lacks edge 2.
    for row in [0, 12, 2, 14] {
        data[[row, 1]] = f32::NAN;
    }
    for row in [0, 14, 4] {
        data[[row, 2]] = f32::NAN;
    }
    let effects = fitted(&sites, &data);
    assert_eq!(effects.children, ndarray::array![[6, 6], [4, 6], [6, 6]]);
    assert_eq!(
        effects.mean.iter().map(|m| m.is_finite()).collect::<Vec<_>>(),
        [true, false, true],
        "four children are too few, though eight rows"
    );
}
