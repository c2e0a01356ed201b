//! How alike neighbouring frames of a run's series are: an autoregression, pooled over the run's parcels.
//!
//! x_t = φ₁x_{t−1} + … + φ_p x_{t−p} + e_t is fitted to the autocovariances at lags 0 … p (Yule & Walker; solved by
//! Levinson 1947, J Math Phys 25:261, and Durbin 1960, Rev Int Stat Inst 28:233; from memory). p spans 16 s: shorter
//! ones miss that slow waves are stronger, longer ones change little (docs/methods.md, "Degrees of freedom").
//!
//! The series are those before the filter, for the filter is part of the map whose spread is asked for. Trend and
//! confounds must go first, and that makes autocovariances too small: of residuals r = Rx with R = I − QQᵀ, E[r rᵀ] =
//! RΣR (Worsley et al. 2002, NeuroImage 15:1). So the autocovariances looked for are those whose expected lagged
//! products, tr(J_h RΣR) with J_h the pairs of kept frames h apart, are the ones found.

#[cfg(test)]
mod tests;

use ndarray::{Array2, ArrayView1, ArrayView2, s};

use crate::sections::lanes;
use crate::units::Seconds;

/// What the order spans (measured: docs/methods.md, "Degrees of freedom").
const SPAN: Seconds = Seconds(16.0);

/// The most lags, whatever the repetition time (own convention).
const MOST_LAGS: usize = 40;

/// A lag counts only if one kept frame in so many has a kept frame that far behind it (own convention).
const FRAMES_PER_PAIR: usize = 8;

/// There are at least this many frames, less those that the regression takes, for each lag (own convention).
const FRAMES_PER_LAG: usize = 4;

/// The search ends when no autocovariance moves by more than this share of the variance, or after so many rounds: dof
/// then moves by less than a thousandth (measured). In short runs that lose much to slow confounds the steps would go
/// on getting shorter for long, and follow chance: solved to the end, the lag-2 correlation was an eighth too large
/// in a case of the tests that is right here.
const STEP: f64 = 1e-3;
const ROUNDS: usize = 30;

/// At most so many parcels tell a run's autocorrelation, evenly taken, which saves time (own convention).
const MOST_PARCELS: usize = 128;

/// A stationary autoregression of variance 1.
#[derive(Debug, Clone, PartialEq)]
pub struct Autoregression {
    /// For each order 0 … p the best prediction from so many frames before: φ₁, φ₂, …
    predictors: Vec<Vec<f64>>,
    /// The SD that each of these leaves.
    left_sd: Vec<f64>,
}

impl Autoregression {
    /// Frames that know nothing of each other.
    #[must_use]
    pub fn white() -> Self {
        Self { predictors: vec![Vec::new()], left_sd: vec![1.0] }
    }

    /// From the autocovariances at lags 0, 1, …, as many orders as the lags give. Where they could be of no series
    /// (with gaps, each lag has pairs of its own) the order stops before. White without a variance.
    #[must_use]
    pub fn of_autocovariances(autocovariances: &[f64]) -> Self {
        let mut found = Self::white();
        let Some((&variance, later)) = autocovariances.split_first().filter(|(variance, _)| **variance > 0.0) else {
            return found;
        };
        let rho: Vec<f64> = later.iter().map(|c| c / variance).collect();
        let mut left = 1.0;
        for order in 1..=rho.len() {
            let before = &found.predictors[order - 1];
            let known: f64 = before.iter().zip(rho[..order - 1].iter().rev()).map(|(phi, rho)| phi * rho).sum();
            let reflection = (rho[order - 1] - known) / left;
            if reflection.is_nan() || reflection.abs() >= 1.0 {
                break;
            }
            let mut next: Vec<f64> =
                before.iter().zip(before.iter().rev()).map(|(phi, mirrored)| phi - reflection * mirrored).collect();
            next.push(reflection);
            left *= 1.0 - reflection * reflection;
            found.predictors.push(next);
            found.left_sd.push(left.sqrt());
        }
        found
    }

    /// p, the number of earlier frames that tell something of the next.
    #[must_use]
    pub fn order(&self) -> usize {
        self.predictors.len() - 1
    }

