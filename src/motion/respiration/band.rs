//! How fast a child breathes, and where that shows in frames a repetition time apart.
//!
//! A rate f above the Nyquist frequency 1/(2·TR) shows at |f − round(f·TR)/TR|: sampling folds the axis of frequencies
//! at every multiple of 1/(2·TR), odd multiples onto the Nyquist frequency and even ones onto 0 (the sampling theorem;
//! Shannon 1949, Proc IRE 37:10). A band of rates that holds a folding point shows as everything from its lower folded
//! edge up to the Nyquist frequency, or from 0 up to its upper folded edge, or both.

use super::RespirationError;
use crate::units::Seconds;

/// Seconds in a minute: breaths per minute to Hz.
const MINUTE_S: f64 = 60.0;

/// An edge closer to a folding point than this share of the Nyquist frequency lies on it: such a distance is rounding.
const ON_A_FOLD: f64 = 1e-9;

/// 10th and 90th centile of breaths a minute below an age in months: Fleming et al. 2011, Lancet 377:1011; from memory.
const BY_AGE: [(f64, [f64; 2]); 13] = [
    (3.0, [34.0, 57.0]),
    (6.0, [33.0, 55.0]),
    (9.0, [31.0, 52.0]),
    (12.0, [30.0, 50.0]),
    (18.0, [28.0, 46.0]),
    (24.0, [25.0, 40.0]),
    (36.0, [22.0, 34.0]),
    (48.0, [21.0, 29.0]),
    (72.0, [20.0, 27.0]),
    (96.0, [18.0, 24.0]),
    (144.0, [16.0, 22.0]),
    (180.0, [15.0, 21.0]),
    (216.0, [13.0, 19.0]),
];
/// From 216 months on; same source, from memory.
const GROWN: [f64; 2] = [12.0, 18.0];

/// A range of breathing rates.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BreathingBand {
    low_per_min: f64,
    high_per_min: f64,
    age_months: Option<f64>,
}

/// Where a band of rates shows, Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum FoldedBand {
    /// From one folded edge to the other, with both 0 and the Nyquist frequency outside.
    Whole { low_hz: f64, high_hz: f64 },
    /// From the lower folded edge up to the Nyquist frequency.
    AtNyquist { low_hz: f64 },
    /// From 0 up to the upper folded edge.
    AtZero { high_hz: f64 },
    /// From 0 to the Nyquist frequency.
    Everything,
}

impl BreathingBand {
    /// The rates at an age in months. An exact boundary belongs to the older group (3 months: 33 to 55); below 0, as
    /// for a child born early, the youngest group's are taken.
    ///
    /// # Errors
    /// [`RespirationError::Age`] when the age is not a finite number.
    pub fn by_age(age_months: f64) -> Result<Self, RespirationError> {
        if !age_months.is_finite() {
            return Err(RespirationError::Age { age_months });
        }
        let [low_per_min, high_per_min] =
            BY_AGE.iter().find(|(below, _)| age_months < *below).map_or(GROWN, |(_, rates)| *rates);
        Ok(Self { low_per_min, high_per_min, age_months: Some(age_months) })
    }

    /// Rates that a study gives, breaths a minute.
    ///
    /// # Errors
    /// [`RespirationError::Rates`] unless 0 < low < high, both finite.
    pub fn given([low_per_min, high_per_min]: [f64; 2]) -> Result<Self, RespirationError> {
        if low_per_min > 0.0 && low_per_min < high_per_min && high_per_min.is_finite() {
            Ok(Self { low_per_min, high_per_min, age_months: None })
        } else {
            Err(RespirationError::Rates { low_per_min, high_per_min })
        }
    }

    /// Both edges, breaths a minute.
    #[must_use]
    pub fn per_min(&self) -> [f64; 2] {
        [self.low_per_min, self.high_per_min]
    }

