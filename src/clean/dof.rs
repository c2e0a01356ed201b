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
//! it. Up to [`WRITTEN_OUT`] kept frames, or where the regression takes half of them, M is written out. In longer runs
//! tr(M) = Σ zᵀMz, tr(M²) = Σ |Mz|² and so on over K unit vectors z are taken from fewer vectors
//! ([`combs`](CleaningMap::combs)): every [`COMBS`]th frame with a sign. That brings in products of entries of M far
//! from its diagonal, with either sign; they are small, for the filter has forgotten by then (Bekas, Kokiopoulou & Saad
//! 2007, Appl Numer Math 57:1214; from memory). docs/methods.md has the error; with fewer vectors it was 5 %, and up to
//! 15 % at TR 0.4 s. The signs are fixed, so the same run always gives the same dof. Taking combs of N and then what P
//! takes off it exactly is worse: long
//! gaps that are filled from two frames make a few directions of N so strong that little is left of the difference
//! (24 % off at TR 0.5 s with 60 % dropped). So A and Aᵀ see V and Q, and PV = V − Q(QᵀV) is put together afterwards.
//!
//! The spectral fill rescales each series by its own SD, which no linear map does. Here all are rescaled by one factor,
//! the one to expect of series with this Σ ([`Filling::factor`]).

#[cfg(test)]
mod tests;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView2, Axis, s};

use super::autoregression::Autoregression;
use super::error::CleanError;
use super::fill::Filling;
use super::filter;
use crate::linalg::RANK_TOLERANCE;
use crate::units::Seconds;

/// Up to so many kept frames the matrices are written out.
const WRITTEN_OUT: usize = 128;

/// Vectors that stand in for the unit vectors of all kept frames. What is said of these was measured (docs/methods.md,
/// "Degrees of freedom").
const COMBS: usize = 128;

/// If the band leaves about so many independent frames, every second comb is enough.
const MANY: f64 = 200.0;

/// So many combs are taken at a time, so that they stay near the processor.
const AT_A_TIME: usize = 32;

/// One used comb in so many gives tr(M³).
const THIRD: usize = 2;

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

/// A kind of series: of a run's own autocorrelation, or white.
#[derive(Clone, Copy)]
struct Series<'a> {
    own: Option<&'a Autoregression>,
    /// What the spectral fill rescales them by.
    factor: f64,
}

