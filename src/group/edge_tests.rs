//! Ordinary least squares an edge: coefficients, standard errors, t, two-sided p.
//!
//! y = Xβ + ε, children × edges on children × coefficients. The design's columns are scaled to unit norm and factorised
//! once, X = QR by Householder reflections (LAPACK); then β = R⁻¹Qᵀy, residuals y − QQᵀy formed as such, s² = Σ e²/(n − p),
//! se(βⱼ) = s √((XᵀX)⁻¹ⱼⱼ), t = β/se with n − p degrees of freedom. Golub & Van Loan 2013, Matrix Computations, 4th ed.,
//! §5.3; the normal equations are never formed. Products over all edges are matrix products.
//!
//! An edge that some children lack is fitted on the children who have it (complete cases), with its own n and degrees of
//! freedom; edges that the same children lack share a factorisation. Where those children do not determine the
//! coefficients (too few, or a column that no longer varies) the edge is not available. Leaving children out is sound
//! when the lack has nothing to do with the edge's value; a table of who lacks what belongs beside the result.

use std::collections::BTreeMap;

use ndarray::{Array1, Array2, ArrayView1, ArrayView2, Axis, s};
use ndarray_linalg::QR;
use rayon::prelude::*;

use super::{block_columns, columns_as_f64, tails};
use crate::linalg::{LeastSquares, LinalgError, lapack_error, require_finite};

/// A residual sum of squares of at most this share of the total is what rounding leaves (some 1e-30; own convention): the
/// fit is perfect, as of an edge that is the same in all children, and a test of its coefficients means nothing.
pub(super) const PERFECT: f64 = 1e-26;

/// What can be wrong with a test.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum EdgeTestError {
    /// A column of the design that the others give.
    #[error(
        "the model's column {column} follows from its columns {others}, so their coefficients cannot be told apart; leave \
         one of them out of the formula"
    )]
    Dependent { column: String, others: String },
    /// A column of zeros.
    #[error("the model's column {column} is 0 for every child; leave it out of the formula")]
    Zero { column: String },
    /// No column at all.
    #[error("the model has no coefficient; give it at least an intercept")]
    Empty,
    /// Not more children than coefficients.
    #[error(
        "the model has {coefficients} coefficients but only {children} children, and needs at least one child more than \
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
        "the model's column {column} is the same for every child, and permuting children leaves means as they are; read its \
         p from the t test"
    )]
    Constant { column: String },
    /// Permutations that are none.
    #[error("row {row} of the permutations does not hold each of the {children} children once; draw them anew")]
    NotAPermutation { row: usize, children: usize },
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
    /// Children × coefficients, orthonormal columns.
    pub(super) q: Array2<f64>,
    /// Takes Qᵀy to β: D⁻¹R⁻¹, with D the columns' norms.
    solve: Array2<f64>,
    /// √((XᵀX)⁻¹ⱼⱼ).
    spread: Array1<f64>,
    names: Vec<String>,
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
    /// Children that each edge was fitted on; less than all where children lack it.
    pub children: Vec<usize>,
    /// Degrees of freedom of each edge, children − coefficients; 0 where not available.
    pub dof: Vec<usize>,
    /// √(residual sum of squares / dof) of each edge.
    pub residual_sd: Array1<f64>,
}

