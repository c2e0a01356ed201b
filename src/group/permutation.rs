//! Family-wise p values of one coefficient (columns `…_p_familywise`), by permuting residuals and taking the largest
//! |t| over all edges.
//!
//! Freedman & Lane 1983, J Business & Economic Statistics 1:292: fit the model without the tested column (nuisance Z)
//! to each edge, permute the residuals e over children, add the fit back, and fit the whole model to that. The largest
//! |t| over the edges of each permutation is what chance alone gives; an edge's family-wise p is the share of
//! permutations whose largest |t| reaches its own (maximum statistic: Westfall & Young 1993, Resampling-Based Multiple
//! Testing; Nichols & Holmes 2002, HBM 15:1), counting the data as they are: (1 + count)/(1 + permutations) (Phipson &
//! Smyth 2010, Stat Appl Genet Mol Biol 9:39). One permutation is used for all edges, so their dependence is kept.
//!
//! **As matrix products.** Let Q = [Q_Z u] be orthonormal, u the tested column made orthogonal to Z. The fit added back
//! lies in Z, so neither u's coefficient nor the residuals see it: with c = QᵀPe,
//!
//! t = c_u / √((‖e‖² − Σ c²)/(n − p)),
//!
//! and ‖Pe‖ = ‖e‖. With e scaled to norm 1, all that a permutation needs is QᵀP, a gather of Q's rows, times e: one
//! product of (permutations · p) × children by children × edges per block. A slow twin in the tests fits each permuted
//! edge anew.
//!
//! **Weights.** Edges come in classes, each with weights of its own ([`crate::group::weights`]). Rows of Z, u and y are
//! multiplied by √w, so what is permuted are whitened residuals, as variable in every child. The same permutations serve
//! all classes.
//!
//! The family consists of the edges that every child has: if different children were missing from different edges, one
//! permutation would not mean the same for all of them. The other edges' p values are not available. Children must be
//! exchangeable under the model: not siblings, not repeated scans.
//!
//! **The intercept.** A permutation moves residuals about, never their mean ē: Σₖ uₖ (Pe)ₖ is on average ē Σ u. Unless
//! u sums to 0, which it does when Z holds a constant, permuted t lie around a value other than 0, and the largest of
//! them says nothing about chance. Such a column is refused.

use std::ops::Range;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis, s};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use rayon::prelude::*;

use super::block_columns;
use super::edge_tests::{EdgeTestError, Model, PERFECT, ROUNDING, require_not_infinite};
use super::weights::WeightedEdges;

/// What a permuted |t| must reach to count as reaching `t`. It is a little less than `t`, since a permutation that
/// leaves the data as they are gives the same t only up to rounding. The share is 1e-9, and more where hardly anything
/// is left of the residuals: 1 − Σc² then has lost digits, some 1e-15 (1 + t²/ν) of t (own convention, ten times that).
fn bound(t: f64, dof: f64) -> f64 {
    t.abs() * (1.0 - (1e-9 + 1e-14 * t * t / dof).min(1e-3))
}

/// Rows of QᵀP in one product: enough to keep the product busy, few enough for the caches. 1,000 children × 19,900
/// edges × 1,000 permutations with 6 coefficients took 6 s of one core (`cargo run --release --example group_check --
/// time permutation`).
const PRODUCT_ROWS: usize = 192;

/// What the permutations say about one coefficient.
#[derive(Debug, Clone, PartialEq)]
pub struct PermutationTest {
    /// For each edge, t of the data as they are; NaN where a child lacks the edge or the fit is perfect.
    pub t: Array1<f64>,
    /// For each edge, the family-wise p.
    pub family_wise_p: Array1<f64>,
    /// For each permutation, the largest |t| over the family.
    pub maxima: Vec<f64>,
    /// Number of edges in the family.
    pub family: usize,
}

/// Which permutations are drawn: rows 0 to `count` of [`permutations`] with this seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Draws {
    pub count: usize,
    pub seed: u64,
}

/// More permutations are refused: their largest |t|, held twice, would take more than 160 MB, only to make p finer than
/// one in ten million (own convention).
pub const MOST_PERMUTATIONS: usize = 10_000_000;

/// Places of drawn permutations that are held at once: 16 MB (own convention).
const PLACES_AT_ONCE: usize = 4 << 20;

