//! Weighted least squares for each edge: coefficients (columns `…_estimate`), standard errors (`…_se`), `…_t` and
//! two-sided `…_p`.
//!
//! y = Xβ + ε, children × edges on children × coefficients. The design's columns are scaled to unit norm and factorised
//! once, X = QR by Householder reflections (LAPACK); then β = R⁻¹Qᵀy, residuals y − QQᵀy formed as such,
//! s² = Σ e²/(n − p), se(βⱼ) = s √((XᵀX)⁻¹ⱼⱼ), t = β/se with n − p degrees of freedom. Golub & Van Loan 2013, Matrix
//! Computations, 4th ed., §5.3; the normal equations are never formed. Products over all edges are matrix products.
//!
//! **Weights.** With weights w, rows of X and y are multiplied by √w first ([`Model::weighted`]): what is left is as
//! variable in every child if w is one over the variance ([`crate::group::weights`]). A constant then is √w.
//!
//! An edge that some children lack is fitted on the children who have it (complete cases), with its own n and degrees
//! of freedom, n − rank; edges that the same children lack share a factorisation. Some coefficients may not be
//! determined by those children (a level that none of them has, a reference that none of them is in); these are not
//! available, and the others are: see [`rank`]. Where no degree of freedom is left, no coefficient is available.
//! Leaving children out is sound when what is missing has nothing to do with the edge's value; a table of which child
//! lacks which edges belongs with the result.

mod basis;
mod classes;
mod clusters;
mod joint;
mod rank;
mod triangle;

pub use self::classes::{fit_in_blocks, fit_weighted, scatter};
pub use self::joint::{JointFits, fit_joint};

pub(super) use self::basis::basis_in_part;

use self::triangle::{invert_upper, norm};
use std::collections::BTreeMap;

use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis};
use ndarray_linalg::QR;
use rayon::prelude::*;

use self::clusters::Clusters;
use self::rank::Rank;
use super::exchange::Blocks;
use super::{EdgeValue, block_columns, columns_as_f64, tails};
use crate::linalg::{LinalgError, lapack_error, require_finite};

/// Rounding alone leaves a residual sum of squares of some 1e-30 of the total. At or below this share (own convention)
/// the fit is perfect, as for an edge that is the same in all children, and a test of its coefficients means nothing.
pub(super) const PERFECT: f64 = 1e-26;

/// The share of a number that the rounding of 32-bit tables may change, and a little more: see [`rank`].
pub(super) const ROUNDING: f64 = rank::TOLERANCE;

/// What can be wrong with a test.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EdgeTestError {
    /// A column of the design that follows from the others.
    #[error(
        "the model's column {column} follows from its columns {others} but for the rounding of the tables, so their \
         coefficients cannot be told apart; leave out one of the terms that they come from"
    )]
    Dependent { column: String, others: String },
    /// A column that does not vary although there is an intercept, or that is all 0.
    #[error("the model's column {column} is {value} for every child in the test; leave its term out of the formula")]
    Same { column: String, value: f64 },
    /// No column at all.
    #[error("the model has no coefficient; give it at least an intercept")]
    Empty,
    /// Not more children than coefficients.
    #[error(
        "the model has {coefficients} coefficients but only {children} children, and it needs more children than \
         coefficients; leave columns out of the formula"
    )]
    TooFewChildren { children: usize, coefficients: usize },
    /// The design and the data have different numbers of children.
    #[error("the model has {design} children, the table of edges has {data}; give both the same children")]
    Children { design: usize, data: usize },
    /// A coefficient that is not there.
    #[error("the model has no coefficient {number}; it has {coefficients}")]
    NoCoefficient { number: usize, coefficients: usize },
    /// The intercept, under permutation.
    #[error(
        "the model's column {column} is the same for every child, and permuting children leaves means as they are; \
         use the p of its t test"
    )]
    Constant { column: String },
    /// A column without which the model has no intercept, under permutation.
    #[error(
        "without its column {column} the model has neither an intercept nor columns that add up to one, so the \
         permuted residuals would not have a mean of 0 and family-wise p would say nothing about {column}; keep the \
         intercept in the formula, or use the p of the t test"
    )]
    NotCentred { column: String },
    /// A column that varies both between and within blocks of rows, under permutation.
    #[error(
        "the model's column {column} varies both between blocks of related rows (the rows of one child, or those that \
         --blocks puts together) and within them, so neither may be exchanged; give it in two parts in the formula, as \
         in between(age) + within(age), each of which can be permuted"
    )]
    BothWays { column: String },
    /// A column that varies both between and within participants of one larger block, under permutation.
    #[error(
        "the model's column {column} varies within a block both between its children and between the sessions of one \
         child: families of children with sessions have three levels, and there are no orders for that; stack one \
         session per child (--where session_id=…), or leave out --blocks, which takes children as independent of each \
         other"
    )]
    ThreeLevels { column: String },
    /// More permutations than can be held.
    #[error(
        "{count} permutations are too many: {most} already give a smallest p of 1 in {most}, and the largest |t| of \
         each is held in memory; ask for at most {most}"
    )]
    TooManyPermutations { count: usize, most: usize },
    /// Infinity among the edges.
    #[error("edge {edge} of child {child} (both from 0) is infinite; recompute that child's matrix")]
    Infinite { child: usize, edge: usize },
    /// A decomposition failed.
    #[error(transparent)]
    Linalg(#[from] LinalgError),
}