impl Model {
    /// Factorises a design of children × coefficients, one name a coefficient.
    ///
    /// # Errors
    /// A value that is not finite, too few children, or columns that depend on one another: at most 1e-10 of the column,
    /// scaled to unit norm, lies outside those before it ([`crate::linalg::RANK_TOLERANCE`]). The columns are named.
    ///
    /// # Panics
    /// When there is not one name a column.
    pub fn new(design: ArrayView2<'_, f64>, names: &[String]) -> Result<Self, EdgeTestError> {
        let (children, coefficients) = design.dim();
        assert_eq!(coefficients, names.len(), "one name a column of the design");
        require_finite("model", design)?;
        if coefficients == 0 {
            return Err(EdgeTestError::Empty);
        }
        let norms = design.map_axis(Axis(0), norm);
        if let Some(zero) = norms.iter().position(|&n| n == 0.0) {
            return Err(EdgeTestError::Zero { column: names[zero].clone() });
        }
        let scaled = &design / &norms;
        // Before the number of children: with as few, one column always depends on the others.
        if children <= coefficients {
            return Err(EdgeTestError::TooFewChildren { children, coefficients });
        }
        if LeastSquares::new(scaled.view())?.rank() < coefficients {
            return Err(dependent(scaled.view(), names));
        }
        let (q, r) = scaled.qr().map_err(|e| lapack_error("QR factorisation of the model", scaled.dim(), &e))?;
        let inverse = invert_upper(r.view());
        let solve = &inverse / &norms.insert_axis(Axis(1));
        let spread = solve.map_axis(Axis(1), norm);
        // Row-major, so that products with blocks of children × edges run along memory.
        Ok(Self { q: q.as_standard_layout().to_owned(), solve, spread, names: names.to_vec() })
    }

    /// Number of children.
    #[must_use]
    pub fn children(&self) -> usize {
        self.q.nrows()
    }

