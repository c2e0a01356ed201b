//! How many frames the signal takes to settle at the start of a run.
//!
//! Before the spins reach their steady state the whole image is brighter. Leading frames are cut, at most 10, if their
//! mask mean lies more than 3 robust SD (1.4826·MAD; Rousseeuw & Croux 1993, J Am Stat Assoc 88:1273) above the median
//! of the rest. The rest are the frames that are never cut: those after the first 10, or, in a run of fewer than 20
//! frames, the later half. The first frame that does not stand out ends the count (own convention).
//!
//! A series that hardly varies has an SD near 0. A frame must then still lie a millionth of the median above the
//! median, which is more than rounding leaves.

use ndarray::ArrayView1;

use crate::digest::median_and_robust_sd;

/// The most frames that are cut (own convention).
pub const MOST: usize = 10;
/// Robust SDs above the median that a settling frame exceeds (own convention).
const LIMIT_SD: f64 = 3.0;
/// A rise below this share of the median is rounding.
const ROUNDING: f64 = 1e-6;

/// The number of leading frames that have not settled. `mask_mean` has the mean over the brain mask of each frame. A
/// mean that is not finite ends the count and does not enter the rest.
#[must_use]
pub fn frames(mask_mean: ArrayView1<'_, f64>) -> usize {
    let most = MOST.min(mask_mean.len() / 2);
    let rest: Vec<f64> = mask_mean.iter().skip(most).copied().filter(|v| v.is_finite()).collect();
    if rest.is_empty() {
        return 0;
    }
    let (middle, sd) = median_and_robust_sd(rest);
    let limit = middle + (LIMIT_SD * sd).max(ROUNDING * middle.abs());
    mask_mean.iter().take(most).take_while(|&&v| v.is_finite() && v > limit).count()
}

#[cfg(test)]
mod tests {
    use ndarray::Array1;

    use super::*;

    /// Steady values with a little wave, the first ones raised by these.
    fn series(length: usize, raised: &[f64]) -> Array1<f64> {
        Array1::from_shape_fn(length, |i| 1000.0 + (i as f64 * 1.7).sin() + raised.get(i).copied().unwrap_or(0.0))
    }

    #[test]
    fn leading_bright_frames_are_counted_and_no_others() {
        assert_eq!(frames(series(100, &[]).view()), 0);
        assert_eq!(frames(series(100, &[200.0, 60.0, 15.0]).view()), 3);
        // A gap ends the count; a dark start is no settling.
        assert_eq!(frames(series(100, &[200.0, 0.0, 60.0]).view()), 1);
        assert_eq!(frames(series(100, &[-200.0, 60.0]).view()), 0);
        assert_eq!(frames(series(100, &[50.0; 30]).view()), 10);
    }

    #[test]
    fn the_limit_is_three_robust_sd() {
        // The rest is −1, 0, 1 in turn about 50: median 50, MAD 1 (two in three lie 1 away), SD 1.4826, limit 54.4478.
        let with = |first: f64| {
            let values = Array1::from_shape_fn(70, |i| match i {
                0 => first,
                i if i < 10 => 50.0,
                i => 50.0 + ((i - 10) % 3) as f64 - 1.0,
            });
            frames(values.view())
        };
        assert_eq!((with(54.447), with(54.449)), (0, 1));
    }

    #[test]
    fn short_constant_and_broken_series_are_safe() {
        assert_eq!(frames(Array1::zeros(0).view()), 0);
        assert_eq!(frames(Array1::from_elem(1, 5.0).view()), 0);
        assert_eq!(frames(Array1::from_elem(50, 5.0).view()), 0);
        assert_eq!(frames(Array1::from_elem(50, 0.0).view()), 0);
        assert_eq!(frames(Array1::from_elem(50, f64::NAN).view()), 0);
        // Constant but for the start, and but for rounding at the start.
        let start = |first: f64| Array1::from_shape_fn(50, |i| if i == 0 { first } else { 800.0 });
        assert_eq!((frames(start(900.0).view()), frames(start(800.0 + 1e-9).view())), (1, 0));
        // Eight frames: at most four are cut, the later four are the rest.
        assert_eq!(frames(series(8, &[300.0, 200.0, 100.0, 50.0, 20.0]).view()), 4);
        assert_eq!(frames(series(3, &[300.0]).view()), 1);
        let mut broken = series(100, &[200.0, 100.0]);
        broken[1] = f64::NAN;
        broken[40] = f64::INFINITY;
        assert_eq!(frames(broken.view()), 1);
    }
}