/// Draws `count` permutations of `children`: row k says for each place which child's residual goes there. Seeded:
/// ChaCha8 (Bernstein 2008) with `seed`, stream k for row k, shuffled by Fisher & Yates's method (Durstenfeld 1964,
/// CACM 7:420), a place drawn from 64 random bits by multiplication, values that would favour a place drawn again
/// (Lemire 2019, ACM TOMACS 29:3). The same numbers on every machine.
#[must_use]
pub fn permutations(children: usize, count: usize, seed: u64) -> Array2<u32> {
    rows(children, 0..count, seed)
}

/// Some rows of them.
pub(super) fn rows(children: usize, numbers: std::ops::Range<usize>, seed: u64) -> Array2<u32> {
    let mut out = Array2::from_shape_fn((numbers.len(), children), |(_, i)| i as u32);
    for (number, mut row) in numbers.zip(out.rows_mut()) {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(number as u64);
        for i in (1..children).rev() {
            row.swap(i, below(&mut rng, i as u64 + 1) as usize);
        }
    }
    out
}

/// A number below `limit`, each as likely.
pub(super) fn below(rng: &mut ChaCha8Rng, limit: u64) -> u64 {
    loop {
        let wide = u128::from(rng.next_u64()) * u128::from(limit);
        // The lowest 2⁶⁴ mod limit products of each place are one too many for some places.
        if (wide as u64) >= limit.wrapping_neg() % limit {
            return (wide >> 64) as u64;
        }
    }
}

/// Whether coefficient `tested` of a design (children × coefficients, one name per column) can be tested by
/// permutation.
///
/// # Errors
/// As [`Model::new`]; a coefficient that is not there; a column that is the same for all children; one without which
/// the model has no intercept: see above.
///
/// # Panics
/// When there is not one name per column.
pub fn require_permutable(design: ArrayView2<'_, f64>, names: &[String], tested: usize) -> Result<(), EdgeTestError> {
    let (children, coefficients) = design.dim();
    if tested >= coefficients {
        return Err(EdgeTestError::NoCoefficient { number: tested, coefficients });
    }
    if (1..children).all(|i| design[[i, tested]] == design[[0, tested]]) {
        return Err(EdgeTestError::Constant { column: names[tested].clone() });
    }
    let u = basis(design, names, tested, &vec![1.0; children])?;
    let u = u.column(coefficients - 1);
    // The cosine with a constant: what rounding of tables leaves is far below any spread of residuals.
    if u.sum().abs() > ROUNDING * (children as f64).sqrt() {
        return Err(EdgeTestError::NotCentred { column: names[tested].clone() });
    }
    Ok(())
}

/// Q = [Q_Z u] of the whitened design, of a column that can be tested.
fn basis(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: usize,
    weights: &[f64],
) -> Result<Array2<f64>, EdgeTestError> {
    let coefficients = design.ncols();
    // With the tested column last, QR makes it orthogonal to the others by itself.
    let order: Vec<usize> = (0..coefficients).filter(|&j| j != tested).chain([tested]).collect();
    let ordered: Vec<String> = order.iter().map(|&j| names[j].clone()).collect();
    let mut q = Model::weighted(design.select(Axis(1), &order).view(), &ordered, weights)?.into_basis();
    let mut u = q.column_mut(coefficients - 1);
    // QR leaves the last column's sign open; t has the sign of the column itself.
    let along: f64 = u.iter().zip(design.column(tested)).zip(weights).map(|((u, x), w)| u * x * w.sqrt()).sum();
    if along < 0.0 {
        u.mapv_inplace(|v| -v);
    }
    Ok(q)
}

/// Tests coefficient `tested` of a design (children × coefficients, one name per column) on every edge of `data`
/// (children × edges; NaN where a child lacks an edge), each in one of `classes`, under permutations that are drawn as
/// they are needed. Parallel over blocks of edges on rayon's current pool.
///
/// Memory beyond the inputs: 4 bytes × children × (2²² / children, but 64 to 4,096) of permutations, 16 MB for most
/// cohorts; 16 bytes per permutation; 24 bytes per edge; and for each thread 8 bytes × children × (a block of 16 to 256
/// edges, and 192 rows of a product, or as many as there are coefficients if these are more): some 4 MB with 1,000
/// children, 65 MB with 20,000.
///
/// # Errors
/// As [`require_permutable`] and [`Model::fit`]; more than [`MOST_PERMUTATIONS`].
///
/// # Panics
/// When there is not one name per column, or not one weight per child.
pub fn freedman_lane<T>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: usize,
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    draws: Draws,
) -> Result<PermutationTest, EdgeTestError>
where
    T: Copy + Into<f64> + Send + Sync,
{
    let (children, coefficients) = design.dim();
    require_few(draws.count)?;
    require_permutable(design, names, tested)?;
    if children != data.nrows() {
        return Err(EdgeTestError::Children { design: children, data: data.nrows() });
    }
    let whitened = classes.iter().map(|class| Whitened::new(design, names, tested, class));
    let whitened = whitened.collect::<Result<Vec<_>, EdgeTestError>>()?;
    let at_once = (PLACES_AT_ONCE / children).clamp(64, 4096);
    let (t, maxima) = largest(&whitened, data, draws, at_once)?;
    let mut sorted = maxima.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let count = draws.count;
    let share = |reached: usize| (1 + reached) as f64 / (1 + count) as f64;
    let dof = (children - coefficients) as f64;
    let family_wise_p =
        t.mapv(|t| if t.is_nan() { f64::NAN } else { share(count - sorted.partition_point(|&m| m < bound(t, dof))) });
    let family = t.iter().filter(|t| !t.is_nan()).count();
    Ok(PermutationTest { t, family_wise_p, maxima, family })
}

