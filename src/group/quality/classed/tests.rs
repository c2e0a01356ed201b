//! Blocks of related rows: what their shuffles say of degrees of freedom, and how often chance is called a finding.

use ndarray::Array2;

use super::*;
use crate::group::exchange::{Blocks, Exchange};
use crate::group::quality::p_of_farthest;
use crate::test_numbers::Numbers;

/// Motion and edges, no more related than by chance; rows of a block share this part of their variance.
fn sums(noise: &mut Numbers, of_rows: &[usize], edges: usize, shared: f64, in_blocks: bool) -> MotionSums {
    let blocks = Blocks::new::<_, usize>(of_rows, None);
    let mut draw = || {
        let common: Vec<f64> = (0..blocks.count()).map(|_| noise.normal()).collect();
        let value = |&block: &usize| shared.sqrt() * common[block] + (1.0 - shared).sqrt() * noise.normal();
        of_rows.iter().map(value).collect::<Vec<f64>>()
    };
    let motion = draw();
    let z: Vec<Vec<f64>> = (0..edges).map(|_| draw()).collect();
    let rows = of_rows.len();
    let exchange = if in_blocks { blocks.whole() } else { Exchange::free(rows) };
    let (places, none): (Vec<usize>, _) = ((0..rows).collect(), Array2::zeros((rows, 0)));
    let who = MovingChildren { motion: &motion, covariates: none.view(), places: &places, exchange: &exchange };
    let mut sums = MotionSums::new(edges, WeightedEdges::alike(rows, edges), &who, blocks.children()).unwrap();
    let table: Vec<Vec<f32>> = (0..rows).map(|row| z.iter().map(|edge| edge[row] as f32).collect()).collect();
    let numbers: Vec<Vec<f64>> = motion.iter().map(|fd| vec![*fd]).collect();
    sums.take(&table.iter().map(Vec::as_slice).collect::<Vec<_>>(), &numbers).unwrap();
    sums
}

#[test]
fn rows_that_repeat_each_other_have_the_degrees_of_freedom_of_children() {
    let pairs: Vec<usize> = (0..40).map(|row| row / 2).collect();
    let mean_dof = |shared: f64, blocks: bool, of_rows: &[usize]| {
        let sums = sums(&mut Numbers::new(3), of_rows, 60, shared, blocks);
        let found = sums.in_blocks(sums.correlation(0).unwrap());
        assert_eq!((sums.rows(), sums.people()), (of_rows.len(), of_rows.iter().max().unwrap() + 1));
        found.dof.iter().sum::<usize>() as f64 / 60.0
    };
    // Twenty children twice: 18. Some 4 % of a variance from 999 shuffles, on each edge, average out over 60.
    let same = mean_dof(1.0, true, &pairs);
    assert!((same - 18.0).abs() < 0.5, "{same}");
    let apart = mean_dof(0.0, true, &pairs);
    assert!(apart > 30.0 && apart <= 38.0, "{apart}");
    assert_eq!(mean_dof(1.0, false, &pairs), 38.0);
    // Ten children once, ten twice, all the same: still 18, though no row says which pool a child is in.
    let mixed: Vec<usize> = (0..10).chain((10..20).flat_map(|child| [child, child])).collect();
    let own = mean_dof(1.0, true, &mixed);
    assert!((13.0..20.0).contains(&own), "{own}");
}

/// Of nine children five have the second edge, four the third.
#[test]
fn edges_of_less_than_half_of_the_children_are_left_out() {
    let mut noise = Numbers::new(6);
    let rows = 9;
    let (places, none): (Vec<usize>, _) = ((0..rows).collect(), Array2::zeros((rows, 0)));
    let motion: Vec<f64> = (0..rows).map(|_| noise.normal()).collect();
    let exchange = Exchange::free(rows);
    let who = MovingChildren { motion: &motion, covariates: none.view(), places: &places, exchange: &exchange };
    let mut sums = MotionSums::new(3, WeightedEdges::alike(rows, 3), &who, rows).unwrap();
    for (child, fd) in motion.iter().enumerate() {
        let mut row = [0, 1, 2].map(|_| noise.normal() as f32);
        (row[1], row[2]) = (if child < 4 { f32::NAN } else { row[1] }, if child < 5 { f32::NAN } else { row[2] });
        sums.take(&[&row], &[vec![*fd]]).unwrap();
    }
    let found = sums.correlation(0).unwrap();
    assert_eq!((found.children.clone(), found.dof.clone()), (vec![9, 5, 4], vec![7, 3, 0]));
    assert!(found.r[1].is_finite() && found.p[1].is_finite() && found.r[2].is_nan() && found.p[2].is_nan());
    assert_eq!(sums.shuffled(&found, &[0, 1]).len(), 2 * sums.shuffles());
    assert!(sums.beyond(&found, &[10.0, 20.0, 30.0]).median_abs_r <= 1.0);
}

#[test]
fn where_no_block_can_move_there_is_no_p() {
    let sums = sums(&mut Numbers::new(4), &[0, 0, 1, 1, 1, 2], 5, 0.5, true);
    let found = sums.in_blocks(sums.correlation(0).unwrap());
    assert!(sums.orders() == 1.0 && found.p.iter().all(|p| p.is_nan()) && found.r.iter().all(|r| r.is_finite()));
}

#[test]
fn repeated_rows_do_not_make_findings_of_chance() {
    let mut noise = Numbers::new(5);
    let pairs: Vec<usize> = (0..32).map(|row| row / 2).collect();
    let cohorts = 40;
    let (mut called, mut below) = ([0, 0], [0.0, 0.0]);
    for _ in 0..cohorts {
        for (k, blocks) in [false, true].into_iter().enumerate() {
            let sums = sums(&mut noise, &pairs, 40, 0.8, blocks);
            let found = sums.in_blocks(sums.correlation(0).unwrap());
            below[k] += found.p.iter().filter(|p| **p < 0.05).count() as f64 / 40.0 / f64::from(cohorts);
            let beyond = sums.beyond(&found, &[f64::NAN; 40]);
            called[k] += i32::from(p_of_farthest(&[&beyond]) < 0.05);
        }
    }
    // Of 40 cohorts 2 by chance; more than 6 are seen once in 300 such tests.
    assert!(called[1] <= 6 && called[0] >= 8, "{called:?}");
    assert!((0.02..0.09).contains(&below[1]) && below[0] > 0.12, "{below:?}");
}
