//! Connectivity: from joined, cleaned parcel series to a parcels × parcels matrix.
//!
//! [`of_runs`] joins a child's runs and gives one of four measures. For correlations each run's kept residuals are made
//! mean 0 and population SD 1 per parcel ([`join`]). For covariances they become percent of the parcel's mean signal in
//! that run ([`percent`]): a covariance is then in percent², and the scanner's gain does not matter. [`fisher_z`] is
//! for group statistics.

pub mod percent;

use ndarray::{Array1, Array2, ArrayView2, Axis, concatenate};
use ndarray_linalg::InverseCInto;

use crate::linalg::{LinalgError, lapack_error, require_finite};
use crate::study::settings::Measure;
use percent::{RunPart, in_percent};

/// The matrix of one measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Connectivity {
    /// Parcels × parcels, symmetric. A parcel has NaN in its row and column where its series is constant (correlations)
    /// or has no percent (covariances, [`percent`]).
    pub matrix: Array2<f64>,
    /// The shrinkage of the Ledoit–Wolf covariance, for partial correlation.
    pub shrinkage: Option<f64>,
}

/// Each column to mean 0 and population SD 1; a constant column becomes 0.
#[must_use]
pub fn standardise(series: ArrayView2<'_, f64>) -> Array2<f64> {
    let mut out = series.to_owned();
    for mut column in out.columns_mut() {
        let frames = column.len() as f64;
        let mean = column.sum() / frames;
        column.mapv_inplace(|v| v - mean);
        let sd = (column.iter().map(|v| v * v).sum::<f64>() / frames).sqrt();
        // What rounding leaves of a constant is not a signal: some hundred times the spacing of doubles (own
        // convention).
        let flat = sd <= 1e-13 * mean.abs() || sd == 0.0 || sd.is_nan();
        column.mapv_inplace(|v| if flat { 0.0 } else { v / sd });
    }
    out
}

