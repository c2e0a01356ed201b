//! How much of each motion parameter's variance lies at which frequency. It shows breathing, before and after a filter.
//!
//! The periodogram of the series without its straight line (least squares), under a Hann taper w: with X the discrete
//! Fourier transform of w·x, the density is 2·|X|²·TR/Σw², and half of that at 0 and at the Nyquist frequency. Schuster
//! 1898, Terrestrial Magnetism 3:13 (the periodogram); Harris 1978, Proc IEEE 66:51 (the taper, in the form that
//! repeats after as many values as the series has). Units: mm²/Hz and rad²/Hz; summed over frequencies and divided by
//! the run's length in seconds it gives the variance.
//!
//! The transform halves the series as long as its length is even (Cooley & Tukey 1965, Mathematics of Computation
//! 19:297) and does the rest term by term, with one table of a turn's sines.

use std::f64::consts::PI;

use ndarray::{Array1, Array2};

use crate::motion::MotionTrace;
use crate::units::Seconds;

/// Power of the six parameters.
#[derive(Debug, Clone, PartialEq)]
pub struct MotionSpectrum {
    /// 0, 1/(T·TR), … up to the Nyquist frequency, Hz, T the number of frames.
    pub frequencies_hz: Array1<f64>,
    /// Frequencies × 6: translations x y z in mm²/Hz, rotations x y z in rad²/Hz.
    pub power: Array2<f64>,
}

/// The spectrum of a trace; without any frequency when it has fewer than three frames.
#[must_use]
pub fn spectrum(trace: &MotionTrace, tr: Seconds) -> MotionSpectrum {
    let frames = trace.frames();
    if frames < 3 {
        return MotionSpectrum { frequencies_hz: Array1::zeros(0), power: Array2::zeros((0, 6)) };
    }
    let length = frames as f64;
    let cosine: Vec<f64> = (0..frames).map(|i| (2.0 * PI * i as f64 / length).cos()).collect();
    let sine: Vec<f64> = (0..frames).map(|i| (2.0 * PI * i as f64 / length).sin()).collect();
    let taper: Vec<f64> = cosine.iter().map(|c| 0.5 - 0.5 * c).collect();
    let squares: f64 = taper.iter().map(|w| w * w).sum();

    let mut tapered = vec![[0.0; 6]; frames];
    let parameters = trace.translations_mm.columns().into_iter().chain(trace.rotations_rad.columns());
    for (p, parameter) in parameters.enumerate() {
        let mean = parameter.sum() / length;
        let middle = (length - 1.0) / 2.0;
        let (mut along, mut spread) = (0.0, 0.0);
        for (i, value) in parameter.iter().enumerate() {
            along += (i as f64 - middle) * (value - mean);
            spread += (i as f64 - middle).powi(2);
        }
        let slope = along / spread;
        for (i, (value, row)) in parameter.iter().zip(&mut tapered).enumerate() {
            row[p] = taper[i] * (value - mean - slope * (i as f64 - middle));
        }
    }

    let bins = frames / 2 + 1;
    let transformed = transform(&tapered, 0, 1, &cosine, &sine);
    let mut power = Array2::zeros((bins, 6));
    for (j, (re, im)) in transformed.iter().enumerate().take(bins) {
        let sides = if j == 0 || 2 * j == frames { 1.0 } else { 2.0 };
        for p in 0..6 {
            power[[j, p]] = sides * (re[p] * re[p] + im[p] * im[p]) * tr.0 / squares;
        }
    }
    let frequencies_hz = Array1::from_shape_fn(bins, |j| j as f64 / (length * tr.0));
    MotionSpectrum { frequencies_hz, power }
}

/// The six parameters' transform at one frequency: real and imaginary parts.
type Bin = ([f64; 6], [f64; 6]);

/// The discrete Fourier transform of every `stride`-th value from `first` on; the tables hold one turn in as many steps
/// as there are values in all.
fn transform(values: &[[f64; 6]], first: usize, stride: usize, cosine: &[f64], sine: &[f64]) -> Vec<Bin> {
    let length = values.len() / stride;
    if length > 0 && length.is_multiple_of(2) {
        let even = transform(values, first, 2 * stride, cosine, sine);
        let odd = transform(values, first + stride, 2 * stride, cosine, sine);
        let half = length / 2;
        return (0..length)
            .map(|j| {
                let (c, s) = (cosine[j * stride], sine[j * stride]);
                let ((a_re, a_im), (b_re, b_im)) = (&even[j % half], &odd[j % half]);
                let re = std::array::from_fn(|p| a_re[p] + c * b_re[p] + s * b_im[p]);
                let im = std::array::from_fn(|p| a_im[p] + c * b_im[p] - s * b_re[p]);
                (re, im)
            })
            .collect();
    }
    (0..length)
        .map(|j| {
            let (mut re, mut im, mut turn) = ([0.0; 6], [0.0; 6], 0);
            for row in values.iter().skip(first).step_by(stride) {
                let (c, s) = (cosine[turn], sine[turn]);
                for p in 0..6 {
                    re[p] += c * row[p];
                    im[p] -= s * row[p];
                }
                turn = (turn + j * stride) % values.len();
            }
            (re, im)
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sine_stands_at_its_folded_frequency_with_its_variance() {
        let (frames, tr) = (400, Seconds(2.0));
        // 36 breaths a minute, 0.6 Hz, show at 0.1 Hz; a straight line is no spectrum.
        let wave = |i: usize| 0.02 * (2.0 * PI * 0.6 * i as f64 * tr.0).sin();
        let trace = MotionTrace {
            translations_mm: Array2::from_shape_fn(
                (frames, 3),
                |(i, k)| if k == 1 { wave(i) } else { i as f64 * 0.01 },
            ),
            rotations_rad: Array2::zeros((frames, 3)),
        };
        let found = spectrum(&trace, tr);
        assert_eq!(found.frequencies_hz.len(), 201);
        assert!((found.frequencies_hz[200] - 0.25).abs() < 1e-12);
        let highest = (0..201).max_by(|&a, &b| found.power[[a, 1]].total_cmp(&found.power[[b, 1]])).unwrap();
        assert!((found.frequencies_hz[highest] - 0.1).abs() < 1e-12);
        let variance: f64 = found.power.column(1).sum() / (frames as f64 * tr.0);
        assert!((variance - 0.0002).abs() < 2e-6, "{variance}");
        for p in [0, 2, 3, 4, 5] {
            assert!(found.power.column(p).iter().all(|v| v.abs() < 1e-20));
        }
    }

    #[test]
    fn odd_counts_and_short_traces() {
        let trace = |frames: usize| MotionTrace {
            translations_mm: Array2::from_shape_fn((frames, 3), |(i, k)| ((i * i + k) as f64).sin()),
            rotations_rad: Array2::zeros((frames, 3)),
        };
        assert_eq!(spectrum(&trace(2), Seconds(1.0)).frequencies_hz.len(), 0);
        let odd = spectrum(&trace(7), Seconds(1.0));
        assert_eq!(odd.frequencies_hz.len(), 4);
        assert!(odd.power.iter().all(|v| v.is_finite()));
    }
}
