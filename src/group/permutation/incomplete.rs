//! Edges that some children lack, in the family of all edges.
//!
//! Such an edge is fitted on the children who have it, and permuted among them ([`Exchange::among`]): every permutation
//! of all children gives one of these. Edges of a class that the same children lack share the fit and the permutations,
//! so that what is done to them is a product of matrices again. At worst every edge lacks children of its own; each
//! then costs about as much as a block of edges that all have. An edge that fewer than
//! [`least_children`](crate::group::least_children) have is outside the family, and so is one whose children do not
//! determine what is tested.
//!
//! **One scale.** An edge with fewer degrees of freedom has large |t| more often by chance, and would take over the
//! largest of all. With r² = kF/(kF + ν) (k = 1, F = t²: one column), −(ν + k/2 − 1) ln(1 − r²) is nearly χ² with k
//! degrees of freedom whatever ν is (Bartlett 1938, Math Proc Camb Phil Soc 34:33; from memory). So an edge with ν
//! degrees of freedom is compared as the F, or |t|, that gives the same with the degrees of freedom that all children
//! leave. p holds whatever the scale, since the same is done to an edge's own value and to its permuted ones; the scale
//! only shares the error out evenly between edges.
//!
//! **The intercept.** Where the other columns hold a constant, they do so on any children. Where they do not, and the
//! tested column only happens to sum to 0 over all children, it does not over some: such edges are outside the family.

use std::collections::BTreeMap;
use std::ops::Range;

use ndarray::{ArrayView2, Axis};

use super::products::{Whitened, largest_statistic, t_of_r};
use crate::group::edge_tests::{EdgeTestError, ROUNDING, basis_in_part};
use crate::group::exchange::{Among, Exchange};
use crate::group::least_children::least_children;
use crate::group::weights::WeightedEdges;
use crate::group::{EdgeValue, block_columns};

/// Permutations whose orders are held at once (own convention; a multiple of what goes into one product).
const ORDERS: usize = 192;

/// Edges of one class that the same children lack.
pub(super) struct Incomplete<'a> {
    weights: &'a [f64],
    edges: Vec<usize>,
    absent: Vec<u32>,
}

/// What all of them share.
pub(super) struct Shared<'a, T> {
    pub design: ArrayView2<'a, f64>,
    pub tested: &'a [usize],
    pub data: ArrayView2<'a, T>,
    pub exchange: &'a Exchange,
}

/// The edges that some children lack and enough have, in parts that are worked on at once.
pub(super) fn parts<'a, T: EdgeValue>(
    shared: &Shared<'_, T>,
    classes: &'a [WeightedEdges],
) -> Result<Vec<Incomplete<'a>>, EdgeTestError> {
    let (children, edges) = shared.data.dim();
    let mut absent: Vec<Vec<u32>> = vec![Vec::new(); edges];
    for (child, row) in shared.data.rows().into_iter().enumerate() {
        let lacks = |value: &T| -> bool { Into::<f64>::into(*value).is_nan() };
        row.iter().zip(&mut absent).filter(|(value, _)| lacks(value)).for_each(|(_, of)| of.push(child as u32));
    }
    if absent.iter().all(Vec::is_empty) || !others_hold_a_constant(shared)? {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    for class in classes {
        let mut patterns: BTreeMap<&[u32], Vec<usize>> = BTreeMap::new();
        let in_part = |edge: usize| {
            let lacking = absent[edge].len();
            lacking > 0 && children - lacking >= least_children(children)
        };
        for &edge in class.edges.iter().filter(|&&edge| in_part(edge)) {
            patterns.entry(&absent[edge]).or_default().push(edge);
        }
        for (absent, edges) in patterns {
            for edges in edges.chunks(block_columns(children)) {
                let (edges, absent) = (edges.to_vec(), absent.to_vec());
                found.push(Incomplete { weights: &class.weights, edges, absent });
            }
        }
    }
    Ok(found)
}

/// Whether a constant lies in the span of the columns that are not tested.
fn others_hold_a_constant<T>(shared: &Shared<'_, T>) -> Result<bool, EdgeTestError> {
    let others: Vec<usize> = (0..shared.design.ncols()).filter(|column| !shared.tested.contains(column)).collect();
    let Some(q) = basis_in_part(shared.design.select(Axis(1), &others).view(), 0)? else { return Ok(false) };
    let along = q.sum_axis(Axis(0));
    let left = q.dot(&along).mapv(|fitted| (1.0 - fitted).powi(2)).sum().sqrt();
    Ok(left <= ROUNDING * (q.nrows() as f64).sqrt())
}

