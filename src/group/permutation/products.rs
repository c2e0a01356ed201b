//! What a permutation needs, as products of matrices: the whitened model of some edges, their residuals, and the tested
//! columns under each permutation. The formulas are in [`super`].

use std::ops::Range;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayView1, ArrayView2, ArrayViewMut2, Axis, s};

use crate::group::EdgeValue;
use crate::group::edge_tests::{EdgeTestError, Model, PERFECT, basis_in_part};
use crate::group::weights::WeightedEdges;

/// Permutations in one product: enough to keep the product busy, few enough for the caches (own convention).
const PRODUCT_ROWS: usize = 192;

/// A permuted column of norm 1 of which no more than this is left lies in Z (own convention; rounding leaves some
/// 1e-16).
const NOTHING_LEFT: f64 = 1e-8;

/// A class of edges with the whitened model.
pub(super) struct Whitened<'a> {
    pub edges: &'a [usize],
    /// The children it is of; none: all.
    rows: Option<&'a [usize]>,
    /// Roots of their weights.
    roots: Array1<f64>,
    /// [Q_Z u] of the whitened design.
    q: Array2<f64>,
    /// How many columns of it are tested.
    tested: usize,
}

impl<'a> Whitened<'a> {
    pub(super) fn new(
        design: ArrayView2<'_, f64>,
        names: &[String],
        tested: &[usize],
        class: &'a WeightedEdges,
    ) -> Result<Self, EdgeTestError> {
        let roots = Array1::from_iter(class.weights.iter().map(|weight| weight.sqrt()));
        let q = basis(design, names, tested, &class.weights)?;
        Ok(Self { edges: &class.edges, rows: None, roots, q, tested: tested.len() })
    }

    /// The same of some edges and children alone; none where these do not determine the tested coefficients, or leave
    /// no degree of freedom.
    pub(super) fn in_part(
        design: ArrayView2<'_, f64>,
        tested: &[usize],
        weights: &[f64],
        edges: &'a [usize],
        rows: &'a [usize],
    ) -> Result<Option<Self>, EdgeTestError> {
        let roots = Array1::from_iter(rows.iter().map(|&row| weights[row].sqrt()));
        let order = tested_last(design.ncols(), tested);
        let whitened =
            Array2::from_shape_fn((rows.len(), order.len()), |(i, j)| roots[i] * design[[rows[i], order[j]]]);
        let Some(mut q) = basis_in_part(whitened.view(), tested.len())? else { return Ok(None) };
        if tested.len() == 1 {
            point_along(&mut q, whitened.column(order.len() - 1));
        }
        Ok(Some(Self { edges, rows: Some(rows), roots, q, tested: tested.len() }))
    }

    /// n − p.
    pub(super) fn dof(&self) -> f64 {
        (self.q.nrows() - self.q.ncols()) as f64
    }

    /// Residuals of the nuisance model, scaled to norm 1, and t of the tested column, or F of the tested columns, of
    /// some edges. An edge that a child lacks, or that the whole model fits perfectly, gets residuals of 0 and NaN.
    pub(super) fn residuals<T: EdgeValue>(
        &self,
        data: ArrayView2<'_, T>,
        places: &Range<usize>,
    ) -> (Array2<f64>, Vec<f64>) {
        self.residuals_of(self.block(data, places.clone()))
    }

    /// Whitened values of some edges, children × edges.
    pub(super) fn block<T: EdgeValue>(&self, data: ArrayView2<'_, T>, places: Range<usize>) -> Array2<f64> {
        let edges = &self.edges[places];
        Array2::from_shape_fn((self.roots.len(), edges.len()), |(row, k)| {
            let child = self.rows.map_or(row, |rows| rows[row]);
            let value: f64 = data[[child, edges[k]]].into();
            self.roots[row] * value
        })
    }
}

/// The largest |t| (or F) over a block of edges under each permutation; `e` is residuals of norm 1, or 0.
pub(super) fn block_maxima(class: &Whitened<'_>, e: &Array2<f64>, permutations: ArrayView2<'_, u32>) -> Vec<f64> {
    let mut maxima = Vec::with_capacity(permutations.nrows());
    class.permuted(e, permutations, |r, dof| maxima.push(largest_statistic(r, dof)));
    maxima
}

impl Whitened<'_> {
    /// r = Vᵀe of each permutation in turn, tested columns × edges, with the degrees of freedom.
    pub(super) fn permuted(
        &self,
        e: &Array2<f64>,
        permutations: ArrayView2<'_, u32>,
        mut take: impl FnMut(ArrayView2<'_, f64>, f64),
    ) {
        let dof = self.dof();
        let at_once = (PRODUCT_ROWS / self.tested).max(1);
        let mut along = Array2::zeros((at_once * self.tested, e.ncols()));
        for some in permutations.axis_chunks_iter(Axis(0), at_once) {
            let mut along = along.slice_mut(s![..some.nrows() * self.tested, ..]);
            general_mat_mul(1.0, &permuted_columns(&self.q, self.tested, some), e, 0.0, &mut along);
            along.axis_chunks_iter(Axis(0), self.tested).for_each(|r| take(r, dof));
        }
    }

    /// [`Self::residuals`] from whitened values.
    pub(super) fn residuals_of(&self, mut y: Array2<f64>) -> (Array2<f64>, Vec<f64>) {
        let (q, tested) = (&self.q, self.tested);
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
pub(super) fn t_of_r(r: f64, dof: f64) -> f64 {
    r / ((1.0 - r * r).max(f64::MIN_POSITIVE) / dof).sqrt()
}

/// The largest |t|, or F where several columns are tested, over the edges of one permutation. Edges outside the family
/// have residuals of 0, and so r = 0.
pub(super) fn largest_statistic(r: ArrayView2<'_, f64>, dof: f64) -> f64 {
    if r.nrows() == 1 {
        return t_of_r(r.fold(0.0_f64, |largest, r| largest.max(r.abs())), dof);
    }
    let explained = r.columns().into_iter().map(|column| column.dot(&column)).fold(0.0_f64, f64::max);
    explained / r.nrows() as f64 / ((1.0 - explained).max(f64::MIN_POSITIVE) / dof)
}

/// Q = [Q_Z u] of the whitened design, of columns that can be tested.
pub(super) fn basis(
    design: ArrayView2<'_, f64>,
    names: &[String],
    tested: &[usize],
    weights: &[f64],
) -> Result<Array2<f64>, EdgeTestError> {
    let coefficients = design.ncols();
    // With the tested columns last, QR makes them orthogonal to the others by itself.
    let order = tested_last(coefficients, tested);
    let ordered: Vec<String> = order.iter().map(|&j| names[j].clone()).collect();
    let mut q = Model::weighted(design.select(Axis(1), &order).view(), &ordered, weights)?.into_basis();
    if let [tested] = tested {
        let column: Array1<f64> = design.column(*tested).iter().zip(weights).map(|(x, w)| x * w.sqrt()).collect();
        point_along(&mut q, column.view());
    }
    Ok(q)
}

fn tested_last(coefficients: usize, tested: &[usize]) -> Vec<usize> {
    (0..coefficients).filter(|column| !tested.contains(column)).chain(tested.iter().copied()).collect()
}

/// QR leaves the last column's sign open; t has the sign of the whitened column itself.
fn point_along(q: &mut Array2<f64>, column: ArrayView1<'_, f64>) {
    let last = q.ncols() - 1;
    let mut u = q.column_mut(last);
    if u.dot(&column) < 0.0 {
        u.mapv_inplace(|v| -v);
    }
}