/// A design of full rank, factorised.
#[derive(Debug, Clone)]
pub struct Model {
    /// Children × coefficients, columns of unit norm.
    scaled: Array2<f64>,
    /// What they were divided by.
    norms: Array1<f64>,
    /// Roots of the children's weights; none where all are 1.
    roots: Option<Array1<f64>>,
    /// The block of each row; none where all rows are independent.
    blocks: Option<Vec<usize>>,
    /// Of all children.
    whole: Factors,
    names: Vec<String>,
}

/// The factors of a design on some children, without the columns that depend on others there.
#[derive(Debug, Clone)]
pub(super) struct Factors {
    /// Children × rank, orthonormal columns.
    pub q: Array2<f64>,
    /// Coefficients × rank: takes Qᵀy to β. Rows of coefficients that are not determined are 0.
    solve: Array2<f64>,
    /// √((XᵀX)⁻¹ⱼⱼ) of each coefficient.
    spread: Array1<f64>,
    determined: Vec<bool>,
    /// Where rows come in blocks.
    clusters: Option<Clusters>,
}

/// Fits of all edges; NaN where not available.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeFits {
    /// Name of each coefficient.
    pub names: Vec<String>,
    /// Coefficients × edges.
    pub coefficients: Array2<f64>,
    pub standard_errors: Array2<f64>,
    pub t: Array2<f64>,
    /// Two-sided.
    pub p: Array2<f64>,
    /// Degrees of freedom of t: the edge's, or fewer where rows come in blocks.
    pub t_dof: Array2<f64>,
    /// Children that each edge was fitted on; less than all where children lack it.
    pub children: Vec<usize>,
    /// Degrees of freedom of each edge, children − rank of the design on them; 0 where not available.
    pub dof: Vec<usize>,
    /// √(weighted residual sum of squares / dof) of each edge.
    pub residual_sd: Array1<f64>,
}

