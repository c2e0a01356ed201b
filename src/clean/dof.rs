//! How many independent frames a cleaned run is worth: its degrees of freedom.
//!
//! Cleaning is a linear map A from the kept frames' data to the residuals over the kept frames: trend, fill, filter and
//! regression. Two series that have nothing to do with each other, both of autocorrelation Σ, have the covariance M =
//! AΣAᵀ when they are cleaned, and the correlation of the two has mean 0 and variance
//!
//! 1/dof, where dof is about ν = tr(M)²/tr(M²),
//!
//! with the expectations of numerator and denominator taken apart (Satterthwaite 1946, Biometrics Bulletin 2:110; Welch
//! 1938, Biometrika 29:350; for series Afyouni, Smith & Nichols 2019, NeuroImage 199:609; from memory). A few strong
//! directions of M, as the ends of a run have them, make that too small, by up to 15 %. To the next order the
//! expectation of the ratio gives dof = ν·(1 + 4·tr(M³)/(tr(M)·tr(M²)) − 4/ν) (derived here: E[xxᵀ/xᵀx] expanded about
//! E\[xᵀx\] for normal x). Where all directions are alike both agree: for white series and an intercept alone dof is
//! K − 1. The variance of Fisher's z is 1/(dof − 2), which is then his 1/(K − 3).
//!
//! M has K² entries, and K may be thousands. M = PNP, where P = I − QQᵀ is the regression and N the covariance before
//! it. Up to [`COMBS`] kept frames, or where the regression takes half of them, M is written out. In longer runs
//! tr(M) = Σ zᵀMz, tr(M²) = Σ |Mz|² and so on over K unit vectors z are taken from fewer vectors ([`combs`]): every
//! [`COMBS`]th frame with a sign. That brings in products of entries of M a multiple of [`COMBS`] frames apart, with
//! either sign; they are small, for the filter has forgotten by then (Bekas, Kokiopoulou & Saad 2007, Appl Numer Math
//! 57:1214; from memory). docs/methods.md has the error. The signs are fixed, so the same run always gives the same
//! dof. Taking combs of N and then what P takes off it exactly is worse: long gaps that are filled from two frames
//! make a few directions of N so strong that little is left of the difference (24 % off at TR 0.5 s with 60 %
//! dropped).
//!
//! The spectral fill rescales each series by its own SD, which no linear map does. Here all are rescaled by one factor,
//! the one to expect of series with this Σ ([`Filling::factor`]).

#[cfg(test)]
mod tests;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView2, ShapeBuilder, s};

use super::autoregression::Autoregression;
use super::columns::rows_of;
use super::error::CleanError;
use super::fill::Filling;
use super::filter;
use crate::linalg::RANK_TOLERANCE;
use crate::units::Seconds;

/// Vectors that stand in for the unit vectors of all kept frames (measured: docs/methods.md, "Degrees of freedom").
const COMBS: usize = 128;

/// Degrees of freedom of a cleaned run; 0 where cleaning leaves nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dof {
    /// With the autocorrelation of the run's own series.
    pub own: f64,
    /// With frames that are independent before cleaning (Σ = I).
    pub white: f64,
    /// With the run's own autocorrelation, after trend, fill and filter but before the regression.
    pub before_regression: f64,
}

impl Dof {
    /// Of a run of which nothing is left.
    pub const NONE: Self = Self { own: 0.0, white: 0.0, before_regression: 0.0 };
}

/// What cleaning does to the kept frames' data.
pub(super) struct CleaningMap<'a> {
    pub kept: &'a [bool],
    pub kept_rows: &'a [usize],
    /// Kept frames × its columns, orthonormal: the trend.
    pub trend: ArrayView2<'a, f64>,
    pub filling: &'a Filling,
    /// None: nothing is filled or filtered.
    pub band_hz: Option<[f64; 2]>,
    pub tr: Seconds,
    /// Q, kept frames × its columns, orthonormal: intercept and confounds.
    pub design: ArrayView2<'a, f64>,
}

/// The traces of the first three powers of a covariance.
#[derive(Debug, Clone, Copy)]
struct Traces([f64; 3]);