/// Refuses more permutations than can be held.
///
/// # Errors
/// More than [`MOST_PERMUTATIONS`].
pub fn require_few(count: usize) -> Result<(), EdgeTestError> {
    if count > MOST_PERMUTATIONS {
        return Err(EdgeTestError::TooManyPermutations { count, most: MOST_PERMUTATIONS });
    }
    Ok(())
}

/// A class of edges with the whitened model.
struct Whitened<'a> {
    edges: &'a [usize],
    /// Roots of the weights.
    roots: Array1<f64>,
    /// [Q_Z u] of the whitened design.
    q: Array2<f64>,
}

impl<'a> Whitened<'a> {
    fn new(
        design: ArrayView2<'_, f64>,
        names: &[String],
        tested: usize,
        class: &'a WeightedEdges,
    ) -> Result<Self, EdgeTestError> {
        let roots = Array1::from_iter(class.weights.iter().map(|weight| weight.sqrt()));
        Ok(Self { edges: &class.edges, roots, q: basis(design, names, tested, &class.weights)? })
    }

    /// Whitened values of some edges, children × edges.
    fn block<T: Copy + Into<f64>>(&self, data: ArrayView2<'_, T>, places: Range<usize>) -> Array2<f64> {
        let edges = &self.edges[places];
        Array2::from_shape_fn((data.nrows(), edges.len()), |(child, k)| {
            let value: f64 = data[[child, edges[k]]].into();
            self.roots[child] * value
        })
    }
}