impl Model {
    /// Factorises a design of children × coefficients, with one name per coefficient.
    ///
    /// # Errors
    /// A value that is not finite, too few children, a column that does not vary beside another such, or columns that
    /// depend on one another within the rounding of tables ([`rank`]). The columns are named.
    ///
    /// # Panics
    /// When there is not one name per column.
    pub fn new(design: ArrayView2<'_, f64>, names: &[String]) -> Result<Self, EdgeTestError> {
        let (children, coefficients) = design.dim();
        assert_eq!(coefficients, names.len(), "one name per column of the design");
        require_finite("model", design)?;
        if coefficients == 0 {
            return Err(EdgeTestError::Empty);
        }
        let same = |column: usize| EdgeTestError::Same { column: names[column].clone(), value: design[[0, column]] };
        let constant = |column: usize| is_constant(design.column(column));
        // Checked before the number of children: with one column fewer, the children may be enough.
        let zero = |column: usize| design.column(column).iter().all(|v| *v == 0.0);
        let first = (0..coefficients).find(|&column| constant(column));
        let idle = (0..coefficients).find(|&c| zero(c) || (constant(c) && Some(c) != first));
        if let Some(column) = idle.filter(|_| children > 1) {
            return Err(same(column));
        }
        // Checked before the rank: with so few children, one column always depends on the others.
        if children <= coefficients {
            return Err(EdgeTestError::TooFewChildren { children, coefficients });
        }
        let norms = design.map_axis(Axis(0), norm);
        let scaled = &design / &norms;
        let rank = Rank::of(scaled.view());
        if let Some((column, given)) = rank.aside.first() {
            if constant(*column) {
                return Err(same(*column));
            }
            let others: Vec<&str> = given.iter().map(|&other| names[other].as_str()).collect();
            return Err(EdgeTestError::Dependent { column: names[*column].clone(), others: others.join(", ") });
        }
        let whole = Factors::of(scaled.view(), norms.view(), &rank)?;
        Ok(Self { scaled, norms, roots: None, blocks: None, whole, names: names.to_vec() })
    }

    /// The same, each child with its weight (one per child, above 0).
    ///
    /// # Errors
    /// As [`Model::new`]; columns may also depend on one another only once they are weighted.
    ///
    /// # Panics
    /// When there is not one name per column and one weight per child.
    pub fn weighted(design: ArrayView2<'_, f64>, names: &[String], weights: &[f64]) -> Result<Self, EdgeTestError> {
        // What is wrong with the design itself is told of it as it is.
        let plain = Self::new(design, names)?;
        assert_eq!(design.nrows(), weights.len(), "one weight per child");
        let roots = Array1::from_iter(weights.iter().map(|weight| weight.sqrt()));
        let whitened = &design * &roots.view().insert_axis(Axis(1));
        let norms = whitened.map_axis(Axis(0), norm);
        let scaled = &whitened / &norms;
        let rank = Rank::of(scaled.view());
        if let Some((column, given)) = rank.aside.first() {
            let others: Vec<&str> = given.iter().map(|&other| names[other].as_str()).collect();
            return Err(EdgeTestError::Dependent { column: names[*column].clone(), others: others.join(", ") });
        }
        let whole = Factors::of(scaled.view(), norms.view(), &rank)?;
        Ok(Self { scaled, norms, roots: Some(roots), whole, ..plain })
    }

    /// The same, with standard errors that respect blocks of related rows: see [`clusters`].
    ///
    /// # Errors
    /// A decomposition that failed.
    ///
    /// # Panics
    /// When there is not one block per row.
    pub fn in_blocks(mut self, blocks: &Blocks) -> Result<Self, EdgeTestError> {
        assert_eq!(blocks.rows(), self.children(), "one block per row");
        if !blocks.are_single() {
            self.whole.clusters = Some(Clusters::of(self.whole.q.view(), self.whole.solve.view(), blocks.of_rows())?);
            self.blocks = Some(blocks.of_rows().to_vec());
        }
        Ok(self)
    }

    /// An orthonormal basis of the design, children × coefficients; its last column is the design's last made
    /// orthogonal to the others, of either sign.
    pub(super) fn into_basis(self) -> Array2<f64> {
        self.whole.q
    }

    /// Number of children.
    #[must_use]
    pub fn children(&self) -> usize {
        self.scaled.nrows()
    }

    /// Number of coefficients.
    #[must_use]
    pub fn coefficients(&self) -> usize {
        self.scaled.ncols()
    }

