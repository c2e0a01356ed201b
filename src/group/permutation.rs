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
//! **Edges that some children lack** are fitted on the others, permuted among these, and compared with all edges on one
//! scale: [`incomplete`]. Which rows may be exchanged, where rows are of one child or of siblings, is said by an
//! [`Exchange`].
//!
//! **The intercept.** A permutation moves residuals about, never their mean ē: Σₖ uₖ (Pe)ₖ is on average ē Σ u. Unless
//! u sums to 0, which it does when Z holds a constant, permuted t lie around a value other than 0, and the largest of
//! them says nothing about chance. Such a column is refused.

mod incomplete;
mod products;
mod sets;

pub use sets::{SetTest, TestedSet, edge_sets};

use std::ops::Range;

use ndarray::{Array1, Array2, ArrayView2};
use rayon::prelude::*;

use super::edge_tests::{EdgeTestError, ROUNDING, require_not_infinite};
use super::exchange::Exchange;
use super::weights::WeightedEdges;
use super::{EdgeValue, block_columns};
use incomplete::{Incomplete, Shared};
use products::{Whitened, basis, block_maxima};

/// What a permuted |t| must reach to count as reaching `t`. It is a little less than `t`, since a permutation that
/// leaves the data as they are gives the same t only up to rounding. The share is 1e-9, and more where hardly anything
/// is left of the residuals: 1 − Σc² then has lost digits, some 1e-15 (1 + t²/ν) of t (own convention, ten times that).
fn bound(t: f64, dof: f64) -> f64 {
    t.abs() * (1.0 - (1e-9 + 1e-14 * t * t / dof).min(1e-3))
}

/// What the permutations say about one coefficient.
#[derive(Debug, Clone, PartialEq)]
pub struct PermutationTest {
    /// For each edge, t of the data as they are, or F of several coefficients; NaN outside the family: where too few
    /// children have the edge, or cannot be exchanged or do not determine the coefficient, or the fit is perfect.
    pub t: Array1<f64>,
    /// For each edge, the family-wise p.
    pub family_wise_p: Array1<f64>,
    /// For each permutation, the largest |t| (or F) over the family, as of an edge that all children have.
    pub maxima: Vec<f64>,
    /// Number of edges in the family.
    pub family: usize,
    /// Number of edges that enough children have, but with too few whole blocks to exchange.
    pub not_exchanged: usize,
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
/// As [`super::edge_tests::Model::new`]; a coefficient that is not there; a column that is the same for all children;
/// one without which the model has no intercept: see above.
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

/// Tests coefficient `tested` of a design (children × coefficients, one name per column) on every edge of `data`
/// (children × edges; NaN where a child lacks an edge), each in one of `classes`, under permutations by `exchange` that
/// are drawn as they are needed. Parallel over blocks of edges on rayon's current pool.
///
/// Memory beyond the inputs: 4 bytes × children × (2²² / children, but 64 to 4,096) of permutations, 16 MB for most
/// cohorts; 16 bytes per permutation; 40 bytes per edge, and up to 8 for each child who lacks it; and for each thread
/// 8 bytes × children × (a block of 16 to 256 edges, and 192 rows of a product): some 4 MB with 1,000 children, 65 MB
/// with 20,000.
///
/// # Errors
/// As [`require_permutable`] and [`super::edge_tests::Model::fit`]; more than [`MOST_PERMUTATIONS`].
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
    let shared = Shared { design, tested, data, exchange };
    let own = Observed::of(&whitened, &shared, classes)?;
    let maxima = largest(&own, &shared, draws, at_once)?;
    let Observed { t, compared, not_exchanged, .. } = own;
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
    let family_wise_p = compared
        .mapv(|t| if t.is_nan() { f64::NAN } else { share(count - sorted.partition_point(|&m| m < reached(t))) });
    let family = t.iter().filter(|t| !t.is_nan()).count();
    Ok(PermutationTest { t, family_wise_p, maxima, family, not_exchanged })
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

/// All edges of the data as they are.
struct Observed<'w, 'a> {
    /// Blocks of all edges; those that a child lacks have no residuals there.
    blocks: Vec<(&'w Whitened<'a>, Range<usize>)>,
    incomplete: Vec<Incomplete<'w>>,
    /// t (or F) of each edge; NaN outside the family.
    t: Array1<f64>,
    /// The same on the scale of edges that all children have.
    compared: Array1<f64>,
    not_exchanged: usize,
}

impl<'w, 'a> Observed<'w, 'a> {
    fn of<T: EdgeValue>(
        whitened: &'w [Whitened<'a>],
        shared: &Shared<'_, T>,
        classes: &'w [WeightedEdges],
    ) -> Result<Self, EdgeTestError> {
        let (children, edges) = shared.data.dim();
        let blocks = blocks(whitened, children);
        let mut t = observed(&blocks, shared.data, edges)?;
        let mut compared = t.clone();
        let incomplete = incomplete::parts(shared, classes)?;
        let still = incomplete.iter().filter(|part| !part.are_exchanged(shared));
        let not_exchanged = still.map(|part| part.edges().len()).sum();
        let of_parts = incomplete.par_iter().map(|part| part.observed(shared));
        for (part, own) in incomplete.iter().zip(of_parts.collect::<Result<Vec<_>, EdgeTestError>>()?) {
            for (&edge, (own, as_of_all)) in part.edges().iter().zip(own.unwrap_or_default()) {
                (t[edge], compared[edge]) = (own, as_of_all);
            }
        }
        Ok(Self { blocks, incomplete, t, compared, not_exchanged })
    }
}

/// The largest |t| (or F) of each permutation. Permutations are drawn `at_once` at a time. The residuals are computed
/// anew for each such batch, which costs little beside its products.
fn largest<T: EdgeValue>(
    own: &Observed<'_, '_>,
    shared: &Shared<'_, T>,
    draws: Draws,
    at_once: usize,
) -> Result<Vec<f64>, EdgeTestError> {
    let mut maxima = Vec::with_capacity(draws.count);
    for first in (0..draws.count).step_by(at_once) {
        let drawn = shared.exchange.draw(first..(first + at_once).min(draws.count), draws.seed);
        let none = || vec![0.0; drawn.nrows()];
        let greater = |a: Vec<f64>, b: Vec<f64>| -> Vec<f64> { a.iter().zip(&b).map(|(a, b)| a.max(*b)).collect() };
        let of_block = |(class, part): &(&Whitened<'_>, Range<usize>)| {
            block_maxima(class, &class.residuals(shared.data, part).0, drawn.view())
        };
        // The largest is the same in whatever order.
        let lot = own.blocks.par_iter().map(of_block).reduce(none, greater);
        let in_part = own.incomplete.par_iter().map(|part| part.maxima(shared, drawn.view()));
        let in_part = in_part.try_reduce(none, |a, b| Ok(greater(a, b)))?;
        maxima.extend(greater(lot, in_part));
    }
    Ok(maxima)
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
            Ok(class.residuals_of(block).1)
        })
        .collect::<Result<Vec<_>, EdgeTestError>>()?;
    let mut t = Array1::from_elem(edges, f64::NAN);
    for ((class, part), own) in blocks.iter().zip(of_blocks) {
        class.edges[part.clone()].iter().zip(own).for_each(|(&edge, own)| t[edge] = own);
    }
    Ok(t)
}

#[cfg(test)]
mod tests;
