//! Models whose edges come in classes with weights of their own.

use ndarray::{ArrayView2, Axis};

use super::{EdgeFits, EdgeTestError, Model};
use crate::group::EdgeValue;
use crate::group::exchange::Blocks;
use crate::group::weights::{Scatter, WeightedEdges};

/// Edges of a class that are copied and fitted at once (own convention: what a fit holds in blocks anyway).
const AT_ONCE: usize = 4096;

/// Fits a design (children × coefficients, one name per column) to every edge of `data` (children × edges; NaN where a
/// child lacks an edge), each with the weights of its class.
///
/// # Errors
/// As [`Model::weighted`] and [`Model::fit`].
///
/// # Panics
/// When a class does not have one weight per child.
pub fn fit_weighted<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
) -> Result<EdgeFits, EdgeTestError> {
    fit_in_blocks(design, names, data, classes, &Blocks::single(design.nrows()))
}

/// The same, with standard errors that respect blocks of related rows ([`Model::in_blocks`]).
///
/// # Errors
/// As [`fit_weighted`].
///
/// # Panics
/// When there is not one weight of each class, and one block, per row.
pub fn fit_in_blocks<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    blocks: &Blocks,
) -> Result<EdgeFits, EdgeTestError> {
    let mut all = EdgeFits::none(names, data.ncols());
    for class in classes {
        let model = Model::weighted(design, names, &class.weights)?.in_blocks(blocks)?;
        for edges in class.edges.chunks(AT_ONCE) {
            let fits = model.fit(data.select(Axis(1), edges).view()).map_err(|error| match error {
                EdgeTestError::Infinite { child, edge } => EdgeTestError::Infinite { child, edge: edges[edge] },
                other => other,
            })?;
            all.put(edges, &fits);
        }
    }
    Ok(all)
}

/// The residual sums of squares that [`crate::group::weights::VarianceModel`] is estimated from; `sampling` is
/// 1/(dof − 2) of each child.
///
/// # Errors
/// As [`fit_weighted`].
///
/// # Panics
/// When there is not one `sampling` per child.
pub fn scatter<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    names: &[String],
    data: ArrayView2<'_, T>,
    sampling: &[f64],
) -> Result<Scatter, EdgeTestError> {
    let squares = |weights: Vec<f64>| -> Result<(Vec<f64>, Vec<usize>), EdgeTestError> {
        let fits = Model::weighted(design, names, &weights)?.fit(data)?;
        let squares = fits.residual_sd.iter().zip(&fits.dof).map(|(sd, &dof)| sd * sd * dof as f64).collect();
        Ok((squares, fits.children))
    };
    let (equal, children) = squares(vec![1.0; sampling.len()])?;
    let (by_dof, _) = squares(sampling.iter().map(|s| 1.0 / s).collect())?;
    Ok(Scatter { equal, by_dof, children })
}