impl CleaningMap<'_> {
    /// The degrees of freedom that series of this autocorrelation, and white ones, are left with.
    pub(super) fn degrees_of_freedom(&self, own: &Autoregression) -> Result<Dof, CleanError> {
        let nothing = self.design.slice(s![.., ..0]);
        let before = self.traces(Some(own), nothing)?;
        // What rounding leaves where the trend alone has as many columns as there are frames is nothing.
        if self.trend.ncols() >= self.kept_rows.len() || before.0[0] <= RANK_TOLERANCE * self.kept_rows.len() as f64 {
            return Ok(Dof::NONE);
        }
        let after = self.traces(Some(own), self.design)?;
        // Nor is what it leaves of a run that the design explains wholly.
        let anything = self.design.ncols() < self.kept_rows.len() && after.0[0] > RANK_TOLERANCE * before.0[0];
        Ok(Dof {
            own: if anything { after.dof() } else { 0.0 },
            white: if anything { self.traces(None, self.design)?.dof() } else { 0.0 },
            before_regression: before.dof(),
        })
    }

    /// The traces of PNP, where P takes `design` out; no `own`: of white series.
    fn traces(&self, own: Option<&Autoregression>, design: ArrayView2<'_, f64>) -> Result<Traces, CleanError> {
        let (frames, factor) = (self.kept_rows.len(), self.fill_factor(own));
        if frames <= COMBS || 2 * self.design.ncols() >= frames {
            let (_, back) = self.half(Array2::eye(frames), factor, own)?;
            let mut m = self.apply(back, factor)?;
            take_out(&mut m, design);
            let mut m = m.reversed_axes();
            take_out(&mut m, design);
            return Ok(Traces::of_matrix(&m));
        }
        // With N = BᵀB: |BPz|², |PNPz|², |BPNPz|².
        let mut vectors = combs(frames);
        take_out(&mut vectors, design);
        let (half, back) = self.half(vectors, factor, own)?;
        let mut whole = self.apply(back, factor)?;
        take_out(&mut whole, design);
        let t2 = squares(whole.view());
        let (half_more, _) = self.half(whole, factor, own)?;
        Ok(Traces([squares(half.view()), t2, squares(half_more.view())]))
    }

    /// BV = LᵀAᵀV over all frames, and what A takes to NV: LLᵀAᵀV over the kept frames.
    fn half(
        &self,
        vectors: Array2<f64>,
        factor: f64,
        own: Option<&Autoregression>,
    ) -> Result<(Array2<f64>, Array2<f64>), CleanError> {
        let back = self.transposed(vectors, factor)?;
        let Some(own) = own else { return Ok((back.clone(), back)) };
        let mut whole = Array2::zeros((self.kept.len(), back.ncols()));
        for (from, &frame) in back.rows().into_iter().zip(self.kept_rows) {
            whole.row_mut(frame).assign(&from);
        }
        own.colour_transposed(&mut whole.view_mut());
        let half = whole.clone();
        own.colour(&mut whole.view_mut());
        Ok((half, rows_of(whole.view(), self.kept_rows)))
    }

    /// The factor that the spectral fill rescales series of this autocorrelation by.
    fn fill_factor(&self, own: Option<&Autoregression>) -> f64 {
        if !self.filling.rescales() {
            return 1.0;
        }
        let mut series = combs(self.kept.len());
        if let Some(own) = own {
            own.colour(&mut series.view_mut());
        }
        let mut at_kept = rows_of(series.view(), self.kept_rows);
        take_out(&mut at_kept, self.trend);
        self.filling.factor(at_kept.view())
    }

    /// Trend, fill and filter of columns over kept frames.
    fn apply(&self, mut x: Array2<f64>, factor: f64) -> Result<Array2<f64>, CleanError> {
        take_out(&mut x, self.trend);
        let Some(band_hz) = self.band_hz else { return Ok(x) };
        let mut whole = self.scattered(&x);
        self.filling.fill_by_factor(&mut whole, factor);
        filter::band_pass(&mut whole, band_hz, self.tr)?;
        Ok(rows_of(whole.view(), self.kept_rows))
    }

    /// The transpose of [`apply`](Self::apply).
    fn transposed(&self, mut y: Array2<f64>, factor: f64) -> Result<Array2<f64>, CleanError> {
        if let Some(band_hz) = self.band_hz {
            let mut whole = self.scattered(&y);
            filter::band_pass_transposed(&mut whole, band_hz, self.tr)?;
            self.filling.transposed_by_factor(&mut whole, factor);
            y = rows_of(whole.view(), self.kept_rows);
        }
        take_out(&mut y, self.trend);
        Ok(y)
    }

    /// Over all frames, 0 where dropped; each column in one piece.
    fn scattered(&self, x: &Array2<f64>) -> Array2<f64> {
        let mut whole = Array2::zeros((self.kept.len(), x.ncols()).f());
        for (mut to, from) in whole.columns_mut().into_iter().zip(x.columns()) {
            from.iter().zip(self.kept_rows).for_each(|(&value, &frame)| to[frame] = value);
        }
        whole
    }
}

impl Traces {
    /// Of a symmetric matrix.
    fn of_matrix(m: &Array2<f64>) -> Self {
        Self([m.diag().sum(), squares(m.view()), (&m.dot(m) * m).sum()])
    }

    fn dof(self) -> f64 {
        let [t1, t2, t3] = self.0;
        if t2 > 0.0 { t1 * t1 / t2 * (1.0 + 4.0 * t3 / (t1 * t2)) - 4.0 } else { 0.0 }
    }
}

fn squares(a: ArrayView2<'_, f64>) -> f64 {
    a.iter().map(|v| v * v).sum()
}

/// Takes out of each column what an orthonormal basis explains of it.
fn take_out(x: &mut Array2<f64>, basis: ArrayView2<'_, f64>) {
    let along = basis.t().dot(x);
    general_mat_mul(-1.0, &basis, &along, 1.0, x);
}

/// The unit vectors of `frames` kept frames, those that are a multiple of [`COMBS`] frames apart added up with signs:
/// frames × at most [`COMBS`] columns.
fn combs(frames: usize) -> Array2<f64> {
    let mut combs = Array2::zeros((frames, COMBS.min(frames)).f());
    for frame in 0..frames {
        combs[[frame, frame % COMBS]] = sign(frame as u64);
    }
    combs
}

/// 1 or −1, as unforeseeable as a drawn one: a bit of SplitMix64 (Steele, Lea & Flood 2014, OOPSLA; from memory).
fn sign(number: u64) -> f64 {
    let mut bits = (number + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    if (bits ^ (bits >> 31)) & 1 == 0 { 1.0 } else { -1.0 }
}
