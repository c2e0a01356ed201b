//! Sets of edges under permutation: how large a set chance alone gives ([`crate::group::edge_sets`]).
//!
//! Each permutation gives t of all edges; those above the threshold make up sets, and the largest of them, by summed
//! excess and by number of edges, is what a set of the data is held against (Zalesky, Fornito & Bullmore 2010,
//! NeuroImage 53:1197; from memory). The largest is taken over both signs, so p holds for all sets of a coefficient.
//! The permutations are those of the family-wise p of edges, and so are the edges that take part. t of an edge that
//! some children lack is that which is as rare with the degrees of freedom of all ([`super::incomplete`]).
//!
//! Of each permutation only the edges above the threshold are kept, and fewer permutations are held at once the more
//! edges are expected above it.

use ndarray::ArrayView2;
use rayon::prelude::*;

use super::products::t_of_r;
use super::{Draws, Observed, Shared, bound, whitened};
use crate::group::edge_sets::{EdgeSet, Largest, Pairs};
use crate::group::edge_tests::EdgeTestError;
use crate::group::exchange::Exchange;
use crate::group::weights::WeightedEdges;
use crate::group::{EdgeValue, tails};

/// Edges above the threshold that are held at once: 64 MB (own convention).
const HELD: f64 = (4 << 20) as f64;

/// A set with what chance says of it.
#[derive(Debug, Clone, PartialEq)]
pub struct TestedSet {
    pub set: EdgeSet,
    /// The share of permutations whose largest set has as much excess.
    pub p_excess: f64,
    /// The share of those whose largest set has as many edges.
    pub p_edges: f64,
}

/// The sets of a coefficient.
#[derive(Debug, Clone, PartialEq)]
pub struct SetTest {
    /// By falling excess.
    pub sets: Vec<TestedSet>,
    /// For each permutation.
    pub largest: Vec<Largest>,
    /// Number of edges that could be in a set.
    pub family: usize,
}

/// Sets of edges of `data` whose |t| of coefficient `tested` is above `threshold`, and their p; `pairs` has the parcels
/// of each edge. Otherwise as [`super::permutation_test`].
///
/// # Errors
/// As [`super::permutation_test`].
///
/// # Panics
/// As [`super::permutation_test`].
pub fn edge_sets<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: usize,
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    (exchange, draws): (&Exchange, Draws),
    (pairs, threshold): (&Pairs, f64),
) -> Result<SetTest, EdgeTestError> {
    let (children, coefficients) = design.dim();
    let dof = (children - coefficients.min(children)) as f64;
    let whitened = whitened(design, names, &[tested], data, classes, draws)?;
    let shared = Shared { design, tested: &[tested], data, exchange };
    let Observed { blocks, incomplete, compared: t, .. } = Observed::of(&whitened, &shared, classes)?;
    // A permutation that leaves the data as they are must give the same sets.
    let above = bound(threshold, dof);
    let exceeding = |t: f64| t.abs() > above;
    let own: Vec<(usize, f64)> =
        t.iter().enumerate().filter(|(_, t)| exceeding(**t)).map(|(edge, &t)| (edge, t)).collect();
    let sets = pairs.sets(&own, threshold);
    let expected = data.ncols() as f64 * tails::t_two_sided(threshold, dof) + 1.0;
    let at_once = ((HELD / expected) as usize).clamp(16, 1024);
    let mut largest = Vec::with_capacity(draws.count);
    for first in (0..draws.count).step_by(at_once) {
        let drawn = exchange.draw(first..(first + at_once).min(draws.count), draws.seed);
        let of_parts = incomplete.par_iter().map(|part| part.above(&shared, drawn.view(), above));
        let of_parts: Vec<Vec<Vec<(usize, f64)>>> = of_parts.collect::<Result<_, EdgeTestError>>()?;
        let of_blocks: Vec<Vec<Vec<(usize, f64)>>> = blocks
            .par_iter()
            .map(|(class, part)| {
                let places = &class.edges[part.clone()];
                let mut found = Vec::with_capacity(drawn.nrows());
                class.permuted(&class.residuals(data, part).0, drawn.view(), |r, dof| {
                    let t = r.iter().map(|&r| t_of_r(r, dof));
                    let over = places.iter().zip(t).filter(|(_, t)| exceeding(*t));
                    found.push(over.map(|(&edge, t)| (edge, t)).collect());
                });
                found
            })
            .collect();
        let of_each = (0..drawn.nrows()).into_par_iter().map(|permutation| {
            let mut all: Vec<(usize, f64)> = of_blocks
                .iter()
                .chain(&of_parts)
                .flat_map(|block: &Vec<Vec<(usize, f64)>>| block[permutation].iter().copied())
                .collect();
            // Sums then do not depend on the blocks.
            all.sort_unstable_by_key(|(edge, _)| *edge);
            Largest::of(&pairs.sets(&all, threshold))
        });
        largest.extend(of_each.collect::<Vec<Largest>>());
    }
    let share = |reaches: &dyn Fn(&Largest) -> bool| {
        (1 + largest.iter().filter(|largest| reaches(largest)).count()) as f64 / (1 + draws.count) as f64
    };
    let sets = sets
        .into_iter()
        .map(|set| {
            // As with t itself, the same data may give an excess that differs by rounding.
            let excess = set.excess - 1e-9 * (1.0 + set.excess + threshold * set.edges.len() as f64);
            let p_excess = share(&|largest| largest.excess >= excess);
            let p_edges = share(&|largest| largest.edges >= set.edges.len());
            TestedSet { set, p_excess, p_edges }
        })
        .collect();
    Ok(SetTest { sets, largest, family: t.iter().filter(|t| !t.is_nan()).count() })
}