    /// Both edges, Hz, before folding.
    #[must_use]
    pub fn hz(&self) -> [f64; 2] {
        [self.low_per_min / MINUTE_S, self.high_per_min / MINUTE_S]
    }

    /// The age that the rates are for, months; none when the study gave the rates.
    #[must_use]
    pub fn age_months(&self) -> Option<f64> {
        self.age_months
    }

    /// Whether frames `tr` apart show the whole band where it is.
    #[must_use]
    pub fn is_below_nyquist(&self, tr: Seconds) -> bool {
        self.hz()[1] <= nyquist_hz(tr) * (1.0 + ON_A_FOLD)
    }

    /// Where frames `tr` apart show the band. An edge on a folding point counts as reaching it.
    #[must_use]
    pub fn folded(&self, tr: Seconds) -> FoldedBand {
        let nyquist = nyquist_hz(tr);
        let [low, high] = self.hz().map(|hz| hz / nyquist);
        // Folding points are the whole numbers from `first` to `last`, in units of the Nyquist frequency.
        let (first, last) = ((low - ON_A_FOLD).ceil(), (high + ON_A_FOLD).floor());
        let [a, b] = self.hz().map(|hz| folded_hz(hz, tr));
        if last < first {
            FoldedBand::Whole { low_hz: a.min(b), high_hz: a.max(b) }
        } else if last > first {
            FoldedBand::Everything
        } else if first % 2.0 == 0.0 {
            FoldedBand::AtZero { high_hz: a.max(b) }
        } else {
            FoldedBand::AtNyquist { low_hz: a.min(b) }
        }
    }
}

impl FoldedBand {
    /// Its two edges, Hz.
    #[must_use]
    pub fn edges_hz(&self, tr: Seconds) -> [f64; 2] {
        match *self {
            Self::Whole { low_hz, high_hz } => [low_hz, high_hz],
            Self::AtNyquist { low_hz } => [low_hz, nyquist_hz(tr)],
            Self::AtZero { high_hz } => [0.0, high_hz],
            Self::Everything => [0.0, nyquist_hz(tr)],
        }
    }
}

/// The highest frequency that frames `tr` apart show, Hz.
#[must_use]
pub fn nyquist_hz(tr: Seconds) -> f64 {
    0.5 / tr.0
}

