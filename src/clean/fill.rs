//! Values that replace dropped frames while filtering. They are thrown away again afterwards.
//!
//! *linear*: between kept neighbours, the nearest kept value at the ends. *spectral*: at each frequency j/(8T) below
//! the Nyquist frequency, T the length of the run, the least-squares sine and cosine of the kept frames (Lomb 1976,
//! Astrophys Space Sci 39:447; Scargle 1982, Astrophys J 263:835), summed, rescaled so that the SD over kept frames
//! matches, and read back at the dropped frames.
//!
//! The default is linear, the simpler of the two; docs/methods.md has the comparison.

use ndarray::{Array1, Array2, ArrayView2, Axis};

use crate::study::settings::Fill;

/// Oversampling of the frequency grid: steps of 1/(8T).
const OVERSAMPLING: usize = 8;

/// How the dropped frames of a run are filled: worked out once for all of its series.
#[derive(Debug)]
pub struct Filling {
    frames: usize,
    kept_rows: Vec<usize>,
    dropped_rows: Vec<usize>,
    from: From,
}

/// Where the values of dropped frames come from.
#[derive(Debug)]
enum From {
    /// Of each dropped frame: the kept frame before it, the kept frame after it, and how far it is on the way from one
    /// to the other. At the ends both are the nearest kept frame.
    Neighbours(Vec<(usize, usize, f64)>),
    /// [`waves`] at kept and at dropped frames.
    Waves { at_kept: Array2<f64>, at_dropped: Array2<f64> },
}

impl Filling {
    /// For a run with one flag per frame. Without a dropped or without a kept frame it does nothing.
    #[must_use]
    pub fn new(kept: &[bool], how: Fill) -> Self {
        let rows = |wanted: bool| (0..kept.len()).filter(|&i| kept[i] == wanted).collect::<Vec<_>>();
        let (kept_rows, mut dropped_rows) = (rows(true), rows(false));
        if kept_rows.is_empty() {
            dropped_rows.clear();
        }
        let from = match how {
            Fill::Spectral if !dropped_rows.is_empty() => {
                let (at_kept, at_dropped) = waves(kept.len(), &kept_rows, &dropped_rows);
                From::Waves { at_kept, at_dropped }
            }
            _ => From::Neighbours(dropped_rows.iter().filter_map(|&row| neighbours(&kept_rows, row)).collect()),
        };
        Self { frames: kept.len(), kept_rows, dropped_rows, from }
    }

    /// Fills the dropped rows of frames × columns in place; kept rows stay as they are.
    ///
    /// # Panics
    /// When `values` has another number of rows than there are frames.
    pub fn fill(&self, values: &mut Array2<f64>) {
        assert_eq!(values.nrows(), self.frames, "one row per frame");
        match &self.from {
            From::Neighbours(neighbours) => {
                for mut column in values.columns_mut() {
                    for (&row, &(before, after, share)) in self.dropped_rows.iter().zip(neighbours) {
                        column[row] = column[before] + share * (column[after] - column[before]);
                    }
                }
            }
            From::Waves { at_kept, at_dropped } => {
                let x = values.select(Axis(0), &self.kept_rows);
                let mean = x.mean_axis(Axis(0)).unwrap_or_else(|| Array1::zeros(values.ncols()));
                let x = x - &mean;
                let coefficients = at_kept.t().dot(&x);
                let (fitted, filled) = (at_kept.dot(&coefficients), at_dropped.dot(&coefficients));
                let (sd, sd_fit) = (x.std_axis(Axis(0), 0.0), fitted.std_axis(Axis(0), 0.0));
                for (j, mut column) in values.columns_mut().into_iter().enumerate() {
                    let scale = if sd_fit[j] > 0.0 { sd[j] / sd_fit[j] } else { 0.0 };
                    for (row, &i) in self.dropped_rows.iter().enumerate() {
                        column[i] = mean[j] + scale * filled[[row, j]];
                    }
                }
            }
        }
    }

    /// Whether series are rescaled by their own SD.
    #[must_use]
    pub fn rescales(&self) -> bool {
        matches!(self.from, From::Waves { .. })
    }

    /// The one factor that stands for those by which [`fill`](Self::fill) rescales series of mean 0: the root of the
    /// ratio of the mean squares of `series` (kept frames × any number) and of what is fitted to them. 1 where nothing
    /// is rescaled.
    #[must_use]
    pub fn factor(&self, series: ArrayView2<'_, f64>) -> f64 {
        let From::Waves { at_kept, .. } = &self.from else { return 1.0 };
        let fitted = at_kept.dot(&at_kept.t().dot(&series));
        let squares = |a: ArrayView2<'_, f64>| a.iter().map(|v| v * v).sum::<f64>();
        let of_fit = squares(fitted.view());
        if of_fit > 0.0 { (squares(series) / of_fit).sqrt() } else { 0.0 }
    }