    /// The autocorrelations at lags 0 to `lags` − 1.
    #[must_use]
    pub fn autocorrelations(&self, lags: usize) -> Vec<f64> {
        let mut rho = vec![1.0; lags.min(1)];
        for lag in 1..lags {
            let next =
                self.predictors[lag.min(self.order())].iter().zip(rho.iter().rev()).map(|(phi, rho)| phi * rho).sum();
            rho.push(next);
        }
        rho
    }

    /// Turns columns of white noise (frames × any number) into series of this autocorrelation: L·x, where LLᵀ = Σ.
    pub fn colour(&self, values: &mut Array2<f64>) {
        lanes::each(values, |line| {
            for t in 0..line.len() {
                let order = t.min(self.order());
                let (earlier, now) = line.split_at_mut(t);
                let mut sum = now[0].map(|value| value * self.left_sd[order]);
                for (&phi, before) in self.predictors[order].iter().zip(earlier.iter().rev()) {
                    sum = lanes::plus(sum, phi, before);
                }
                now[0] = sum;
            }
        });
    }

    /// The transpose of [`colour`](Self::colour): Lᵀ·y.
    pub fn colour_transposed(&self, values: &mut Array2<f64>) {
        let order = self.order();
        lanes::each(values, |line| {
            for t in (0..line.len()).rev() {
                let (now, later) = line.split_at_mut(t + 1);
                let mut sum = now[t];
                // What each later frame takes of this one; those that have `order` frames before them take alike.
                if t + 1 >= order {
                    for (&phi, after) in self.predictors[order].iter().zip(&*later) {
                        sum = lanes::plus(sum, phi, after);
                    }
                } else {
                    for (lag, after) in (1..=order).zip(&*later) {
                        sum = lanes::plus(sum, self.predictors[(t + lag).min(order)][lag - 1], after);
                    }
                }
                now[t] = sum;
            }
            for (t, now) in line.iter_mut().enumerate() {
                *now = now.map(|value| value * self.left_sd[t.min(order)]);
            }
        });
    }
}

/// At most [`MOST_PARCELS`] of the parcels that vary, evenly taken from tables of frames × parcels, one per atlas.
#[must_use]
pub fn some_that_vary<'a>(tables: &'a [ArrayView2<'a, f64>]) -> Vec<ArrayView1<'a, f64>> {
    let varies = |column: &ArrayView1<'_, f64>| column.iter().any(|value| *value != column[0]);
    let all: Vec<_> = tables.iter().flat_map(|table| table.columns()).filter(varies).collect();
    let step = all.len().div_ceil(MOST_PARCELS).max(1);
    all.into_iter().step_by(step).collect()
}

/// Fits an autoregression to the residuals of a run's parcels.
///
/// `residuals` is kept frames × parcels, of all atlases: series before the filter, without what `basis` explains.
/// `basis` is kept frames × rank, orthonormal. Each parcel counts alike, whatever its variance. Without a parcel that
/// varies, or with no more kept frames than the basis takes, nothing is known of Σ and frames count as independent (Σ =
/// I).
#[must_use]
pub fn estimate(
    residuals: ArrayView2<'_, f64>,
    basis: ArrayView2<'_, f64>,
    kept: &[bool],
    tr: Seconds,
) -> Autoregression {
    let lags = Lags::new(basis, kept, tr);
    let Some(found) = lags.products(residuals).filter(|_| lags.pairs.len() > 1) else {
        return Autoregression::white();
    };
    let mut autocovariances: Vec<f64> = found.iter().zip(&lags.pairs).map(|(c, n)| c / n).collect();
    for _ in 0..ROUNDS {
        let expected = lags.expected(&autocovariances);
        let mut largest = 0.0_f64;
        for (((covariance, found), expected), pairs) in
            autocovariances.iter_mut().zip(&found).zip(&expected).zip(&lags.pairs)
        {
            let step = (found - expected) / pairs;
            *covariance += step;
            largest = largest.max(step.abs());
        }
        // NaN ends the search as well.
        if largest.is_nan() || largest <= STEP * autocovariances[0].abs() {
            break;
        }
    }
    Autoregression::of_autocovariances(&autocovariances)
}

/// What the search needs of a run whatever its data.
struct Lags<'a> {
    kept: &'a [bool],
    kept_rows: Vec<usize>,
    /// Pairs of kept frames at each lag.
    pairs: Vec<f64>,
    /// The basis over all frames, 0 where dropped; rows in one piece.
    basis: Array2<f64>,
    /// Of each lag h: QᵀJ_hQ.
    lagged_basis: Vec<Array2<f64>>,
}