    /// Number of coefficients.
    #[must_use]
    pub fn coefficients(&self) -> usize {
        self.q.ncols()
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
    /// Another number of children than the design's, or an infinite value.
    pub fn fit<T>(&self, data: ArrayView2<'_, T>) -> Result<EdgeFits, EdgeTestError>
    where
        T: Copy + Into<f64> + Send + Sync,
    {
        let (children, edges) = data.dim();
        if children != self.children() {
            return Err(EdgeTestError::Children { design: self.children(), data: children });
        }
        let width = block_columns(children);
        let starts: Vec<usize> = (0..edges).step_by(width).collect();
        let blocks = starts
            .par_iter()
            .map(|&start| {
                let block = columns_as_f64(data, start, (start + width).min(edges));
                require_not_infinite(block.view(), start)?;
                Ok(self.fit_block(&block))
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
    fn fit_block(&self, block: &Array2<f64>) -> EdgeFits {
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
            return self.fit_complete(block.view());
        }
        let mut out = self.empty(block.ncols());
        if !whole.is_empty() {
            out.put(&whole, &self.fit_complete(block.select(Axis(1), &whole).view()));
        }
        for (present, edges) in &patterns {
            edges.iter().for_each(|&edge| out.children[edge] = present.len());
            let Some(part) = self.of_children(present) else { continue };
            let data = block.select(Axis(0), present).select(Axis(1), edges);
            out.put(edges, &part.fit_complete(data.view()));
        }
        out
    }

    /// The same model on some of the children; none where they do not determine it. The orthonormal columns stand for the
    /// design, which they span: their factors are taken on these children, and the coefficients taken back.
    fn of_children(&self, present: &[usize]) -> Option<Self> {
        let part = Self::new(self.q.select(Axis(0), present).view(), &self.names).ok()?;
        let solve = self.solve.dot(&part.solve);
        let spread = solve.map_axis(Axis(1), norm);
        Some(Self { solve, spread, ..part })
    }

    fn fit_complete(&self, y: ArrayView2<'_, f64>) -> EdgeFits {
        let (children, coefficients) = self.q.dim();
        let along = self.q.t().dot(&y);
        let residuals = &y - &self.q.dot(&along);
        let dof = children - coefficients;
        let mut out = self.empty(y.ncols());
        out.children.fill(children);
        out.dof.fill(dof);
        out.coefficients = self.solve.dot(&along);
        for edge in 0..y.ncols() {
            let left = residuals.column(edge).fold(0.0, |sum, e| sum + e * e);
            let total = y.column(edge).fold(0.0, |sum, v| sum + v * v);
            out.residual_sd[edge] = (left / dof as f64).sqrt();
            if left <= PERFECT * total {
                continue;
            }
            for j in 0..coefficients {
                let se = out.residual_sd[edge] * self.spread[j];
                let t = out.coefficients[[j, edge]] / se;
                out.standard_errors[[j, edge]] = se;
                out.t[[j, edge]] = t;
                out.p[[j, edge]] = tails::t_two_sided(t, dof as f64);
            }
        }
        out
    }

    fn empty(&self, edges: usize) -> EdgeFits {
        let nothing = Array2::from_elem((self.coefficients(), edges), f64::NAN);
        EdgeFits {
            names: self.names.clone(),
            coefficients: nothing.clone(),
            standard_errors: nothing.clone(),
            t: nothing.clone(),
            p: nothing,
            children: vec![0; edges],
            dof: vec![0; edges],
            residual_sd: Array1::from_elem(edges, f64::NAN),
        }
    }
}

impl EdgeFits {
    /// Puts the fits of some edges at their places.
    fn put(&mut self, columns: &[usize], part: &Self) {
        for (from, &to) in columns.iter().enumerate() {
            for (whole, part) in [
                (&mut self.coefficients, &part.coefficients),
                (&mut self.standard_errors, &part.standard_errors),
                (&mut self.t, &part.t),
                (&mut self.p, &part.p),
            ] {
                whole.column_mut(to).assign(&part.column(from));
            }
            self.children[to] = part.children[from];
            self.dof[to] = part.dof[from];
            self.residual_sd[to] = part.residual_sd[from];
        }
    }
}

/// Refuses infinity with its place; `first` is the number of the block's first edge.
pub(super) fn require_not_infinite(block: ArrayView2<'_, f64>, first: usize) -> Result<(), EdgeTestError> {
    match block.indexed_iter().find(|(_, v)| v.is_infinite()) {
        Some(((child, edge), _)) => Err(EdgeTestError::Infinite { child, edge: first + edge }),
        None => Ok(()),
    }
}

/// Euclidean norm, scaled so that squares neither overflow nor vanish.
fn norm(v: ArrayView1<'_, f64>) -> f64 {
    let largest = v.fold(0.0_f64, |m, x| m.max(x.abs()));
    if largest == 0.0 { 0.0 } else { largest * v.fold(0.0, |sum, x| sum + (x / largest).powi(2)).sqrt() }
}

/// Inverse of an upper triangle, by back-substitution; the caller knows that its diagonal is not 0.
fn invert_upper(r: ArrayView2<'_, f64>) -> Array2<f64> {
    let n = r.nrows();
    let mut inverse = Array2::zeros((n, n));
    for column in 0..n {
        for row in (0..=column).rev() {
            let unit = if row == column { 1.0 } else { 0.0 };
            let below = r.slice(s![row, row + 1..]).dot(&inverse.slice(s![row + 1.., column]));
            inverse[[row, column]] = (unit - below) / r[[row, row]];
        }
    }
    inverse
}

/// Names the first dependent column and those that give it: the others with a coefficient above 1e-6 of the largest
/// (scaled columns; own convention) in its regression on the columns before it.
fn dependent(scaled: ArrayView2<'_, f64>, names: &[String]) -> EdgeTestError {
    let rank = |columns: usize| LeastSquares::new(scaled.slice(s![.., ..columns])).map_or(columns, |fit| fit.rank());
    let column = (1..names.len()).find(|&column| rank(column + 1) == rank(column)).unwrap_or(names.len() - 1);
    let given = LeastSquares::new(scaled.slice(s![.., ..column]))
        .and_then(|fit| fit.coefficients(scaled.slice(s![.., column..=column])))
        .unwrap_or_else(|_| Array2::zeros((column, 1)));
    let largest = given.iter().fold(0.0_f64, |m, b| m.max(b.abs()));
    let others: Vec<&str> =
        (0..column).filter(|&j| given[[j, 0]].abs() > 1e-6 * largest).map(|j| names[j].as_str()).collect();
    EdgeTestError::Dependent { column: names[column].clone(), others: others.join(", ") }
}

#[cfg(test)]
mod tests;
