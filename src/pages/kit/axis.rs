//! Round numbers along the axis of a picture.

/// The smallest step of 1, 2 or 5 times a power of ten that divides a range into at most `most` parts; 1 for no range.
#[must_use]
pub fn round_step(range: f64, most: f64) -> f64 {
    if range.is_nan() || range <= 0.0 {
        return 1.0;
    }
    let power = 10f64.powf((range / most).log10().floor());
    [1.0, 2.0, 5.0, 10.0]
        .map(|m| m * power)
        .into_iter()
        .find(|step| range / step <= most + 1e-9)
        .unwrap_or(10.0 * power)
}

/// Digits after the point that a step needs.
#[must_use]
pub fn step_digits(step: f64) -> usize {
    (0..6).find(|&d| ((step * 10f64.powi(d)).round() - step * 10f64.powi(d)).abs() < 1e-9).unwrap_or(6) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_are_round_and_few() {
        for (range, most, step) in
            [(1.0, 5.0, 0.2), (12.0, 6.0, 2.0), (500.0, 6.0, 100.0), (0.25, 5.0, 0.05), (7.0, 6.0, 2.0)]
        {
            assert!((round_step(range, most) - step).abs() < 1e-12, "{range}: {}", round_step(range, most));
        }
        assert_eq!(round_step(0.0, 5.0), 1.0);
        assert_eq!([1.0, 0.2, 0.05, 20.0].map(step_digits), [0, 1, 2, 0]);
    }
}
