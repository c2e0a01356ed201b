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
//! lies in Z, so neither u's coefficient nor the residuals see it, and permuting e under u is permuting u under e: the
//! coefficient is eᵀv with v = Pᵀu. v is made orthogonal to Z again and as long as u; with e of norm 1 then
//!
//! r = eᵀv, t = r √((n − p)/(1 − r²)),
//!
//! which is t of a model of Z and v (Winkler et al. 2014, NeuroImage 92:381, compare it with Freedman & Lane's own,
//! which divides by ‖e‖² − ‖QᵀPe‖² and leaves v as long as it comes; from memory). Without weights the two differ by
//! some p/n. All that a permutation needs is v: one product of permutations × children by children × edges per block. A
//! slow twin in the tests fits each permuted column anew.
//!
//! **Several columns.** k tested columns U are permuted together, made orthogonal to Z and to one another again as V,
//! and F = (Σ r²/k) / ((1 − Σ r²)/(n − p)) with r = Vᵀe ([`permutation_test_joint`]).
//!
//! **Sets of edges** under the same permutations: [`sets`].
//!
//! **Weights.** Edges come in classes, each with weights of its own ([`crate::group::weights`]). Rows of Z, u and y are
//! multiplied by √w, so what is permuted is as variable in every child. The same permutations serve all classes. A
//! whitened u is orthogonal to √w and not to 1, so v has a share along √w that is lost once Z is taken out of it. That
//! is why v is made as long as u: without that, permuted t were too small, up to a fifth in variance, and where a fifth
//! of 71 children, those of the tested group, had 8 degrees of freedom and the others 80, 11.2 % of 500 null cohorts
//! had a family-wise p of at most 0.05; with it, 5.4 % (tests/reference/test_weights.py has a smaller trial).
//!
//! The family consists of the edges that every child has: if different children were missing from different edges, one
//! permutation would not mean the same for all of them. The other edges' p values are not available. Which rows may be
//! exchanged, where rows are of one child or of siblings, is said by an [`Exchange`].
//!
//! **The intercept.** A permutation moves residuals about, never their mean ē: Σₖ uₖ (Pe)ₖ is on average ē Σ u. Unless
//! u sums to 0, which it does when Z holds a constant, permuted t lie around a value other than 0, and the largest of
//! them says nothing about chance. Such a column is refused.

mod sets;

pub use sets::{SetTest, TestedSet, edge_sets};

use std::ops::Range;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView2, ArrayViewMut2, Axis, s};
use rayon::prelude::*;

use super::edge_tests::{EdgeTestError, Model, PERFECT, ROUNDING, require_not_infinite};
use super::exchange::Exchange;
use super::weights::WeightedEdges;
use super::{EdgeValue, block_columns};

/// What a permuted |t| must reach to count as reaching `t`. It is a little less than `t`, since a permutation that
/// leaves the data as they are gives the same t only up to rounding. The share is 1e-9, and more where hardly anything
/// is left of the residuals: 1 − Σc² then has lost digits, some 1e-15 (1 + t²/ν) of t (own convention, ten times that).
fn bound(t: f64, dof: f64) -> f64 {
    t.abs() * (1.0 - (1e-9 + 1e-14 * t * t / dof).min(1e-3))
}

/// Permutations in one product: enough to keep the product busy, few enough for the caches (own convention).
const PRODUCT_ROWS: usize = 192;

/// What the permutations say about one coefficient.
#[derive(Debug, Clone, PartialEq)]
pub struct PermutationTest {
    /// For each edge, t of the data as they are, or F of several coefficients; NaN where a child lacks the edge or the
    /// fit is perfect.
    pub t: Array1<f64>,
    /// For each edge, the family-wise p.
    pub family_wise_p: Array1<f64>,
    /// For each permutation, the largest |t| (or F) over the family.
    pub maxima: Vec<f64>,
    /// Number of edges in the family.
    pub family: usize,
}

/// Which permutations are drawn: orders 0 to `count` of an [`Exchange`] with this seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Draws {
    pub count: usize,
    pub seed: u64,
}