impl CleaningMap<'_> {
    /// The degrees of freedom that series of this autocorrelation, and white ones, are left with.
    pub(super) fn degrees_of_freedom(&self, own: &Autoregression) -> Result<Dof, CleanError> {
        let frames = self.kept_rows.len();
        // What rounding leaves where the trend alone has as many columns as there are frames is nothing.
        if self.trend.ncols() >= frames {
            return Ok(Dof::NONE);
        }
        let written_out = frames <= WRITTEN_OUT || 2 * self.design.ncols() >= frames;
        let series = [Some(own), None].map(|own| Series { own, factor: self.fill_factor(own) });
        let [[before, after], [_, white]] =
            if written_out { self.traces_of_matrices(series)? } else { self.traces_of_combs(series)? };
        if before.0[0] <= RANK_TOLERANCE * frames as f64 {
            return Ok(Dof::NONE);
        }
        let dof = Dof { before_regression: before.dof(), ..Dof::NONE };
        // Nor is what it leaves of a run that the design explains wholly.
        if self.design.ncols() >= frames || after.0[0] <= RANK_TOLERANCE * before.0[0] {
            return Ok(dof);
        }
        Ok(Dof { own: after.dof(), white: white.dof(), ..dof })
    }

    /// For each kind of series the traces of N and of PNP, written out.
    fn traces_of_matrices(&self, series: [Series<'_>; 2]) -> Result<[[Traces; 2]; 2], CleanError> {
        Ok(self.halves(Array2::eye(self.kept_rows.len()), series)?.map(|half| {
            let before = half.t().dot(&half);
            let mut after = before.clone();
            take_out(&mut after, self.design);
            let mut after = after.reversed_axes();
            take_out(&mut after, self.design);
            [Traces::of_matrix(&before), Traces::of_matrix(&after)]
        }))
    }

    /// The same from combs V, some at a time.
    ///
    /// With N = BᵀB these are |BV|², |NV|² and |BNV|², and the same of B·P. The last, of which little is needed, is
    /// taken from every [`THIRD`]th comb.
    fn traces_of_combs(&self, series: [Series<'_>; 2]) -> Result<[[Traces; 2]; 2], CleanError> {
        let whole = |half: &Array2<f64>, series: Series<'_>| self.apply(self.whole(half, series.own), series.factor);
        let of_design = self.halves(self.design.to_owned(), series)?;
        let wholes = [whole(&of_design[0], series[0])?, whole(&of_design[1], series[1])?];
        let combs = self.combs(self.kept_rows.len());
        let mut sums = [[[0.0; 3]; 2]; 2];
        let (mut of_combs, mut of_thirds) = (0.0, 0.0);
        for some in combs.axis_chunks_iter(Axis(1), AT_A_TIME) {
            let along = self.design.t().dot(&some);
            // X of V and X of Q to X of PV.
            let left_of = |of_combs: &Array2<f64>, of_design: &Array2<f64>| {
                let mut left = of_combs.clone();
                general_mat_mul(-1.0, of_design, &along, 1.0, &mut left);
                left
            };
            let halves = self.halves(some.as_standard_layout().into_owned(), series)?;
            for (kind, [before, after]) in sums.iter_mut().enumerate() {
                let (series, half) = (series[kind], &halves[kind]);
                let (all, half_left) = (whole(half, series)?, left_of(half, &of_design[kind]));
                let mut left = left_of(&all, &wholes[kind]);
                take_out(&mut left, self.design);
                let third = side_by_side(all.slice(s![.., ..;THIRD]), left.slice(s![.., ..;THIRD]));
                let third = self.half(&self.transposed(third, series.factor)?, series.own);
                let (third, third_left) = third.view().split_at(Axis(1), third.ncols() / 2);
                add_squares(before, [half.view(), all.view(), third]);
                add_squares(after, [half_left.view(), left.view(), third_left]);
            }
            of_combs += squares(some);
            of_thirds += squares(some.slice(s![.., ..;THIRD]));
        }
        // Frames that are in no comb are as those that are.
        let frames = combs.nrows() as f64;
        let times = [frames / of_combs, frames / of_combs, frames / of_thirds];
        let scaled = |sums: [f64; 3]| Traces(std::array::from_fn(|power| times[power] * sums[power]));
        Ok(sums.map(|both| both.map(scaled)))
    }

    /// BX of X over the kept frames, for each kind of series.
    fn halves(&self, x: Array2<f64>, [own, white]: [Series<'_>; 2]) -> Result<[Array2<f64>; 2], CleanError> {
        let of_white = if white.factor == own.factor { None } else { Some(self.transposed(x.clone(), white.factor)?) };
        let of_own = self.transposed(x, own.factor)?;
        Ok([self.half(&of_own, own.own), self.half(of_white.as_ref().unwrap_or(&of_own), white.own)])
    }

    /// LᵀX over all frames, of X over the kept ones; without `own` X itself.
    fn half(&self, x: &Array2<f64>, own: Option<&Autoregression>) -> Array2<f64> {
        let Some(own) = own else { return x.clone() };
        let mut half = self.scattered(x);
        own.colour_transposed(&mut half);
        half
    }

    /// LH over the kept frames of H over all; without `own` H itself.
    fn whole(&self, half: &Array2<f64>, own: Option<&Autoregression>) -> Array2<f64> {
        let Some(own) = own else { return half.clone() };
        let mut whole = half.clone();
        own.colour(&mut whole);
        self.kept_rows_of(&whole)
    }

    /// The factor that the spectral fill rescales series of this autocorrelation by.
    fn fill_factor(&self, own: Option<&Autoregression>) -> f64 {
        if !self.filling.rescales() {
            return 1.0;
        }
        let mut series = self.combs(self.kept.len());
        if let Some(own) = own {
            own.colour(&mut series);
        }
        let mut at_kept = self.kept_rows_of(&series);
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
        Ok(self.kept_rows_of(&whole))
    }

    /// The transpose of [`apply`](Self::apply).
    fn transposed(&self, mut y: Array2<f64>, factor: f64) -> Result<Array2<f64>, CleanError> {
        if let Some(band_hz) = self.band_hz {
            let mut whole = self.scattered(&y);
            filter::band_pass_transposed(&mut whole, band_hz, self.tr)?;
            self.filling.transposed_by_factor(&mut whole, factor);
            y = self.kept_rows_of(&whole);
        }
        take_out(&mut y, self.trend);
        Ok(y)
    }

    /// Unit vectors of `frames` frames, those that are a multiple of [`COMBS`] frames apart added up with signs: frames
    /// × combs, all of them or every second.
    fn combs(&self, frames: usize) -> Array2<f64> {
        let width = self.band_hz.map_or(1.0, |[low_hz, high_hz]| 2.0 * (high_hz - low_hz) * self.tr.0);
        let every = if width * frames as f64 >= MANY { 2 } else { 1 };
        let combs = COMBS.min(frames);
        let mut vectors = Array2::zeros((frames, combs.div_ceil(every)));
        for frame in (0..frames).filter(|frame| (frame % combs).is_multiple_of(every)) {
            vectors[[frame, frame % combs / every]] = sign(frame as u64);
        }
        vectors
    }

    /// Over all frames, 0 where dropped.
    fn scattered(&self, x: &Array2<f64>) -> Array2<f64> {
        let mut whole = Array2::zeros((self.kept.len(), x.ncols()));
        for (from, &frame) in x.rows().into_iter().zip(self.kept_rows) {
            whole.row_mut(frame).assign(&from);
        }
        whole
    }

    fn kept_rows_of(&self, whole: &Array2<f64>) -> Array2<f64> {
        whole.select(Axis(0), self.kept_rows)
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

/// The columns of one array, then those of another.
fn side_by_side(first: ArrayView2<'_, f64>, then: ArrayView2<'_, f64>) -> Array2<f64> {
    let mut both = Array2::zeros((first.nrows(), first.ncols() + then.ncols()));
    both.slice_mut(s![.., ..first.ncols()]).assign(&first);
    both.slice_mut(s![.., first.ncols()..]).assign(&then);
    both
}

fn add_squares(sums: &mut [f64; 3], parts: [ArrayView2<'_, f64>; 3]) {
    sums.iter_mut().zip(parts).for_each(|(sum, part)| *sum += squares(part));
}

fn squares(a: ArrayView2<'_, f64>) -> f64 {
    a.rows().into_iter().map(|row| row.dot(&row)).sum()
}

/// Takes out of each column what an orthonormal basis explains of it.
fn take_out(x: &mut Array2<f64>, basis: ArrayView2<'_, f64>) {
    let along = basis.t().dot(x);
    general_mat_mul(-1.0, &basis, &along, 1.0, x);
}

/// 1 or −1, as unforeseeable as a drawn one: a bit of SplitMix64 (Steele, Lea & Flood 2014, OOPSLA; from memory).
fn sign(number: u64) -> f64 {
    let mut bits = (number + 1).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    if (bits ^ (bits >> 31)) & 1 == 0 { 1.0 } else { -1.0 }
}