/// Where frames `tr` apart show a frequency, Hz: |f − round(f·TR)/TR|.
#[must_use]
pub fn folded_hz(hz: f64, tr: Seconds) -> f64 {
    (hz - (hz * tr.0).round() / tr.0).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn given(low: f64, high: f64) -> BreathingBand {
        BreathingBand::given([low, high]).unwrap()
    }

    #[test]
    fn a_boundary_belongs_to_the_older_group() {
        let rates = |age| BreathingBand::by_age(age).unwrap().per_min();
        assert_eq!(rates(0.0), [34.0, 57.0]);
        assert_eq!(rates(-1.5), [34.0, 57.0]);
        let mut younger = [34.0, 57.0];
        for (i, &(boundary, own)) in BY_AGE.iter().enumerate() {
            assert_eq!(own, rates(boundary - 1e-6));
            let older = BY_AGE.get(i + 1).map_or(GROWN, |next| next.1);
            assert_eq!(rates(boundary), older);
            assert!(older[0] < younger[0] || i == 0, "the older a child, the slower it breathes");
            younger = own;
        }
        assert_eq!(rates(1000.0), GROWN);
        assert!(matches!(BreathingBand::by_age(f64::NAN), Err(RespirationError::Age { .. })));
    }

    #[test]
    fn rates_in_the_wrong_order_or_not_above_0_are_refused() {
        for rates in [[0.0, 20.0], [-5.0, 20.0], [30.0, 30.0], [40.0, 30.0], [f64::NAN, 30.0], [10.0, f64::INFINITY]] {
            let error = BreathingBand::given(rates).unwrap_err().to_string();
            assert!(error.contains("breaths_per_min"), "{error}");
        }
    }

    #[test]
    fn a_frequency_folds_as_a_triangle_wave() {
        let tr = Seconds(2.0); // Nyquist 0.25 Hz
        for (hz, shown) in [(0.1, 0.1), (0.25, 0.25), (0.3, 0.2), (0.5, 0.0), (0.6, 0.1), (0.75, 0.25), (0.95, 0.05)] {
            assert!((folded_hz(hz, tr) - shown).abs() < 1e-12, "{hz}");
        }
    }

    #[test]
    fn every_case_of_a_band_that_reaches_a_folding_point() {
        let tr = Seconds(1.0); // folding points at 30, 60, 90 … breaths a minute: 0.5, 1, 1.5 Hz
        let close = |band: FoldedBand, expected: FoldedBand| {
            assert_eq!(std::mem::discriminant(&band), std::mem::discriminant(&expected), "{band:?}");
            let (a, b) = (band.edges_hz(tr), expected.edges_hz(tr));
            assert!((a[0] - b[0]).abs() < 1e-12 && (a[1] - b[1]).abs() < 1e-12, "{band:?}");
        };
        use FoldedBand::{AtNyquist, AtZero, Everything, Whole};
        close(given(12.0, 24.0).folded(tr), Whole { low_hz: 0.2, high_hz: 0.4 });
        close(given(36.0, 48.0).folded(tr), Whole { low_hz: 0.2, high_hz: 0.4 });
        close(given(66.0, 72.0).folded(tr), Whole { low_hz: 0.1, high_hz: 0.2 });
        // Below and above the fold; the edge that folds lower counts, whichever it is.
        close(given(24.0, 33.0).folded(tr), AtNyquist { low_hz: 0.4 });
        close(given(27.0, 42.0).folded(tr), AtNyquist { low_hz: 0.3 });
        close(given(54.0, 63.0).folded(tr), AtZero { high_hz: 0.1 });
        close(given(57.0, 72.0).folded(tr), AtZero { high_hz: 0.2 });
        // On the fold.
        close(given(24.0, 30.0).folded(tr), AtNyquist { low_hz: 0.4 });
        close(given(30.0, 36.0).folded(tr), AtNyquist { low_hz: 0.4 });
        close(given(54.0, 60.0).folded(tr), AtZero { high_hz: 0.1 });
        // From one folding point to the next, or past it.
        close(given(30.0, 60.0).folded(tr), Everything);
        close(given(27.0, 63.0).folded(tr), Everything);
        close(given(1.0, 300.0).folded(tr), Everything);
        // Wider than 1/(2·TR) and still with one folding point inside.
        close(given(6.0, 48.0).folded(tr), AtNyquist { low_hz: 0.1 });
    }

    /// Against the slow way: fold a thousand rates of the band and look how far they reach.
    #[test]
    fn the_folded_edges_hold_every_rate_of_the_band() {
        for (below, rates) in BY_AGE.iter().copied().chain([(f64::INFINITY, GROWN)]) {
            for tr_s in [0.72, 0.8, 1.35, 2.0, 2.5, 3.0] {
                let (tr, band) = (Seconds(tr_s), given(rates[0], rates[1]));
                let [low, high] = band.hz();
                let shown = (0..=1000).map(|i| folded_hz(low + (high - low) * f64::from(i) / 1000.0, tr));
                let (least, most) = shown.fold((f64::INFINITY, 0.0_f64), |(l, m), hz| (l.min(hz), m.max(hz)));
                let [a, b] = band.folded(tr).edges_hz(tr);
                let step = (high - low) / 1000.0;
                assert!(a <= least + 1e-12 && least < a + step, "below {below} months, TR {tr_s}: {a} {least}");
                assert!(b >= most - 1e-12 && most > b - step, "below {below} months, TR {tr_s}: {b} {most}");
            }
        }
    }
}