/// More permutations are refused: their largest |t|, held twice, would take more than 160 MB, only to make p finer than
/// one in ten million (own convention).
pub const MOST_PERMUTATIONS: usize = 10_000_000;

/// A permuted column of norm 1 of which no more than this is left lies in Z (own convention; rounding leaves some
/// 1e-16).
const NOTHING_LEFT: f64 = 1e-8;

/// Places of drawn permutations that are held at once: 16 MB (own convention).
const PLACES_AT_ONCE: usize = 4 << 20;

/// Draws `count` permutations of `children` who may all be exchanged: row k says for each place which child's residual
/// goes there ([`Exchange::draw`]).
#[must_use]
pub fn permutations(children: usize, count: usize, seed: u64) -> Array2<u32> {
    Exchange::free(children).draw(0..count, seed)
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
    require_all_permutable(design, names, &[tested])
}

/// The same of several coefficients together, each there once.
fn require_all_permutable(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: &[usize],
) -> Result<(), EdgeTestError> {
    let (children, coefficients) = design.dim();
    for &tested in tested {
        if tested >= coefficients {
            return Err(EdgeTestError::NoCoefficient { number: tested, coefficients });
        }
        if (1..children).all(|i| design[[i, tested]] == design[[0, tested]]) {
            return Err(EdgeTestError::Constant { column: names[tested].clone() });
        }
    }
    let q = basis(design, names, tested, &vec![1.0; children])?;
    // The cosine with a constant: what rounding of tables leaves is far below any spread of residuals.
    let off = |k: &usize| q.column(coefficients - tested.len() + k).sum().abs() > ROUNDING * (children as f64).sqrt();
    match (0..tested.len()).find(off) {
        Some(k) => Err(EdgeTestError::NotCentred { column: names[tested[k]].clone() }),
        None => Ok(()),
    }
}

/// Q = [Q_Z u] of the whitened design, of columns that can be tested.
fn basis(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: &[usize],
    weights: &[f64],
) -> Result<Array2<f64>, EdgeTestError> {
    let coefficients = design.ncols();
    // With the tested columns last, QR makes them orthogonal to the others by itself.
    let order: Vec<usize> = (0..coefficients).filter(|j| !tested.contains(j)).chain(tested.iter().copied()).collect();
    let ordered: Vec<String> = order.iter().map(|&j| names[j].clone()).collect();
    let mut q = Model::weighted(design.select(Axis(1), &order).view(), &ordered, weights)?.into_basis();
    let [tested] = tested else { return Ok(q) };
    let mut u = q.column_mut(coefficients - 1);
    // QR leaves the last column's sign open; t has the sign of the column itself.
    let along: f64 = u.iter().zip(design.column(*tested)).zip(weights).map(|((u, x), w)| u * x * w.sqrt()).sum();
    if along < 0.0 {
        u.mapv_inplace(|v| -v);
    }
    Ok(q)
}

/// Tests coefficient `tested` of a design (children × coefficients, one name per column) on every edge of `data`
/// (children × edges; NaN where a child lacks an edge), each in one of `classes`, under permutations by `exchange` that
/// are drawn as they are needed. Parallel over blocks of edges on rayon's current pool.
///
/// Memory beyond the inputs: 4 bytes × children × (2²² / children, but 64 to 4,096) of permutations, 16 MB for most
/// cohorts; 16 bytes per permutation; 24 bytes per edge; and for each thread 8 bytes × children × (a block of 16 to 256
/// edges, and 192 rows of a product): some 4 MB with 1,000
/// children, 65 MB with 20,000.
///
/// # Errors
/// As [`require_permutable`] and [`Model::fit`]; more than [`MOST_PERMUTATIONS`].
///
/// # Panics
/// When there is not one name per column, or not one weight and one row to exchange per child.
pub fn permutation_test<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: usize,
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    exchange: &Exchange,
    draws: Draws,
) -> Result<PermutationTest, EdgeTestError> {
    permutation_test_joint(design, names, &[tested], data, classes, exchange, draws)
}