    /// [`fill`](Self::fill) of series whose mean over the kept frames is 0, as a linear map: all are rescaled by one
    /// [`factor`](Self::factor).
    pub fn fill_by_factor(&self, values: &mut Array2<f64>, factor: f64) {
        let From::Waves { at_kept, at_dropped } = &self.from else { return self.fill(values) };
        let filled = at_dropped.dot(&at_kept.t().dot(&values.select(Axis(0), &self.kept_rows)));
        for (row, &i) in self.dropped_rows.iter().enumerate() {
            values.row_mut(i).assign(&(factor * &filled.row(row)));
        }
    }

    /// The transpose of [`fill_by_factor`](Self::fill_by_factor), in place: dropped rows become 0 and give what they
    /// held to the kept rows that they are filled from.
    pub fn transposed_by_factor(&self, values: &mut Array2<f64>, factor: f64) {
        match &self.from {
            From::Neighbours(neighbours) => {
                for mut column in values.columns_mut() {
                    for (&row, &(before, after, share)) in self.dropped_rows.iter().zip(neighbours) {
                        let value = std::mem::replace(&mut column[row], 0.0);
                        column[before] += (1.0 - share) * value;
                        column[after] += share * value;
                    }
                }
            }
            From::Waves { at_kept, at_dropped } => {
                let given = at_kept.dot(&at_dropped.t().dot(&values.select(Axis(0), &self.dropped_rows)));
                for (row, &i) in self.kept_rows.iter().enumerate() {
                    values.row_mut(i).scaled_add(factor, &given.row(row));
                }
                for &i in &self.dropped_rows {
                    values.row_mut(i).fill(0.0);
                }
            }
        }
    }
}

/// The kept frames around a dropped one and how far it is between them; none where no frame is kept.
fn neighbours(kept_rows: &[usize], row: usize) -> Option<(usize, usize, f64)> {
    let next = kept_rows.partition_point(|&kept| kept < row);
    let (before, after) = (next.checked_sub(1).map(|i| kept_rows[i]), kept_rows.get(next).copied());
    match (before, after) {
        (Some(before), Some(after)) => Some((before, after, (row - before) as f64 / (after - before) as f64)),
        (Some(only), None) | (None, Some(only)) => Some((only, only, 0.0)),
        (None, None) => None,
    }
}

/// At each frequency a cosine and a sine, shifted so that they are orthogonal over the kept frames (Lomb's τ), divided
/// by their norms there; rows are frames. A wave that vanishes on the kept frames is left out by a zero column.
fn waves(frames: usize, kept: &[usize], dropped: &[usize]) -> (Array2<f64>, Array2<f64>) {
    let count = OVERSAMPLING * frames / 2;
    let frequencies = 1..count;
    let mut at_kept = Array2::zeros((kept.len(), 2 * frequencies.len()));
    let mut at_dropped = Array2::zeros((dropped.len(), 2 * frequencies.len()));
    for (column, j) in frequencies.enumerate() {
        let omega = std::f64::consts::TAU * j as f64 / (OVERSAMPLING * frames) as f64;
        let (sin2, cos2) = kept.iter().fold((0.0, 0.0), |(s, c), &t| {
            let (sin, cos) = (2.0 * omega * t as f64).sin_cos();
            (s + sin, c + cos)
        });
        // ω τ of Lomb 1976, equation for the time offset: tan 2ωτ = Σ sin 2ωt / Σ cos 2ωt.
        let shift = 0.5 * f64::atan2(sin2, cos2);
        let wave = |t: usize| (omega * t as f64 - shift).sin_cos();
        let (ss, cc) = kept.iter().fold((0.0, 0.0), |(ss, cc), &t| {
            let (sin, cos) = wave(t);
            (ss + sin * sin, cc + cos * cos)
        });
        // A wave whose mean square over the kept frames is only rounding is left out (own convention).
        let scale = |square: f64| if square > 1e-12 * kept.len() as f64 { 1.0 / square.sqrt() } else { 0.0 };
        let (sin_scale, cos_scale) = (scale(ss), scale(cc));
        for (array, rows) in [(&mut at_kept, kept), (&mut at_dropped, dropped)] {
            for (row, &t) in rows.iter().enumerate() {
                let (sin, cos) = wave(t);
                array[[row, 2 * column]] = cos * cos_scale;
                array[[row, 2 * column + 1]] = sin * sin_scale;
            }
        }
    }
    (at_kept, at_dropped)
}
