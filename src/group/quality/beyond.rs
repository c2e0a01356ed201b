//! Where the data stand among shuffles of motion, in a few numbers.

use rayon::prelude::*;

use super::summary::LEVEL;
use super::{Distances, QcFc, abs_r_of_p, p_of_r};
use crate::group::quantile;

/// A number that is smaller by less than this share is as large: rounding to single precision must not make a shuffle
/// that gives the data back look smaller (own choice: a hundred of its last places).
const SAME: f64 = 1.0 - 1e-5;

/// The p value of the most extreme of several looks at the same children, corrected for choosing it. The smallest p
/// over the looks is computed for the data and for each shuffle; the p value is the rank of the data among the shuffles
/// (Westfall & Young 1993, Resampling-Based Multiple Testing; from memory). Looks that are related to one another cost
/// little. NaN without any look.
///
/// # Panics
/// When looks have different numbers of shuffles.
#[must_use]
pub fn p_of_farthest(rows: &[&Beyond]) -> f64 {
    let rows: Vec<&Beyond> = rows.iter().copied().filter(|row| !row.looks.is_empty()).collect();
    let Some(first) = rows.first() else { return f64::NAN };
    let mut smallest = vec![f64::INFINITY; first.looks.len()];
    for look in rows.iter().flat_map(|row| (0..3).map(|k| row.looks.iter().map(|all| all[k]).collect::<Vec<f64>>())) {
        assert_eq!(look.len(), smallest.len(), "as many shuffles of each look");
        let mut sorted = look.clone();
        sorted.sort_by(f64::total_cmp);
        for (least, value) in smallest.iter_mut().zip(&look) {
            let reached = sorted.len() - sorted.partition_point(|other| *other < value * SAME);
            *least = least.min(reached as f64);
        }
    }
    smallest.iter().filter(|other| **other <= smallest[0]).count() as f64 / smallest.len() as f64
}

/// How far the data lie beyond the shuffles; NaN where there are none.
#[derive(Debug, Clone, PartialEq)]
pub struct Beyond {
    pub shuffles: usize,
    /// Median |r|, share of edges with p < 0.05 and share with q < 0.05 of the data and then of each shuffle; empty
    /// where there are none.
    pub looks: Vec<[f64; 3]>,
    /// Share of shuffles, the data counted, with at least as large a median |r|.
    pub median_abs_r: f64,
    /// With at least as large a share of edges with p < 0.05.
    pub share_p: f64,
    /// With at least as many edges with q < 0.05.
    pub share_q: f64,
    /// With at least as large a |rank correlation| with distance.
    pub distance_rho: f64,
    /// Fifth and ninety-fifth centile of the shuffles' share of edges with p < 0.05, and their median.
    pub range_share_p: [f64; 3],
    /// Ninety-fifth centile of the shuffles' share of edges with q < 0.05.
    pub high_share_q: f64,
}

/// One shuffle, or the data, in numbers.
#[derive(Debug, Clone, Copy)]
pub(super) struct ShuffleNumbers {
    pub median_abs_r: f64,
    pub share_p: f64,
    pub share_q: f64,
    rho: f64,
}

impl Beyond {
    /// Holds the correlations of the data against those of so many shuffles; `correlations` gives those of the tested
    /// edges, edges × shuffles.
    pub(super) fn of(
        data: &QcFc,
        distance_mm: &[f64],
        shuffles: usize,
        correlations: impl FnOnce(&[usize]) -> Vec<f32>,
    ) -> Self {
        let tested: Vec<usize> = (0..data.r.len()).filter(|&edge| !data.r[edge].is_nan()).collect();
        // What |r| each edge needs for p < 0.05: of few different degrees of freedom.
        let mut needed: Vec<f64> = Vec::new();
        for &edge in &tested {
            if needed.len() <= data.dof[edge] {
                needed.resize(data.dof[edge] + 1, f64::NAN);
            }
            if needed[data.dof[edge]].is_nan() {
                needed[data.dof[edge]] = abs_r_of_p(LEVEL, data.dof[edge] as f64);
            }
        }
        let distance = Distances::new(&tested.iter().map(|&edge| distance_mm[edge]).collect::<Vec<_>>());
        let look = |r: &[f64]| ShuffleNumbers::new(r, &tested, &data.dof, &needed, &distance);
        let own = look(&tested.iter().map(|&edge| data.r[edge]).collect::<Vec<_>>());
        let shuffles = if tested.is_empty() { 0 } else { shuffles };
        let r = correlations(&tested);
        let of = |k: usize| look(&(0..tested.len()).map(|e| f64::from(r[e * shuffles + k])).collect::<Vec<_>>());
        let all: Vec<ShuffleNumbers> = (0..shuffles).into_par_iter().map(of).collect();
        let share = |of: fn(&ShuffleNumbers) -> f64| match of(&own) {
            own if own.is_nan() || all.is_empty() => f64::NAN,
            own => (1 + all.iter().filter(|found| of(found) >= own * SAME).count()) as f64 / (1 + shuffles) as f64,
        };
        let sorted = |of: fn(&ShuffleNumbers) -> f64| {
            let mut values: Vec<f64> = all.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let (shares, high) = (sorted(|found| found.share_p), sorted(|found| found.share_q));
        let looks = |found: &ShuffleNumbers| [found.median_abs_r, found.share_p, found.share_q];
        Self {
            shuffles,
            looks: if all.is_empty() { Vec::new() } else { [&own].into_iter().chain(&all).map(looks).collect() },
            median_abs_r: share(|found| found.median_abs_r),
            share_p: share(|found| found.share_p),
            share_q: share(|found| found.share_q),
            distance_rho: share(|found| found.rho.abs()),
            range_share_p: [0.05, 0.5, 0.95].map(|at| quantile(&shares, at)),
            high_share_q: quantile(&high, 0.95),
        }
    }
}

impl ShuffleNumbers {
    /// `r` of the tested edges.
    pub(super) fn new(r: &[f64], tested: &[usize], dof: &[usize], needed: &[f64], distance: &Distances) -> Self {
        let mut sizes: Vec<f64> = r.iter().map(|r| r.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let all = r.len() as f64;
        // q < 0.05 asks for p < 0.05, so only those are looked at.
        let mut p: Vec<f64> = r
            .iter()
            .zip(tested)
            .filter(|(r, edge)| r.abs() > needed[dof[**edge]])
            .map(|(r, edge)| p_of_r(*r, dof[*edge] as f64))
            .collect();
        p.sort_by(f64::total_cmp);
        // The step-up procedure: the last that lies below its part of the level (Benjamini & Hochberg 1995).
        let called = (1..=p.len()).rev().find(|&k| p[k - 1] * all / (k as f64) < LEVEL).unwrap_or(0);
        Self {
            median_abs_r: quantile(&sizes, 0.5),
            share_p: p.len() as f64 / all,
            share_q: called as f64 / all,
            rho: distance.dependence(r).rho,
        }
    }
}