/// The same for several coefficients together, by F; for one coefficient it gives t, with its sign.
///
/// # Errors
/// As [`permutation_test`].
///
/// # Panics
/// As [`permutation_test`], and without any coefficient.
pub fn permutation_test_joint<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: &[usize],
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    exchange: &Exchange,
    draws: Draws,
) -> Result<PermutationTest, EdgeTestError> {
    let (children, coefficients) = design.dim();
    let whitened = whitened(design, names, tested, data, classes, draws)?;
    assert_eq!(exchange.rows(), children, "one row to exchange per child");
    let at_once = (PLACES_AT_ONCE / children).clamp(64, 4096);
    let (t, maxima) = largest(&whitened, data, exchange, draws, at_once)?;
    let mut sorted = maxima.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let count = draws.count;
    let share = |reached: usize| (1 + reached) as f64 / (1 + count) as f64;
    let dof = (children - coefficients) as f64;
    let reached = |t: f64| match tested.len() {
        1 => bound(t, dof),
        // F is as t²: what t loses it loses twice.
        k => bound((t * k as f64).sqrt(), dof).powi(2) / k as f64,
    };
    let family_wise_p =
        t.mapv(|t| if t.is_nan() { f64::NAN } else { share(count - sorted.partition_point(|&m| m < reached(t))) });
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

/// The whitened model of each class, once all is found to be possible.
fn whitened<'a, T>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: &[usize],
    data: ArrayView2<'_, T>,
    classes: &'a [WeightedEdges],
    draws: Draws,
) -> Result<Vec<Whitened<'a>>, EdgeTestError> {
    assert!(!tested.is_empty(), "at least one coefficient is tested");
    require_few(draws.count)?;
    require_all_permutable(design, names, tested)?;
    if design.nrows() != data.nrows() {
        return Err(EdgeTestError::Children { design: design.nrows(), data: data.nrows() });
    }
    classes.iter().map(|class| Whitened::new(design, names, tested, class)).collect()
}

/// A class of edges with the whitened model.
struct Whitened<'a> {
    edges: &'a [usize],
    /// Roots of the weights.
    roots: Array1<f64>,
    /// [Q_Z u] of the whitened design.
    q: Array2<f64>,
    /// How many columns of it are tested.
    tested: usize,
}

impl<'a> Whitened<'a> {
    fn new(
        design: ArrayView2<'_, f64>,
        names: &[String],
        tested: &[usize],
        class: &'a WeightedEdges,
    ) -> Result<Self, EdgeTestError> {
        let roots = Array1::from_iter(class.weights.iter().map(|weight| weight.sqrt()));
        let q = basis(design, names, tested, &class.weights)?;
        Ok(Self { edges: &class.edges, roots, q, tested: tested.len() })
    }

    /// Residuals of the nuisance model and t (or F) of some edges.
    fn residuals<T: EdgeValue>(&self, data: ArrayView2<'_, T>, places: &Range<usize>) -> (Array2<f64>, Vec<f64>) {
        residuals(&self.q, self.tested, self.block(data, places.clone()))
    }

    /// Whitened values of some edges, children × edges.
    fn block<T: EdgeValue>(&self, data: ArrayView2<'_, T>, places: Range<usize>) -> Array2<f64> {
        let edges = &self.edges[places];
        Array2::from_shape_fn((data.nrows(), edges.len()), |(child, k)| {
            let value: f64 = data[[child, edges[k]]].into();
            self.roots[child] * value
        })
    }
}

