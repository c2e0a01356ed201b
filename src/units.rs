//! Units where values cross modules. Inside loops the suffix of a name (`fd_mm`, `tr_s`) says the unit.

use serde::Serialize;

/// A repetition time above this, s, must have a wrong unit (own convention).
pub const LONGEST_TR_S: f64 = 100.0;

/// A repetition time in seconds, if it can be one.
#[must_use]
pub fn usable_tr(tr_s: f64) -> Option<f64> {
    (tr_s > 0.0 && tr_s <= LONGEST_TR_S).then_some(tr_s)
}

/// Repetition time: seconds from the start of one frame to the start of the next.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Seconds(pub f64);

/// A length in millimetres.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
#[serde(transparent)]
pub struct Millimetres(pub f64);

impl Seconds {
    /// The same span in minutes.
    #[must_use]
    pub fn minutes(self) -> f64 {
        self.0 / 60.0
    }

    /// The fewest frames, `tr` apart, that last at least this long. Time before and after a moved frame and the
    /// shortest stretch are rounded so: at least the time asked for is dropped (own convention).
    #[must_use]
    pub fn frames_covering(self, tr: Self) -> usize {
        // A millionth of a frame is rounding: 1.8 s are 3 frames of 0.6 s, and not 4.
        (self.0 / tr.0 - 1e-6).ceil().max(0.0) as usize
    }

    /// The whole number of frames, `tr` apart, that is nearest to this long, at least 1; half a frame rounds up. The
    /// span of displacement is rounded so (own convention).
    #[must_use]
    pub fn nearest_frames(self, tr: Self) -> usize {
        ((self.0 / tr.0 + 1e-6).round() as usize).max(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_become_frames() {
        let frames = |seconds: f64, tr: f64| {
            (Seconds(seconds).frames_covering(Seconds(tr)), Seconds(seconds).nearest_frames(Seconds(tr)))
        };
        assert_eq!(frames(0.0, 2.0), (0, 1));
        assert_eq!(frames(0.1, 2.0), (1, 1));
        assert_eq!(frames(2.0, 2.0), (1, 1));
        assert_eq!(frames(2.5, 2.0), (2, 1));
        assert_eq!(frames(3.0, 2.0), (2, 2));
        // 1.8 / 0.6 is 3.0000000000000004 in floating point.
        assert_eq!(frames(1.8, 0.6), (3, 3));
        assert_eq!(frames(2.4, 0.8), (3, 3));
        assert_eq!(frames(3.0, 1.35), (3, 2));
    }

    proptest::proptest! {
        /// Against counting frames one by one: no fewer would last as long, and no other number is nearer.
        #[test]
        fn as_counted(hundredths in 0_u32..3000, tr_hundredths in 20_u32..400) {
            let (seconds, tr) = (Seconds(f64::from(hundredths) / 100.0), Seconds(f64::from(tr_hundredths) / 100.0));
            let covering = (0_u32..).find(|n| n * tr_hundredths >= hundredths).unwrap();
            proptest::prop_assert_eq!(seconds.frames_covering(tr), covering as usize);
            let far = |n: u32| (n * tr_hundredths).abs_diff(hundredths);
            let nearest = (1_u32..=3001).rev().min_by_key(|&n| far(n)).unwrap();
            proptest::prop_assert_eq!(seconds.nearest_frames(tr), nearest as usize);
        }
    }
}
