//! Slow random signals with a known spectrum, and parcel signals with a known correlation.
//!
//! A signal is s(t) = Σⱼ √pⱼ (aⱼ cos ωⱼt + bⱼ sin ωⱼt) with independent standard normal aⱼ, bⱼ, Σ pⱼ = 1, and
//! frequencies j/(2·run length) inside the band: it is Gaussian, stationary and of unit variance. Its period is twice
//! the run, so it does not repeat within it. Parcel signals are L·e(t), with L the Cholesky factor of the true matrix
//! and e independent signals of one spectrum, so that at every instant their expected correlation is the true one.
//! Power falls with frequency as 1/(1 + (f/0.05 Hz)²). That resting signals are strongest at low frequencies is common
//! knowledge; the exact form is this project's choice.

use std::f64::consts::PI;

use rand::RngExt;
use rand::rngs::ChaCha8Rng;
use rand_distr::StandardNormal;

use super::truth::Square;

/// The band that the true signals lie in, Hz: the default band of cleaning.
pub(super) const BAND_HZ: [f64; 2] = [0.01, 0.1];

/// Where half the power per hertz is reached, Hz.
const KNEE_HZ: f64 = 0.05;

/// The harmonics of one run: made once, drawn from often.
#[derive(Debug, Clone)]
pub struct Spectrum {
    frames: usize,
    /// Harmonic number and amplitude √p.
    harmonics: Vec<(usize, f64)>,
    /// cos(π·n/frames) for n in 0..2·frames.
    cosine: Vec<f64>,
    /// The same for the sine.
    sine: Vec<f64>,
}

impl Spectrum {
    /// Harmonics of a run of `frames` frames of `tr_s` seconds between two frequencies (Hz). If the run is so short or
    /// slow that no harmonic falls in the band, the nearest one below the Nyquist frequency stands in.
    #[must_use]
    pub fn new(frames: usize, tr_s: f64, band_hz: [f64; 2]) -> Self {
        let step_hz = 1.0 / (2.0 * frames as f64 * tr_s);
        let top = frames.saturating_sub(1).max(1);
        let low = (band_hz[0] / step_hz).ceil().max(1.0) as usize;
        let high = ((band_hz[1] / step_hz).floor() as usize).min(top);
        let range = if low <= high { low..=high } else { low.min(top)..=low.min(top) };
        let mut harmonics: Vec<(usize, f64)> =
            range.map(|j| (j, 1.0 / (1.0 + (j as f64 * step_hz / KNEE_HZ).powi(2)))).collect();
        let total: f64 = harmonics.iter().map(|h| h.1).sum();
        harmonics.iter_mut().for_each(|h| h.1 = (h.1 / total).sqrt());
        let turn = |n: usize| PI * n as f64 / frames as f64;
        let cosine = (0..2 * frames).map(|n| turn(n).cos()).collect();
        let sine = (0..2 * frames).map(|n| turn(n).sin()).collect();
        Self { frames, harmonics, cosine, sine }
    }

    /// One signal of unit variance, one value per frame.
    pub fn draw(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let period = 2 * self.frames;
        let mut signal = vec![0.0; self.frames];
        for &(j, amplitude) in &self.harmonics {
            let a: f64 = rng.sample(StandardNormal);
            let b: f64 = rng.sample(StandardNormal);
            for (t, s) in signal.iter_mut().enumerate() {
                let n = j * t % period;
                *s += amplitude * (a * self.cosine[n] + b * self.sine[n]);
            }
        }
        signal
    }

    /// Signals of all parcels, by frame: `[frame][parcel]`.
    pub fn draw_correlated(&self, factor: &Square, rng: &mut ChaCha8Rng) -> Vec<Vec<f64>> {
        let own: Vec<Vec<f64>> = (0..factor.size).map(|_| self.draw(rng)).collect();
        (0..self.frames).map(|t| factor.lower_times(&own.iter().map(|s| s[t]).collect::<Vec<_>>())).collect()
    }
}