impl<'a> Lags<'a> {
    fn new(basis: ArrayView2<'_, f64>, kept: &'a [bool], tr: Seconds) -> Self {
        let kept_rows: Vec<usize> = (0..kept.len()).filter(|&i| kept[i]).collect();
        let left = kept_rows.len().saturating_sub(basis.ncols());
        let most = ((SPAN.0 / tr.0).round().min(MOST_LAGS as f64) as usize).max(1).min(left / FRAMES_PER_LAG);
        let count = |lag: usize| kept.iter().zip(kept.iter().skip(lag)).filter(|(a, b)| **a && **b).count();
        let enough = |pairs: &usize| *pairs > 0 && pairs * FRAMES_PER_PAIR >= kept_rows.len();
        let pairs: Vec<f64> = (0..=most).map(count).take_while(enough).map(|n| n as f64).collect();
        let mut whole = Array2::zeros((kept.len(), basis.ncols()));
        for (from, &row) in basis.rows().into_iter().zip(&kept_rows) {
            whole.row_mut(row).assign(&from);
        }
        let lagged = |lag: usize| whole.slice(s![lag.., ..]).t().dot(&whole.slice(s![..kept.len() - lag, ..]));
        let lagged_basis = (0..pairs.len()).map(lagged).collect();
        Self { kept, kept_rows, pairs, basis: whole, lagged_basis }
    }

    /// Of each lag: the sum of products of frames that far apart, over the sum of squares, mean over the parcels that
    /// vary; none without any.
    fn products(&self, residuals: ArrayView2<'_, f64>) -> Option<Vec<f64>> {
        let (mut sums, mut parcels) = (vec![0.0; self.pairs.len()], 0.0);
        let mut whole = vec![0.0; self.kept.len()];
        for column in residuals.columns() {
            column.iter().zip(&self.kept_rows).for_each(|(&value, &row)| whole[row] = value);
            let squares = dot(&whole, &whole);
            if squares > 0.0 {
                parcels += 1.0;
                for (lag, sum) in sums.iter_mut().enumerate() {
                    *sum += dot(&whole[lag..], &whole[..whole.len() - lag]) / squares;
                }
            }
        }
        (parcels > 0.0).then(|| sums.iter().map(|sum| sum / parcels).collect())
    }

    /// The products to expect of residuals of series with these autocovariances: tr(J_h RΣR).
    fn expected(&self, autocovariances: &[f64]) -> Vec<f64> {
        let model = Autoregression::of_autocovariances(autocovariances);
        let mut coloured = self.basis.clone();
        model.colour_transposed(&mut coloured);
        model.colour(&mut coloured);
        for (mut row, _) in coloured.rows_mut().into_iter().zip(self.kept).filter(|(_, kept)| !**kept) {
            row.fill(0.0);
        }
        let both_sides = self.basis.t().dot(&coloured);
        // Row after row, whatever the order in memory.
        let (basis, coloured, both_sides) = (self.basis.flatten(), coloured.flatten(), both_sides.flatten());
        let rho = model.autocorrelations(self.pairs.len());
        let expected =
            self.pairs.iter().zip(&rho).zip(&self.lagged_basis).enumerate().map(|(lag, ((n, rho), lagged))| {
                let shift = (lag * self.basis.ncols()).min(basis.len());
                let (late, early) = (s![shift..], s![..basis.len() - shift]);
                let one_side =
                    basis.slice(late).dot(&coloured.slice(early)) + coloured.slice(late).dot(&basis.slice(early));
                n * rho - one_side + lagged.flatten().dot(&both_sides)
            });
        expected.map(|e| e * autocovariances[0]).collect()
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    ndarray::aview1(a).dot(&ndarray::aview1(b))
}