/// t of each edge, and the largest |t| of each permutation. Permutations are drawn `at_once` at a time. The residuals
/// are computed anew for each such batch, which costs little beside its products.
fn largest<T: EdgeValue>(
    classes: &[Whitened<'_>],
    data: ArrayView2<'_, T>,
    exchange: &Exchange,
    draws: Draws,
    at_once: usize,
) -> Result<(Array1<f64>, Vec<f64>), EdgeTestError> {
    let (children, edges) = data.dim();
    let blocks = blocks(classes, children);
    let t = observed(&blocks, data, edges)?;
    let mut maxima = Vec::with_capacity(draws.count);
    for first in (0..draws.count).step_by(at_once) {
        let drawn = exchange.draw(first..(first + at_once).min(draws.count), draws.seed);
        let greater = |a: Vec<f64>, b: Vec<f64>| a.iter().zip(&b).map(|(a, b)| a.max(*b)).collect();
        let own = |(class, part): &(&Whitened<'_>, Range<usize>)| {
            block_maxima(class, &class.residuals(data, part).0, drawn.view())
        };
        // The largest is the same in whatever order.
        let lot = blocks.par_iter().map(own).reduce(|| vec![0.0; drawn.nrows()], greater);
        maxima.extend(lot);
    }
    Ok((t, maxima))
}

/// Blocks of edges, each within a class.
fn blocks<'w, 'a>(classes: &'w [Whitened<'a>], children: usize) -> Vec<(&'w Whitened<'a>, Range<usize>)> {
    let width = block_columns(children);
    let parts = |class: &Whitened<'_>| {
        let edges = class.edges.len();
        (0..edges).step_by(width).map(move |start| start..(start + width).min(edges)).collect::<Vec<_>>()
    };
    classes.iter().flat_map(|class| parts(class).into_iter().map(move |part| (class, part))).collect()
}

