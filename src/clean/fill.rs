//! Values that replace dropped frames while filtering. They are thrown away again afterwards.
//!
//! *linear*: between kept neighbours, the nearest kept value at the ends. *spectral*: at each frequency j/(8T) below
//! the Nyquist frequency, T the length of the run, the least-squares sine and cosine of the kept frames (Lomb 1976,
//! Astrophys Space Sci 39:447; Scargle 1982, Astrophys J 263:835), summed, rescaled so that the SD over kept frames
//! matches, and read back at the dropped frames.
//!
//! The default is linear, the simpler of the two; docs/methods.md has the comparison.

use ndarray::{Array1, Array2, Axis};

use crate::study::settings::Fill;

/// Oversampling of the frequency grid: steps of 1/(8T).
const OVERSAMPLING: usize = 8;

/// Fills the dropped rows of frames × columns in place; kept rows stay as they are. Without a kept frame nothing is
/// done.
///
/// # Panics
/// When `kept` has another length than `values` has rows.
pub fn fill(values: &mut Array2<f64>, kept: &[bool], how: Fill) {
    assert_eq!(values.nrows(), kept.len(), "one flag per frame");
    if kept.iter().all(|&k| k) || !kept.contains(&true) {
        return;
    }
    match how {
        Fill::Linear => linear(values, kept),
        Fill::Spectral => spectral(values, kept),
    }
}

fn linear(values: &mut Array2<f64>, kept: &[bool]) {
    let gaps = crate::stretches::stretches(&kept.iter().map(|k| !k).collect::<Vec<_>>());
    for mut column in values.columns_mut() {
        for &(start, end) in &gaps {
            let before = start.checked_sub(1).map(|i| column[i]);
            let after = (end < kept.len()).then(|| column[end]);
            for i in start..end {
                match (before, after) {
                    (Some(before), Some(after)) => {
                        let share = (i + 1 - start) as f64 / (end + 1 - start) as f64;
                        column[i] = before + share * (after - before);
                    }
                    (Some(only), None) | (None, Some(only)) => column[i] = only,
                    (None, None) => {}
                }
            }
        }
    }
}

fn spectral(values: &mut Array2<f64>, kept: &[bool]) {
    let frames = kept.len();
    let rows = |wanted: bool| (0..frames).filter(|&i| kept[i] == wanted).collect::<Vec<_>>();
    let (kept_rows, dropped_rows) = (rows(true), rows(false));
    let x = values.select(Axis(0), &kept_rows);
    let mean = x.mean_axis(Axis(0)).unwrap_or_else(|| Array1::zeros(values.ncols()));
    let x = x - &mean;

    // Time in frames: frequency j/(8T) turns by 2πj/(8·frames) per frame, and the Nyquist frequency is j = 4·frames.
    let (kept_waves, dropped_waves) = waves(frames, &kept_rows, &dropped_rows);
    let coefficients = kept_waves.t().dot(&x);
    let at_kept = kept_waves.dot(&coefficients);
    let at_dropped = dropped_waves.dot(&coefficients);

    let sd = x.std_axis(Axis(0), 0.0);
    let sd_fit = at_kept.std_axis(Axis(0), 0.0);
    for (j, mut column) in values.columns_mut().into_iter().enumerate() {
        let scale = if sd_fit[j] > 0.0 { sd[j] / sd_fit[j] } else { 0.0 };
        for (row, &i) in dropped_rows.iter().enumerate() {
            column[i] = mean[j] + scale * at_dropped[[row, j]];
        }
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
