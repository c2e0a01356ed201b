//! Joint F of several coefficients, as of a factor (columns `…_f`): do the children differ in it at all?
//!
//! F = ((S₀ − S)/k) / (S/(n − p)), S the weighted residual sum of squares of the whole model and S₀ that of the model
//! without the k columns, both with the weights of the edge's class: the F that R's `anova` gives for two `lm` with
//! `weights` (from memory). Its upper tail has k and n − p degrees of freedom. Where children lack the edge and those
//! who have it do not determine all k coefficients, F is not available.

use ndarray::{ArrayView2, Axis};

use super::{EdgeFits, EdgeTestError, fit_weighted};
use crate::group::weights::WeightedEdges;
use crate::group::{EdgeValue, tails};

/// F of each edge; NaN where not available.
#[derive(Debug, Clone, PartialEq)]
pub struct JointFits {
    /// k: the numerator's degrees of freedom; the denominator's are those of the fits.
    pub numerator: usize,
    pub f: Vec<f64>,
    pub p: Vec<f64>,
}

/// F of the coefficients `tested`; `fits` are those of the whole model under the same classes.
///
/// # Errors
/// As [`fit_weighted`]; without the columns, others must be left.
///
/// # Panics
/// As [`fit_weighted`].
pub fn fit_joint<T: EdgeValue>(
    design: ArrayView2<'_, f64>,
    tested: &[usize],
    data: ArrayView2<'_, T>,
    classes: &[WeightedEdges],
    fits: &EdgeFits,
) -> Result<JointFits, EdgeTestError> {
    let others: Vec<usize> = (0..design.ncols()).filter(|column| !tested.contains(column)).collect();
    let names: Vec<String> = others.iter().map(|&column| fits.names[column].clone()).collect();
    let without = fit_weighted(design.select(Axis(1), &others).view(), &names, data, classes)?;
    let squares = |fits: &EdgeFits, edge: usize| fits.residual_sd[edge].powi(2) * fits.dof[edge] as f64;
    let f: Vec<f64> = (0..data.ncols())
        .map(|edge| {
            // t is not available either where a coefficient is not determined or the fit is perfect.
            if tested.iter().any(|&column| fits.t[[column, edge]].is_nan()) {
                return f64::NAN;
            }
            let more = squares(&without, edge) - squares(fits, edge);
            more.max(0.0) / tested.len() as f64 / fits.residual_sd[edge].powi(2)
        })
        .collect();
    let tail = |(&f, &dof): (&f64, &usize)| tails::f_upper(f, tested.len() as f64, dof as f64);
    let p = f.iter().zip(&fits.dof).map(tail).collect();
    Ok(JointFits { numerator: tested.len(), f, p })
}
