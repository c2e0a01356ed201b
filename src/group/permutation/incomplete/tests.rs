use ndarray::{Array1, Array2};

use super::super::tests::{design, names, slow_twin};
use super::super::{Draws, edge_sets, permutation_test, permutation_test_joint, permutations};
use super::*;
use crate::group::edge_sets::{Largest, Pairs};
use crate::group::exchange::Blocks;
use crate::group::tails::{f_upper, t_two_sided};
use crate::test_numbers::normal_table as noise;

/// Among the rows that are there: the place of a row gets the next row of its cycle that is there.
fn induced(order: &[u32], there: &[usize]) -> Vec<u32> {
    let place = |row: usize| there.iter().position(|&other| other == row);
    let next = |mut row: usize| loop {
        row = order[row] as usize;
        if let Some(place) = place(row) {
            return place as u32;
        }
    };
    there.iter().map(|&row| next(row)).collect()
}

fn as_of_all(t: f64, own: f64, all: f64) -> f64 {
    Scale { tested: 1.0, own, all }.as_of_all(t)
}

#[test]
fn an_edge_is_permuted_as_if_those_who_lack_it_were_not_there() {
    let (children, edges) = (20, 9);
    let (x, mut y) = (design(children, 4, 51), noise(children, edges, 52));
    y.column_mut(3).scaled_add(1.5, &x.column(2));
    // Edges 0 to 2 are complete; 3 and 4 lack the same, 5 to 7 others; 8 has too few.
    [(3, 7), (4, 7), (3, 8), (4, 8), (5, 0), (6, 19), (7, 2), (7, 7), (7, 11), (7, 12)]
        .into_iter()
        .for_each(|(edge, child)| y[[child, edge]] = f64::NAN);
    (0..11).for_each(|child| y[[child, 8]] = f64::NAN);
    let weights: Vec<f64> = (0..children).map(|child| 1.0 + (child % 5) as f64).collect();
    let classes = [
        WeightedEdges { edges: vec![0, 3, 5, 8], weights: vec![1.0; children] },
        WeightedEdges { edges: vec![1, 2, 4, 6, 7], weights },
    ];
    let draws = Draws { count: 150, seed: 3 };
    let free = Exchange::free(children);
    let got = permutation_test(x.view(), &names(4), 2, y.view(), &classes, &free, draws).unwrap();
    assert_eq!(got.family, 8);
    assert!(got.t[8].is_nan() && got.family_wise_p[8].is_nan());
    let drawn = permutations(children, draws.count, draws.seed);
    let (mut maxima, mut own) = (vec![0.0_f64; draws.count], vec![0.0; 8]);
    for (edge, class) in (0..8).map(|edge| (edge, classes.iter().find(|c| c.edges.contains(&edge)).unwrap())) {
        let there: Vec<usize> = (0..children).filter(|&child| !y[[child, edge]].is_nan()).collect();
        let roots = Array2::from_shape_fn((there.len(), 1), |(i, _)| class.weights[there[i]].sqrt());
        let x = &x.select(Axis(0), &there) * &roots;
        let y = &y.select(Axis(0), &there).select(Axis(1), &[edge]) * &roots;
        let orders: Vec<u32> = drawn.rows().into_iter().flat_map(|row| induced(&row.to_vec(), &there)).collect();
        let orders = Array2::from_shape_vec((draws.count, there.len()), orders).unwrap();
        let (t, permuted) = slow_twin(&x, 2, &y, &orders);
        assert!((got.t[edge] - t[0]).abs() < 1e-8 * (1.0 + t[0].abs()), "{edge}");
        let scaled = |t: f64| as_of_all(t, there.len() as f64 - 4.0, 16.0).abs();
        own[edge] = scaled(t[0]);
        maxima.iter_mut().zip(&permuted).for_each(|(largest, t)| *largest = largest.max(scaled(t[0])));
    }
    got.maxima.iter().zip(&maxima).for_each(|(got, slow)| assert!((got - slow).abs() < 1e-7 * slow, "{got} {slow}"));
    for (edge, own) in own.iter().enumerate() {
        let reached = maxima.iter().filter(|&&largest| largest >= own * (1.0 - 1e-9)).count();
        assert_eq!(got.family_wise_p[edge], (1 + reached) as f64 / 151.0, "{edge}");
    }
    // An effect of an edge that two children lack.
    assert!(got.family_wise_p[3] < 0.05, "{}", got.family_wise_p[3]);
}

