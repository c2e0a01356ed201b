//! The band-pass: a Butterworth filter of order 2, forward and backward, so that it shifts no phase.
//!
//! Design: analogue prototype, band-pass transform, bilinear transform with prewarped edges, as second-order sections
//! (Oppenheim & Schafer, Discrete-Time Signal Processing, ch. 7; from memory). The ends are extended by odd reflection
//! over min(T−1, ⌈1/(f_low·TR)⌉) frames; [`crate::sections`] says how the sections run.

use ndarray::Array2;

use super::error::CleanError;
use crate::sections::{Section, forward_backward, forward_backward_transposed};
use crate::units::Seconds;

/// Refuses an upper edge above the frequencies that frames `tr` apart can show.
///
/// # Errors
/// [`CleanError::BandAboveNyquist`].
pub fn require_below_nyquist(high_hz: f64, tr: Seconds) -> Result<(), CleanError> {
    let nyquist_hz = 0.5 / tr.0;
    if high_hz < nyquist_hz { Ok(()) } else { Err(CleanError::BandAboveNyquist { high_hz, tr_s: tr.0, nyquist_hz }) }
}

/// A complex number; all that the design needs of them.
#[derive(Clone, Copy)]
struct Complex {
    re: f64,
    im: f64,
}

impl Complex {
    fn mul(self, o: Self) -> Self {
        Self { re: self.re * o.re - self.im * o.im, im: self.re * o.im + self.im * o.re }
    }

    fn div(self, o: Self) -> Self {
        let d = o.re * o.re + o.im * o.im;
        Self { re: (self.re * o.re + self.im * o.im) / d, im: (self.im * o.re - self.re * o.im) / d }
    }

    fn sqrt(self) -> Self {
        let length = self.re.hypot(self.im);
        let re = ((length + self.re) / 2.0).sqrt();
        let im = ((length - self.re) / 2.0).sqrt();
        Self { re, im: if self.im < 0.0 { -im } else { im } }
    }
}

/// The two sections of the order-2 band-pass with half-power edges `low` and `high`, in Hz, for frames `tr` apart.
#[must_use]
pub fn band_pass_sections([low, high]: [f64; 2], tr: Seconds) -> [Section; 2] {
    // The bilinear transform z = (4 + s)/(4 − s) at a sampling rate of 2, as prewarping by 4·tan(πf·TR) asks.
    let warp = |hz: f64| 4.0 * (std::f64::consts::PI * hz * tr.0).tan();
    let (w1, w2) = (warp(low), warp(high));
    let (width, centre_square) = (w2 - w1, w1 * w2);
    // One pole of the prototype, −e^{iπ/4}; its conjugate gives the conjugate poles.
    let half = Complex {
        re: -width / 2.0 * std::f64::consts::FRAC_1_SQRT_2,
        im: width / 2.0 * std::f64::consts::FRAC_1_SQRT_2,
    };
    let square = half.mul(half);
    let root = Complex { re: square.re - centre_square, im: square.im }.sqrt();
    let poles = [
        Complex { re: half.re + root.re, im: half.im + root.im },
        Complex { re: half.re - root.re, im: half.im - root.im },
    ];
    // Gain: width² · ∏(4 − zero)/∏(4 − pole), zeros at s = 0 twice; the conjugate poles make the product real.
    let mut gain = width * width * 16.0;
    let sections = poles.map(|s| {
        let below = Complex { re: 4.0 - s.re, im: -s.im };
        gain /= below.re * below.re + below.im * below.im;
        let z = Complex { re: 4.0 + s.re, im: s.im }.div(below);
        Section { b: [1.0, 0.0, -1.0], a: [-2.0 * z.re, z.re * z.re + z.im * z.im] }
    });
    let [mut first, second] = sections;
    first.b = first.b.map(|b| b * gain);
    [first, second]
}

/// Filters each column (frames × columns) in place.
///
/// # Errors
/// [`CleanError::BandAboveNyquist`].
pub fn band_pass(values: &mut Array2<f64>, band_hz: [f64; 2], tr: Seconds) -> Result<(), CleanError> {
    require_below_nyquist(band_hz[1], tr)?;
    let extension = extension(values.nrows(), band_hz, tr);
    forward_backward(&band_pass_sections(band_hz, tr), extension, values.view_mut());
    Ok(())
}

/// The transpose of [`band_pass`] as a linear map of series, in place.
///
/// # Errors
/// [`CleanError::BandAboveNyquist`].
pub fn band_pass_transposed(values: &mut Array2<f64>, band_hz: [f64; 2], tr: Seconds) -> Result<(), CleanError> {
    require_below_nyquist(band_hz[1], tr)?;
    let extension = extension(values.nrows(), band_hz, tr);
    forward_backward_transposed(&band_pass_sections(band_hz, tr), extension, values.view_mut());
    Ok(())
}

/// By how many frames each end is extended.
fn extension(frames: usize, band_hz: [f64; 2], tr: Seconds) -> usize {
    let wanted = (1.0 / (band_hz[0] * tr.0)).ceil();
    let most = frames.saturating_sub(1);
    if wanted < most as f64 { wanted as usize } else { most }
}