impl Incomplete<'_> {
    pub(super) fn edges(&self) -> &[usize] {
        &self.edges
    }

    /// Whether those who have the edges can be exchanged.
    pub(super) fn are_exchanged<T>(&self, shared: &Shared<'_, T>) -> bool {
        shared.exchange.among(&self.absent).is_some()
    }

    /// The edges' own t (or F), as they are and on the scale of edges that all have; none where the children who have
    /// them cannot be exchanged or do not determine what is tested.
    pub(super) fn observed<T: EdgeValue>(
        &self,
        shared: &Shared<'_, T>,
    ) -> Result<Option<Vec<(f64, f64)>>, EdgeTestError> {
        let Some(among) = shared.exchange.among(&self.absent) else { return Ok(None) };
        let Some(model) = self.model(shared, &among)? else { return Ok(None) };
        let (_, statistics) = model.residuals(shared.data, &self.all());
        let scale = Scale::of(shared, &model);
        Ok(Some(statistics.into_iter().map(|own| (own, scale.as_of_all(own))).collect()))
    }

    /// The largest |t| (or F) of each permutation, on the scale of edges that all have; 0 where there is none.
    pub(super) fn maxima<T: EdgeValue>(
        &self,
        shared: &Shared<'_, T>,
        drawn: ArrayView2<'_, u32>,
    ) -> Result<Vec<f64>, EdgeTestError> {
        let mut maxima = Vec::with_capacity(drawn.nrows());
        self.permuted(shared, drawn, |r, dof, scale| maxima.push(scale.as_of_all(largest_statistic(r, dof))))?;
        maxima.resize(drawn.nrows(), 0.0);
        Ok(maxima)
    }

    /// For each permutation, the edges whose |t| is above a limit on the scale of edges that all have, with their t.
    pub(super) fn above<T: EdgeValue>(
        &self,
        shared: &Shared<'_, T>,
        drawn: ArrayView2<'_, u32>,
        limit: f64,
    ) -> Result<Vec<Vec<(usize, f64)>>, EdgeTestError> {
        let mut found = Vec::with_capacity(drawn.nrows());
        self.permuted(shared, drawn, |r, dof, scale| {
            let t = r.iter().map(|&r| scale.as_of_all(t_of_r(r, dof)));
            let over = self.edges.iter().zip(t).filter(|(_, t)| t.abs() > limit);
            found.push(over.map(|(&edge, t)| (edge, t)).collect());
        })?;
        found.resize(drawn.nrows(), Vec::new());
        Ok(found)
    }

    /// r of each permutation in turn, tested columns × edges, with the degrees of freedom; nothing where the children
    /// who have the edges cannot be exchanged or do not determine what is tested.
    fn permuted<T: EdgeValue>(
        &self,
        shared: &Shared<'_, T>,
        drawn: ArrayView2<'_, u32>,
        mut take: impl FnMut(ArrayView2<'_, f64>, f64, &Scale),
    ) -> Result<(), EdgeTestError> {
        let Some(among) = shared.exchange.among(&self.absent) else { return Ok(()) };
        let Some(model) = self.model(shared, &among)? else { return Ok(()) };
        let (e, _) = model.residuals(shared.data, &self.all());
        let scale = Scale::of(shared, &model);
        for some in drawn.axis_chunks_iter(Axis(0), ORDERS) {
            model.permuted(&e, among.orders(some).view(), |r, dof| take(r, dof, &scale));
        }
        Ok(())
    }

    fn all(&self) -> Range<usize> {
        0..self.edges.len()
    }

    fn model<'s, T>(&'s self, shared: &Shared<'_, T>, among: &'s Among) -> Result<Option<Whitened<'s>>, EdgeTestError> {
        Whitened::in_part(shared.design, shared.tested, self.weights, &self.edges, among.rows())
    }
}

/// From the scale of an edge that some lack to that of one that all have.
struct Scale {
    /// How many columns are tested together.
    tested: f64,
    own: f64,
    all: f64,
}

impl Scale {
    fn of<T>(shared: &Shared<'_, T>, model: &Whitened<'_>) -> Self {
        let all = shared.design.nrows() - shared.design.ncols();
        Self { tested: shared.tested.len() as f64, own: model.dof(), all: all as f64 }
    }

    /// t or F as with the degrees of freedom of all children.
    fn as_of_all(&self, statistic: f64) -> f64 {
        let Self { tested, own, all } = *self;
        let factor = |dof: f64| dof + tested / 2.0 - 1.0;
        // 1/(1 − r²) = 1 + kF/ν.
        let square = if tested > 1.0 { statistic } else { statistic * statistic };
        let ratio = factor(own) / factor(all);
        let square = (ratio * (tested * square / own).ln_1p()).exp_m1() * all / tested;
        if tested > 1.0 { square } else { square.sqrt().copysign(statistic) }
    }
}

#[cfg(test)]
mod tests;