#[test]
fn f_of_an_edge_in_part_is_that_of_those_who_have_it() {
    let (x, mut y) = (design(24, 5, 61), noise(24, 4, 62));
    [3, 9, 10].into_iter().for_each(|child| y[[child, 1]] = f64::NAN);
    let (classes, free) = (WeightedEdges::alike(24, 4), Exchange::free(24));
    let draws = Draws { count: 40, seed: 2 };
    let test = |x: &Array2<f64>, y: &Array2<f64>, free: &Exchange, classes: &[WeightedEdges]| {
        permutation_test_joint(x.view(), &names(5), &[1, 3], y.view(), classes, free, draws).unwrap()
    };
    let got = test(&x, &y, &free, &classes);
    let there: Vec<usize> = (0..24).filter(|child| ![3, 9, 10].contains(child)).collect();
    let alone = y.select(Axis(0), &there).select(Axis(1), &[1]);
    let alone = test(&x.select(Axis(0), &there), &alone, &Exchange::free(21), &WeightedEdges::alike(21, 1));
    assert!((got.t[1] - alone.t[0]).abs() < 1e-9 * alone.t[0]);
    assert_eq!(got.family, 4);
}

/// As rare by chance with as many degrees of freedom as all leave: to some percent of p, far out as well.
#[test]
fn the_scale_keeps_p() {
    let close = |a: f64, b: f64, of: f64| assert!((a / b).ln().abs() < of, "{a} {b}");
    for (own, all) in [(8.0, 16.0), (20.0, 40.0), (90.0, 100.0), (150.0, 300.0)] {
        for p_of in [1.0, 2.0, 4.0, 5.0] {
            let of = if own < 10.0 { 0.25 } else { 0.06 };
            close(t_two_sided(as_of_all(p_of, own, all), all), t_two_sided(p_of, own), of);
            let several = Scale { tested: 3.0, own, all };
            close(f_upper(several.as_of_all(p_of), 3.0, all), f_upper(p_of, 3.0, own), of);
        }
        assert!((as_of_all(3.5, all, all) - 3.5).abs() < 1e-14 && as_of_all(0.0, own, all) == 0.0);
    }
}

#[test]
fn who_does_not_determine_the_coefficient_is_outside_the_family() {
    let children = 16;
    let group = |child: usize| f64::from(u8::from(child < 5));
    let x = Array2::from_shape_fn((children, 2), |(child, j)| if j == 0 { 1.0 } else { group(child) });
    let mut y = noise(children, 3, 71);
    // All of the group lack edge 1.
    (0..5).for_each(|child| y[[child, 1]] = f64::NAN);
    y[[9, 2]] = f64::NAN;
    let (classes, free) = (WeightedEdges::alike(children, 3), Exchange::free(children));
    let test = |x: &Array2<f64>, tested: usize| {
        let names = names(x.ncols());
        let draws = Draws { count: 30, seed: 1 };
        permutation_test(x.view(), &names, tested, y.view(), &classes, &free, draws).unwrap()
    };
    let got = test(&x, 1);
    assert_eq!((got.family, got.family_wise_p[1].is_nan(), got.family_wise_p[2].is_nan()), (2, true, false));
    // Without an intercept a column may sum to 0 over all children, but not over some.
    let alone = Array2::from_shape_fn((children, 1), |(child, _)| child as f64 - 7.5);
    let got = test(&alone, 0);
    assert_eq!((got.family, got.family_wise_p[0].is_nan(), got.family_wise_p[2].is_nan()), (1, false, true));
}