/// t of each edge, and the largest |t| of each permutation. Permutations are drawn `at_once` at a time. The residuals
/// are computed anew for each such batch, which costs little beside its products.
fn largest<T>(
    classes: &[Whitened<'_>],
    data: ArrayView2<'_, T>,
    draws: Draws,
    at_once: usize,
) -> Result<(Array1<f64>, Vec<f64>), EdgeTestError>
where
    T: Copy + Into<f64> + Send + Sync,
{
    let (children, edges) = data.dim();
    let width = block_columns(children);
    let parts = |class: &Whitened<'_>| {
        let edges = class.edges.len();
        (0..edges).step_by(width).map(move |start| start..(start + width).min(edges)).collect::<Vec<_>>()
    };
    let blocks: Vec<(&Whitened<'_>, Range<usize>)> =
        classes.iter().flat_map(|class| parts(class).into_iter().map(move |part| (class, part))).collect();
    let of_blocks = blocks
        .par_iter()
        .map(|(class, part)| {
            let block = class.block(data, part.clone());
            require_not_infinite(block.view(), &class.edges[part.clone()])?;
            Ok(residuals(&class.q, block).1)
        })
        .collect::<Result<Vec<_>, EdgeTestError>>()?;
    let mut t = Array1::from_elem(edges, f64::NAN);
    for ((class, part), own) in blocks.iter().zip(of_blocks) {
        class.edges[part.clone()].iter().zip(own).for_each(|(&edge, own)| t[edge] = own);
    }
    let mut maxima = Vec::with_capacity(draws.count);
    for first in (0..draws.count).step_by(at_once) {
        let drawn = rows(children, first..(first + at_once).min(draws.count), draws.seed);
        let greater = |a: Vec<f64>, b: Vec<f64>| a.iter().zip(&b).map(|(a, b)| a.max(*b)).collect();
        let own = |(class, part): &(&Whitened<'_>, Range<usize>)| {
            block_maxima(&class.q, &residuals(&class.q, class.block(data, part.clone())).0, drawn.view())
        };
        // The largest is the same in whatever order.
        let lot = blocks.par_iter().map(own).reduce(|| vec![0.0; drawn.nrows()], greater);
        maxima.extend(lot);
    }
    Ok((t, maxima))
}

/// The largest |t| over a block of edges under each permutation; `e` is residuals of norm 1, or 0.
fn block_maxima(q: &Array2<f64>, e: &Array2<f64>, permutations: ArrayView2<'_, u32>) -> Vec<f64> {
    let (children, coefficients) = q.dim();
    let dof = (children - coefficients) as f64;
    let edges = e.ncols();
    let mut maxima = Vec::with_capacity(permutations.nrows());
    let at_once = (PRODUCT_ROWS / coefficients).max(1);
    let mut permuted = Array2::zeros((at_once * coefficients, children));
    let mut along = Array2::zeros((at_once * coefficients, edges));
    for some in permutations.axis_chunks_iter(Axis(0), at_once) {
        let rows = some.nrows() * coefficients;
        for (k, permutation) in some.rows().into_iter().enumerate() {
            gather(q, permutation, permuted.slice_mut(s![k * coefficients..(k + 1) * coefficients, ..]));
        }
        general_mat_mul(1.0, &permuted.slice(s![..rows, ..]), e, 0.0, &mut along.slice_mut(s![..rows, ..]));
        maxima.extend(
            (0..some.nrows()).map(|k| largest_t(along.slice(s![k * coefficients..(k + 1) * coefficients, ..]), dof)),
        );
    }
    maxima
}

/// QᵀP: (Pe)ᵢ = e at the child that the permutation puts at place i, so column `permutation[i]` of QᵀP is row i of Q.
fn gather(q: &Array2<f64>, permutation: ArrayView1<'_, u32>, mut out: ndarray::ArrayViewMut2<'_, f64>) {
    for (j, mut row) in out.rows_mut().into_iter().enumerate() {
        let column = q.column(j);
        for (&child, &value) in permutation.iter().zip(column) {
            row[child as usize] = value;
        }
    }
}

/// The largest |t| over the edges of one permutation.
fn largest_t(c: ArrayView2<'_, f64>, dof: f64) -> f64 {
    let mut explained = vec![0.0; c.ncols()];
    for row in c.rows() {
        explained.iter_mut().zip(row).for_each(|(sum, c)| *sum += c * c);
    }
    let mut largest = 0.0_f64;
    for (&along, explained) in c.row(c.nrows() - 1).iter().zip(explained) {
        // Edges outside the family have residuals of 0: 0/√1.
        largest = largest.max(along.abs() / ((1.0 - explained).max(f64::MIN_POSITIVE) / dof).sqrt());
    }
    largest
}

/// Residuals of the nuisance model, scaled to norm 1, and t of the tested column. An edge that a child lacks, or that
/// the whole model fits perfectly, gets residuals of 0 and a t of NaN.
fn residuals(q: &Array2<f64>, mut y: Array2<f64>) -> (Array2<f64>, Vec<f64>) {
    let (children, coefficients) = q.dim();
    let absent: Vec<bool> = y.columns().into_iter().map(|c| c.iter().any(|v| v.is_nan())).collect();
    for (mut column, _) in y.columns_mut().into_iter().zip(&absent).filter(|(_, absent)| **absent) {
        column.fill(0.0);
    }
    let total: Vec<f64> = y.columns().into_iter().map(|c| c.fold(0.0, |sum, v| sum + v * v)).collect();
    let nuisance = q.slice(s![.., ..coefficients - 1]);
    let along = nuisance.t().dot(&y);
    general_mat_mul(-1.0, &nuisance, &along, 1.0, &mut y);
    let u = q.column(coefficients - 1);
    let tested = u.dot(&y);
    let mut t = Vec::with_capacity(y.ncols());
    for (edge, mut column) in y.columns_mut().into_iter().enumerate() {
        let norm = column.fold(0.0, |sum, v| sum + v * v).sqrt();
        let left = column.iter().zip(u).fold(0.0, |sum, (e, u)| sum + (e - u * tested[edge]).powi(2));
        if absent[edge] || left <= PERFECT * total[edge] {
            column.fill(0.0);
            t.push(f64::NAN);
        } else {
            t.push(tested[edge] / (left / (children - coefficients) as f64).sqrt());
            column.mapv_inplace(|v| v / norm);
        }
    }
    (y, t)
}

#[cfg(test)]
mod tests;