/// t (or F) of each edge in the data as they are.
fn observed<T: EdgeValue>(
    blocks: &[(&Whitened<'_>, Range<usize>)],
    data: ArrayView2<'_, T>,
    edges: usize,
) -> Result<Array1<f64>, EdgeTestError> {
    let of_blocks = blocks
        .par_iter()
        .map(|(class, part)| {
            let block = class.block(data, part.clone());
            require_not_infinite(block.view(), &class.edges[part.clone()])?;
            Ok(residuals(&class.q, class.tested, block).1)
        })
        .collect::<Result<Vec<_>, EdgeTestError>>()?;
    let mut t = Array1::from_elem(edges, f64::NAN);
    for ((class, part), own) in blocks.iter().zip(of_blocks) {
        class.edges[part.clone()].iter().zip(own).for_each(|(&edge, own)| t[edge] = own);
    }
    Ok(t)
}

/// The largest |t| (or F) over a block of edges under each permutation; `e` is residuals of norm 1, or 0.
fn block_maxima(class: &Whitened<'_>, e: &Array2<f64>, permutations: ArrayView2<'_, u32>) -> Vec<f64> {
    let mut maxima = Vec::with_capacity(permutations.nrows());
    class.permuted(e, permutations, |r, dof| maxima.push(largest_statistic(r, dof)));
    maxima
}

impl Whitened<'_> {
    /// r = Vᵀe of each permutation in turn, tested columns × edges, with the degrees of freedom.
    fn permuted(
        &self,
        e: &Array2<f64>,
        permutations: ArrayView2<'_, u32>,
        mut take: impl FnMut(ArrayView2<'_, f64>, f64),
    ) {
        let (children, coefficients) = self.q.dim();
        let dof = (children - coefficients) as f64;
        let at_once = (PRODUCT_ROWS / self.tested).max(1);
        let mut along = Array2::zeros((at_once * self.tested, e.ncols()));
        for some in permutations.axis_chunks_iter(Axis(0), at_once) {
            let mut along = along.slice_mut(s![..some.nrows() * self.tested, ..]);
            general_mat_mul(1.0, &permuted_columns(&self.q, self.tested, some), e, 0.0, &mut along);
            along.axis_chunks_iter(Axis(0), self.tested).for_each(|r| take(r, dof));
        }
    }
}

/// The tested columns under each permutation, one row each: orthogonal to Z and to one another and of norm 1, or 0
/// where one lies in Z and those before it.
fn permuted_columns(q: &Array2<f64>, tested: usize, permutations: ArrayView2<'_, u32>) -> Array2<f64> {
    let (children, coefficients) = q.dim();
    let own = q.slice(s![.., coefficients - tested..]);
    let mut v = Array2::zeros((permutations.nrows() * tested, children));
    for (permutation, mut rows) in permutations.rows().into_iter().zip(v.axis_chunks_iter_mut(Axis(0), tested)) {
        for (u, mut row) in own.columns().into_iter().zip(rows.rows_mut()) {
            // (Pe)ᵢ = e at the child that the permutation puts at place i, so Pᵀu has uᵢ at that child.
            permutation.iter().zip(u).for_each(|(&child, &value)| row[child as usize] = value);
        }
    }
    let nuisance = q.slice(s![.., ..coefficients - tested]);
    let inside = v.dot(&nuisance);
    general_mat_mul(-1.0, &inside, &nuisance.t(), 1.0, &mut v);
    for mut rows in v.axis_chunks_iter_mut(Axis(0), tested) {
        orthonormal(&mut rows);
    }
    v
}

/// Makes rows orthonormal, one after the other (Gram–Schmidt, twice: Golub & Van Loan 2013, Matrix Computations, §5.2).
fn orthonormal(rows: &mut ArrayViewMut2<'_, f64>) {
    for k in 0..rows.nrows() {
        let (before, mut rest) = rows.view_mut().split_at(Axis(0), k);
        let mut row = rest.row_mut(0);
        for _ in 0..2 {
            for other in before.rows() {
                let along = other.dot(&row);
                row.scaled_add(-along, &other);
            }
        }
        let norm = row.dot(&row).sqrt();
        let scale = if norm > NOTHING_LEFT { 1.0 / norm } else { 0.0 };
        row.mapv_inplace(|value| value * scale);
    }
}

/// t of one permutation from its r.
fn t_of_r(r: f64, dof: f64) -> f64 {
    r / ((1.0 - r * r).max(f64::MIN_POSITIVE) / dof).sqrt()
}

/// The largest |t|, or F where several columns are tested, over the edges of one permutation. Edges outside the family
/// have residuals of 0, and so r = 0.
fn largest_statistic(r: ArrayView2<'_, f64>, dof: f64) -> f64 {
    if r.nrows() == 1 {
        return t_of_r(r.fold(0.0_f64, |largest, r| largest.max(r.abs())), dof);
    }
    let explained = r.columns().into_iter().map(|column| column.dot(&column)).fold(0.0_f64, f64::max);
    explained / r.nrows() as f64 / ((1.0 - explained).max(f64::MIN_POSITIVE) / dof)
}

/// Residuals of the nuisance model, scaled to norm 1, and t of the tested column, or F of the tested columns, which are
/// the last of `q`. An edge that a child lacks, or that the whole model fits perfectly, gets residuals of 0 and NaN.
fn residuals(q: &Array2<f64>, tested: usize, mut y: Array2<f64>) -> (Array2<f64>, Vec<f64>) {
    let (children, coefficients) = q.dim();
    let absent: Vec<bool> = y.columns().into_iter().map(|c| c.iter().any(|v| v.is_nan())).collect();
    for (mut column, _) in y.columns_mut().into_iter().zip(&absent).filter(|(_, absent)| **absent) {
        column.fill(0.0);
    }
    let total: Vec<f64> = y.columns().into_iter().map(|c| c.fold(0.0, |sum, v| sum + v * v)).collect();
    let nuisance = q.slice(s![.., ..coefficients - tested]);
    let along = nuisance.t().dot(&y);
    general_mat_mul(-1.0, &nuisance, &along, 1.0, &mut y);
    let own = q.slice(s![.., coefficients - tested..]);
    let along = own.t().dot(&y);
    let fitted = own.dot(&along);
    let mut statistics = Vec::with_capacity(y.ncols());
    for (edge, mut column) in y.columns_mut().into_iter().enumerate() {
        let norm = column.fold(0.0, |sum, v| sum + v * v).sqrt();
        let left = column.iter().zip(fitted.column(edge)).fold(0.0, |sum, (e, f)| sum + (e - f).powi(2));
        if absent[edge] || left <= PERFECT * total[edge] {
            column.fill(0.0);
            statistics.push(f64::NAN);
        } else {
            let left = left / (children - coefficients) as f64;
            let along = along.column(edge);
            statistics.push(match tested {
                1 => along[0] / left.sqrt(),
                _ => along.dot(&along) / tested as f64 / left,
            });
            column.mapv_inplace(|v| v / norm);
        }
    }
    (y, statistics)
}

#[cfg(test)]
mod tests;