#[test]
fn a_family_that_lacks_a_child_stays_where_it_is() {
    let participants: Vec<usize> = (0..10).collect();
    let blocks = Blocks::new(&participants, Some(&[0, 0, 1, 1, 2, 2, 3, 3, 4, 4]));
    let x = Array2::from_shape_fn((10, 2), |(row, j)| if j == 0 { 1.0 } else { [1.0, 5.0, 2.0, 4.0, 8.0][row / 2] });
    let exchange = blocks.exchange(x.column(1)).unwrap();
    let mut y = noise(10, 3, 81);
    y[[3, 1]] = f64::NAN;
    [1, 3, 5, 7].into_iter().for_each(|row| y[[row, 2]] = f64::NAN);
    let draws = Draws { count: 60, seed: 1 };
    let classes = WeightedEdges::alike(10, 3);
    let got = permutation_test(x.view(), &names(2), 1, y.view(), &classes, &exchange, draws).unwrap();
    // Edge 2: only one of five families is whole.
    assert_eq!((got.family, got.not_exchanged), (2, 1));
    assert!(got.family_wise_p[2].is_nan());
    let drawn = exchange.draw(0..60, 1);
    let orders = exchange.among(&[3]).unwrap().orders(drawn.view());
    assert!(orders.rows().into_iter().all(|order| order[2] == 2 && order[0] + 1 == order[1]));
    let (there, drawn): (Vec<usize>, _) = ((0..10).filter(|&row| row != 3).collect(), orders);
    let own = y.select(Axis(0), &there);
    let (t, permuted) = slow_twin(&x.select(Axis(0), &there), 1, &own.select(Axis(1), &[1]), &drawn);
    assert!((got.t[1] - t[0]).abs() < 1e-9 * (1.0 + t[0].abs()));
    let largest = permuted.iter().map(|t| as_of_all(t[0], 7.0, 8.0));
    assert!(got.maxima.iter().zip(largest).all(|(got, own)| *got >= own * (1.0 - 1e-9)));
}

#[test]
fn sets_have_edges_that_some_children_lack() {
    let pairs = Pairs::of_parcels(4);
    let (x, mut y) = (design(20, 2, 91), noise(20, 6, 92));
    // All edges of the first parcel, which two children lack.
    (0..3).for_each(|edge| y.column_mut(edge).scaled_add(1.2, &x.column(1)));
    [4, 13].into_iter().for_each(|child| (0..3).for_each(|edge| y[[child, edge]] = f64::NAN));
    let (draws, threshold) = (Draws { count: 70, seed: 4 }, 1.0);
    let (classes, free) = (WeightedEdges::alike(20, 6), Exchange::free(20));
    let got = edge_sets(x.view(), &names(2), 1, y.view(), &classes, (&free, draws), (&pairs, threshold)).unwrap();
    assert_eq!(got.family, 6);
    let drawn = permutations(20, draws.count, draws.seed);
    let there: Vec<usize> = (0..20).filter(|child| ![4, 13].contains(child)).collect();
    let orders: Vec<u32> = drawn.rows().into_iter().flat_map(|row| induced(&row.to_vec(), &there)).collect();
    let orders = Array2::from_shape_vec((draws.count, there.len()), orders).unwrap();
    let (whole, permuted) = slow_twin(&x, 1, &y.select(Axis(1), &[3, 4, 5]), &drawn);
    let part = y.select(Axis(0), &there).select(Axis(1), &[0, 1, 2]);
    let (in_part, permuted_in_part) = slow_twin(&x.select(Axis(0), &there), 1, &part, &orders);
    let sets = |whole: &Array1<f64>, part: &Array1<f64>| {
        let all = part.iter().map(|&t| as_of_all(t, 16.0, 18.0)).chain(whole.iter().copied());
        pairs.sets(&all.enumerate().filter(|(_, t)| t.abs() > threshold).collect::<Vec<_>>(), threshold)
    };
    let largest: Vec<Largest> =
        permuted.iter().zip(&permuted_in_part).map(|(all, part)| Largest::of(&sets(all, part))).collect();
    for (a, b) in got.largest.iter().zip(&largest) {
        assert!((a.excess - b.excess).abs() < 1e-6 && a.edges == b.edges, "{a:?} {b:?}");
    }
    let own = sets(&whole, &in_part);
    assert_eq!(got.sets.len(), own.len());
    assert!((0..3).all(|edge| got.sets[0].set.edges.contains(&edge)) && got.sets[0].p_excess < 0.05);
}
