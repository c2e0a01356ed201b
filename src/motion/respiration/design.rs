//! The two filters: a notch and a low-pass, each one second-order section.
//!
//! *Notch*: zeros on the unit circle at the centre ω₀, poles drawn in by the bandwidth Δω, both in rad per frame: g =
//! 1/(1 + tan(Δω/2)), b = g·(1, −2cos ω₀, 1), a = (1, −2g·cos ω₀, 2g − 1). One pass lets half the power through at two
//! frequencies Δω apart, whose mean ω̄ has cos ω̄ = cos ω₀·cos(Δω/2): near ω₀, a little nearer to a quarter of the
//! sampling rate. Orfanidis 1996, Introduction to Signal Processing, Prentice Hall, sec. 11.3 (from memory).
//!
//! *Low-pass*: Butterworth of order 2 by the bilinear transform with a prewarped cut-off, k = tan(π·f·TR). Oppenheim &
//! Schafer, Discrete-Time Signal Processing, ch. 7 (from memory).

use std::f64::consts::{PI, SQRT_2};

use crate::sections::Section;
use crate::units::Seconds;

/// The notch about `centre_hz`, `bandwidth_hz` wide between its half-power points, for frames `tr` apart.
#[must_use]
pub fn notch(centre_hz: f64, bandwidth_hz: f64, tr: Seconds) -> Section {
    let gain = 1.0 / (1.0 + (PI * bandwidth_hz * tr.0).tan());
    let cosine = (2.0 * PI * centre_hz * tr.0).cos();
    Section { b: [gain, -2.0 * gain * cosine, gain], a: [-2.0 * gain * cosine, 2.0 * gain - 1.0] }
}

/// Where one pass of a notch lets half the power through, Hz, the lower frequency first.
#[must_use]
pub fn half_power_hz(centre_hz: f64, bandwidth_hz: f64, tr: Seconds) -> [f64; 2] {
    let mean = ((2.0 * PI * centre_hz * tr.0).cos() * (PI * bandwidth_hz * tr.0).cos()).acos();
    let mean_hz = mean / (2.0 * PI * tr.0);
    [mean_hz - bandwidth_hz / 2.0, mean_hz + bandwidth_hz / 2.0]
}

/// The order-2 Butterworth low-pass with half-power point `cutoff_hz`, below the Nyquist frequency of frames `tr`
/// apart.
#[must_use]
pub fn low_pass(cutoff_hz: f64, tr: Seconds) -> Section {
    let k = (PI * cutoff_hz * tr.0).tan();
    let scale = 1.0 / (1.0 + SQRT_2 * k + k * k);
    let b = k * k * scale;
    Section { b: [b, 2.0 * b, b], a: [2.0 * (k * k - 1.0) * scale, (1.0 - SQRT_2 * k + k * k) * scale] }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Power that one pass lets through at a frequency.
    fn power(Section { b, a }: Section, hz: f64, tr: Seconds) -> f64 {
        let turn = 2.0 * PI * hz * tr.0;
        let square = |c: [f64; 3]| {
            let re = c[0] + c[1] * turn.cos() + c[2] * (2.0 * turn).cos();
            let im = c[1] * turn.sin() + c[2] * (2.0 * turn).sin();
            re * re + im * im
        };
        square(b) / square([1.0, a[0], a[1]])
    }

    #[test]
    fn a_notch_stops_its_centre_and_lets_0_and_nyquist_through() {
        for tr in [0.72, 0.8, 2.0].map(Seconds) {
            for (centre, width) in [(0.05 / tr.0, 0.01 / tr.0), (0.2 / tr.0, 0.1 / tr.0), (0.4 / tr.0, 0.15 / tr.0)] {
                let section = notch(centre, width, tr);
                assert!(power(section, centre, tr) < 1e-20);
                assert!((power(section, 0.0, tr) - 1.0).abs() < 1e-12);
                assert!((power(section, 0.5 / tr.0, tr) - 1.0).abs() < 1e-12);
                // The half-power points, found by search, lie the bandwidth apart.
                let half = |mut stopped: f64, mut passed: f64| {
                    for _ in 0..60 {
                        let middle = (stopped + passed) / 2.0;
                        if power(section, middle, tr) < 0.5 { stopped = middle } else { passed = middle }
                    }
                    stopped
                };
                let found = [half(centre, 0.0), half(centre, 0.5 / tr.0)];
                assert!((found[1] - found[0] - width).abs() < 1e-9 / tr.0, "{found:?} {width}");
                let said = half_power_hz(centre, width, tr);
                assert!((0..2).all(|i| (found[i] - said[i]).abs() < 1e-9 / tr.0), "{found:?} {said:?}");
            }
        }
    }

    #[test]
    fn a_low_pass_halves_the_power_at_its_cutoff_and_stops_nyquist() {
        for tr in [0.72, 2.0, 3.0].map(Seconds) {
            for cutoff in [0.05, 0.1, 0.16] {
                let section = low_pass(cutoff, tr);
                assert!((power(section, 0.0, tr) - 1.0).abs() < 1e-12);
                assert!((power(section, cutoff, tr) - 0.5).abs() < 1e-12);
                assert!(power(section, 0.5 / tr.0, tr) < 1e-20);
            }
        }
    }
}