    /// Their names.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.names
    }

    /// Fits every column of `data` (children × edges, single or double precision; NaN where a child lacks an edge), in
    /// parallel over blocks of edges on rayon's current pool.
    ///
    /// # Errors
    /// A number of children other than the design's, or an infinite value.
    pub fn fit<T: EdgeValue>(&self, data: ArrayView2<'_, T>) -> Result<EdgeFits, EdgeTestError> {
        let (children, edges) = data.dim();
        if children != self.children() {
            return Err(EdgeTestError::Children { design: self.children(), data: children });
        }
        let width = block_columns(children);
        let starts: Vec<usize> = (0..edges).step_by(width).collect();
        let blocks = starts
            .par_iter()
            .map(|&start| {
                let mut block = columns_as_f64(data, start, (start + width).min(edges));
                require_not_infinite(block.view(), &(start..start + block.ncols()).collect::<Vec<_>>())?;
                if let Some(roots) = &self.roots {
                    block *= &roots.view().insert_axis(Axis(1));
                }
                self.fit_block(&block)
            })
            .collect::<Result<Vec<_>, EdgeTestError>>()?;
        let mut out = self.empty(edges);
        for (&start, block) in starts.iter().zip(&blocks) {
            let columns: Vec<usize> = (start..start + block.children.len()).collect();
            out.put(&columns, block);
        }
        Ok(out)
    }

    /// Fits some columns, those with missing values by pattern.
    fn fit_block(&self, block: &Array2<f64>) -> Result<EdgeFits, EdgeTestError> {
        let mut whole = Vec::new();
        let mut patterns: BTreeMap<Vec<usize>, Vec<usize>> = BTreeMap::new();
        for (edge, column) in block.axis_iter(Axis(1)).enumerate() {
            if column.iter().any(|v| v.is_nan()) {
                let present = (0..column.len()).filter(|&i| !column[i].is_nan()).collect();
                patterns.entry(present).or_default().push(edge);
            } else {
                whole.push(edge);
            }
        }
        if patterns.is_empty() {
            return Ok(self.fit_complete(&self.whole, block.view()));
        }
        let mut out = self.empty(block.ncols());
        if !whole.is_empty() {
            out.put(&whole, &self.fit_complete(&self.whole, block.select(Axis(1), &whole).view()));
        }
        for (present, edges) in &patterns {
            edges.iter().for_each(|&edge| out.children[edge] = present.len());
            let Some(part) = self.of_children(present)? else { continue };
            let data = block.select(Axis(0), present).select(Axis(1), edges);
            out.put(edges, &self.fit_complete(&part, data.view()));
        }
        Ok(out)
    }

    /// The same model on some of the children; none where no degree of freedom is left.
    fn of_children(&self, present: &[usize]) -> Result<Option<Factors>, EdgeTestError> {
        let mut scaled = self.scaled.select(Axis(0), present);
        let own = scaled.map_axis(Axis(0), |column| match norm(column) {
            0.0 => 1.0,
            norm => norm,
        });
        scaled /= &own;
        let rank = Rank::of(scaled.view());
        if rank.used.is_empty() || present.len() <= rank.used.len() {
            return Ok(None);
        }
        let mut factors = Factors::of(scaled.view(), (&self.norms * &own).view(), &rank)?;
        if let Some(blocks) = &self.blocks {
            let blocks: Vec<usize> = present.iter().map(|&row| blocks[row]).collect();
            factors.clusters = Some(Clusters::of(factors.q.view(), factors.solve.view(), &blocks)?);
        }
        Ok(Some(factors))
    }

    fn fit_complete(&self, factors: &Factors, y: ArrayView2<'_, f64>) -> EdgeFits {
        let (children, rank) = factors.q.dim();
        let along = factors.q.t().dot(&y);
        let residuals = &y - &factors.q.dot(&along);
        let dof = children - rank;
        let mut out = self.empty(y.ncols());
        out.children.fill(children);
        out.dof.fill(dof);
        let determined: Vec<usize> = (0..self.coefficients()).filter(|&j| factors.determined[j]).collect();
        let coefficients = factors.solve.dot(&along);
        let mut in_blocks = BTreeMap::new();
        for &j in &determined {
            out.coefficients.row_mut(j).assign(&coefficients.row(j));
            if let Some(clusters) = &factors.clusters {
                in_blocks.insert(j, (clusters.standard_errors(residuals.view(), j), clusters.dof[j]));
            }
        }
        for edge in 0..y.ncols() {
            let left = residuals.column(edge).fold(0.0, |sum, e| sum + e * e);
            let total = y.column(edge).fold(0.0, |sum, v| sum + v * v);
            out.residual_sd[edge] = (left / dof as f64).sqrt();
            if left <= PERFECT * total {
                continue;
            }
            for &j in &determined {
                let (se, dof) = match in_blocks.get(&j) {
                    Some((_, dof)) if dof.is_nan() => continue,
                    Some((errors, dof)) => (errors[edge], *dof),
                    None => (out.residual_sd[edge] * factors.spread[j], dof as f64),
                };
                let t = out.coefficients[[j, edge]] / se;
                out.t_dof[[j, edge]] = dof;
                out.standard_errors[[j, edge]] = se;
                out.t[[j, edge]] = t;
                out.p[[j, edge]] = tails::t_two_sided(t, dof);
            }
        }
        out
    }

    fn empty(&self, edges: usize) -> EdgeFits {
        EdgeFits::none(&self.names, edges)
    }
}