/// Stacks runs (each kept frames × the same parcels) after standardising each.
///
/// # Panics
/// When the runs have different numbers of parcels.
#[must_use]
pub fn join(runs: &[ArrayView2<'_, f64>]) -> Array2<f64> {
    let mut runs: Vec<Array2<f64>> = runs.iter().map(|run| standardise(run.view())).collect();
    if runs.len() == 1 {
        return runs.swap_remove(0);
    }
    let parcels = runs.first().map_or(0, Array2::ncols);
    assert!(runs.iter().all(|run| run.ncols() == parcels), "joined runs have the same parcels");
    let views: Vec<_> = runs.iter().map(|run| run.view()).collect();
    concatenate(Axis(0), &views).unwrap_or_else(|_| Array2::zeros((0, parcels)))
}

/// The matrix of one measure from a child's runs.
///
/// # Errors
/// [`LinalgError`] when a value is not finite or LAPACK fails.
///
/// # Panics
/// When the runs have different numbers of parcels, or not one mean signal per parcel.
pub fn of_runs(runs: &[RunPart<'_>], measure: Measure) -> Result<Connectivity, LinalgError> {
    if measure != Measure::Covariance {
        let residuals: Vec<ArrayView2<'_, f64>> = runs.iter().map(|run| run.residuals).collect();
        return connectivity(join(&residuals).view(), measure);
    }
    let joined = in_percent(runs);
    let known = connectivity(joined.series.view(), measure)?.matrix;
    let parcels = runs.first().map_or(0, |run| run.residuals.ncols());
    let mut matrix = Array2::from_elem((parcels, parcels), f64::NAN);
    for ((a, b), &value) in known.indexed_iter() {
        matrix[[joined.parcels[a], joined.parcels[b]]] = value;
    }
    Ok(Connectivity { matrix, shrinkage: None })
}

/// The matrix of one measure from frames × parcels.
///
/// - Pearson r, diagonal 1.
/// - Spearman: Pearson of average ranks.
/// - Covariance (population) of the series as they are.
/// - Partial: −Pᵢⱼ/√(PᵢᵢPⱼⱼ), P the inverse of the Ledoit–Wolf shrunk covariance (Ledoit & Wolf 2004, J Multivariate
///   Anal 88:365), diagonal 1.
///
/// # Errors
/// [`LinalgError`] when a value is not finite or LAPACK fails.
pub fn connectivity(series: ArrayView2<'_, f64>, measure: Measure) -> Result<Connectivity, LinalgError> {
    require_finite("connectivity", series)?;
    match measure {
        Measure::Pearson => Ok(Connectivity { matrix: pearson(series), shrinkage: None }),
        Measure::Spearman => {
            let mut ranks = series.to_owned();
            ranks.columns_mut().into_iter().for_each(|mut column| {
                let ranked = average_ranks(&column.to_vec());
                column.assign(&ranked);
            });
            Ok(Connectivity { matrix: pearson(ranks.view()), shrinkage: None })
        }
        Measure::Covariance => {
            let centred = centre(series);
            let mut matrix = centred.t().dot(&centred) / series.nrows().max(1) as f64;
            symmetrise(&mut matrix);
            Ok(Connectivity { matrix, shrinkage: None })
        }
        Measure::Partial => partial(series),
    }
}

fn centre(series: ArrayView2<'_, f64>) -> Array2<f64> {
    let frames = series.nrows().max(1) as f64;
    &series - &(series.sum_axis(Axis(0)) / frames)
}

fn pearson(series: ArrayView2<'_, f64>) -> Array2<f64> {
    let z = standardise(series);
    let mut r = z.t().dot(&z) / series.nrows().max(1) as f64;
    let flat: Vec<bool> = z.columns().into_iter().map(|c| c.iter().all(|&v| v == 0.0)).collect();
    for ((i, j), value) in r.indexed_iter_mut() {
        *value = if flat[i] || flat[j] {
            f64::NAN
        } else if i == j {
            1.0
        } else {
            value.clamp(-1.0, 1.0)
        };
    }
    symmetrise(&mut r);
    r
}

/// Copies the upper triangle to the lower: products of a matrix with itself may differ in the last bit.
fn symmetrise(a: &mut Array2<f64>) {
    for i in 0..a.nrows() {
        for j in 0..i {
            a[[i, j]] = a[[j, i]];
        }
    }
}

/// Ranks from 1, ties share their mean rank.
pub(crate) fn average_ranks(values: &[f64]) -> Array1<f64> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = Array1::zeros(values.len());
    let mut start = 0;
    while start < order.len() {
        let mut end = start + 1;
        while end < order.len() && values[order[end]] == values[order[start]] {
            end += 1;
        }
        let rank = (start + 1 + end) as f64 / 2.0;
        order[start..end].iter().for_each(|&i| ranks[i] = rank);
        start = end;
    }
    ranks
}

/// The Ledoit–Wolf shrunk covariance of frames × parcels and its shrinkage: (1 − δ) S + δ μ I, S the population
/// covariance of the centred series, μ = tr S/p. Ledoit & Wolf 2004, J Multivariate Anal 88:365, Lemma 3.2 to 3.4.
#[must_use]
pub fn ledoit_wolf(series: ArrayView2<'_, f64>) -> (Array2<f64>, f64) {
    let x = centre(series);
    let (n, p) = (x.nrows() as f64, x.ncols() as f64);
    if x.is_empty() {
        return (Array2::zeros((x.ncols(), x.ncols())), 0.0);
    }
    let mut s = x.t().dot(&x) / n;
    symmetrise(&mut s);
    let mu = s.diag().sum() / p;
    // d² = ‖S − μI‖², b̄² = Σ‖xₖxₖᵀ − S‖²/n² = (Σ‖xₖ‖⁴/n − ‖S‖²)/n; the common factor 1/p of both cancels.
    let norm = s.iter().map(|v| v * v).sum::<f64>();
    let d = norm - p * mu * mu;
    let fourth = x.rows().into_iter().map(|row| row.dot(&row).powi(2)).sum::<f64>() / n;
    let b = ((fourth - norm) / n).min(d);
    let shrinkage = if d > 0.0 { (b / d).max(0.0) } else { 0.0 };
    s *= 1.0 - shrinkage;
    s.diag_mut().iter_mut().for_each(|v| *v += shrinkage * mu);
    (s, shrinkage)
}

fn partial(series: ArrayView2<'_, f64>) -> Result<Connectivity, LinalgError> {
    partial_of(series, |live| ledoit_wolf(live))
}

/// Partial correlations with a given shrinkage δ in place of Ledoit & Wolf's own.
///
/// # Errors
/// [`LinalgError`] when a value is not finite or LAPACK fails.
pub fn partial_shrunk_by(series: ArrayView2<'_, f64>, shrinkage: f64) -> Result<Connectivity, LinalgError> {
    require_finite("connectivity", series)?;
    partial_of(series, |live| {
        let x = centre(live);
        let mut s = x.t().dot(&x) / x.nrows().max(1) as f64;
        symmetrise(&mut s);
        let mu = s.diag().sum() / s.nrows().max(1) as f64;
        s *= 1.0 - shrinkage;
        s.diag_mut().iter_mut().for_each(|v| *v += shrinkage * mu);
        (s, shrinkage)
    })
}

/// Partial correlations from a covariance of the parcels that vary, and its shrinkage.
fn partial_of(
    series: ArrayView2<'_, f64>,
    shrunk: impl Fn(ArrayView2<'_, f64>) -> (Array2<f64>, f64),
) -> Result<Connectivity, LinalgError> {
    let parcels = series.ncols();
    let live: Vec<usize> = (0..parcels).filter(|&i| series.column(i).iter().any(|&v| v != series[[0, i]])).collect();
    let mut matrix = Array2::from_elem((parcels, parcels), f64::NAN);
    if live.is_empty() {
        return Ok(Connectivity { matrix, shrinkage: None });
    }
    let (covariance, shrinkage) = shrunk(series.select(Axis(1), &live).view());
    let shape = covariance.dim();
    let p = covariance.invc_into().map_err(|e| lapack_error("inverse of the shrunk covariance", shape, &e))?;
    for (a, &i) in live.iter().enumerate() {
        for (b, &j) in live.iter().enumerate() {
            matrix[[i, j]] = if a == b { 1.0 } else { -p[[a, b]] / (p[[a, a]] * p[[b, b]]).sqrt() };
        }
    }
    symmetrise(&mut matrix);
    Ok(Connectivity { matrix, shrinkage: Some(shrinkage) })
}

/// Fisher's z = atanh r, clipped at |r| = 1 − 1e-7. Fisher 1915, Biometrika 10:507.
#[must_use]
pub fn fisher_z(r: f64) -> f64 {
    const LIMIT: f64 = 1.0 - 1e-7;
    let r = r.clamp(-LIMIT, LIMIT);
    if r.abs() < 1e-3 {
        // Near 0 the quotient's rounding would count; the first term left out is r⁷/7.
        let square = r * r;
        return r * (1.0 + square * (1.0 / 3.0 + square / 5.0));
    }
    // Three quarters of the time of `atanh`, which counts in a large stack, and the same to a few parts in 10¹³.
    0.5 * ((1.0 + r) / (1.0 - r)).ln()
}

#[cfg(test)]
mod tests;