impl Factors {
    /// For columns of unit norm that were divided by `norms`; at least one of them is used.
    fn of(scaled: ArrayView2<'_, f64>, norms: ArrayView1<'_, f64>, rank: &Rank) -> Result<Self, EdgeTestError> {
        let used = scaled.select(Axis(1), &rank.used);
        let (q, r) = used.qr().map_err(|e| lapack_error("QR factorisation of the model", used.dim(), &e))?;
        let inverse = invert_upper(r.view());
        let determined: Vec<bool> = (0..scaled.ncols()).map(|column| rank.determines(column)).collect();
        let mut solve = Array2::zeros((scaled.ncols(), rank.used.len()));
        for (place, &column) in rank.used.iter().enumerate().filter(|(_, column)| determined[**column]) {
            solve.row_mut(column).assign(&(&inverse.row(place) / norms[column]));
        }
        let spread = solve.map_axis(Axis(1), norm);
        // Row-major, so that products with blocks of children × edges run along memory.
        Ok(Self { q: q.as_standard_layout().to_owned(), solve, spread, determined, clusters: None })
    }
}

impl EdgeFits {
    /// No fit of so many edges.
    #[must_use]
    pub fn none(names: &[String], edges: usize) -> Self {
        let nothing = Array2::from_elem((names.len(), edges), f64::NAN);
        Self {
            names: names.to_vec(),
            coefficients: nothing.clone(),
            standard_errors: nothing.clone(),
            t: nothing.clone(),
            p: nothing.clone(),
            t_dof: nothing,
            children: vec![0; edges],
            dof: vec![0; edges],
            residual_sd: Array1::from_elem(edges, f64::NAN),
        }
    }

    /// Puts the fits of some edges at their places.
    pub(super) fn put(&mut self, columns: &[usize], part: &Self) {
        for (from, &to) in columns.iter().enumerate() {
            for (whole, part) in [
                (&mut self.coefficients, &part.coefficients),
                (&mut self.standard_errors, &part.standard_errors),
                (&mut self.t, &part.t),
                (&mut self.p, &part.p),
                (&mut self.t_dof, &part.t_dof),
            ] {
                whole.column_mut(to).assign(&part.column(from));
            }
            self.children[to] = part.children[from];
            self.dof[to] = part.dof[from];
            self.residual_sd[to] = part.residual_sd[from];
        }
    }
}

/// Refuses infinity with its place; `edges` are the numbers of the block's edges.
pub(super) fn require_not_infinite(block: ArrayView2<'_, f64>, edges: &[usize]) -> Result<(), EdgeTestError> {
    match block.indexed_iter().find(|(_, v)| v.is_infinite()) {
        Some(((child, edge), _)) => Err(EdgeTestError::Infinite { child, edge: edges[edge] }),
        None => Ok(()),
    }
}

/// Whether a column does not vary apart from the rounding of tables.
fn is_constant(column: ArrayView1<'_, f64>) -> bool {
    let (low, high) = column.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &v| (low.min(v), high.max(v)));
    high - low <= rank::TOLERANCE * low.abs().max(high.abs())
}

#[cfg(test)]
mod tests;
