use std::f64::consts::PI;

use super::spectrum::spectrum;
use super::*;

fn band(low: f64, high: f64) -> BreathingBand {
    BreathingBand::given([low, high]).unwrap()
}

/// A slow slide and breathing at a rate, in every parameter.
fn breathing(frames: usize, per_min: f64, tr: Seconds) -> MotionTrace {
    let at = |i: usize, k: usize| {
        let time_s = i as f64 * tr.0;
        0.02 * (2.0 * PI * per_min / 60.0 * time_s + k as f64).sin() + 0.3 * (2.0 * PI * 0.004 * time_s).sin()
    };
    MotionTrace {
        translations_mm: Array2::from_shape_fn((frames, 3), |(i, k)| at(i, k)),
        rotations_rad: Array2::from_shape_fn((frames, 3), |(i, k)| at(i, k + 3) / 50.0),
    }
}

#[test]
fn a_notch_takes_breathing_out_and_leaves_slow_movement() {
    // (TR, breaths a minute, band): below Nyquist, folded once, folded twice.
    for (tr, rate, rates) in [(0.8, 27.0, [20.0, 34.0]), (2.0, 24.0, [21.0, 27.0]), (2.0, 52.0, [50.0, 54.0])] {
        let tr = Seconds(tr);
        let trace = breathing(600, rate, tr);
        let filter = RespirationFilter::notch(band(rates[0], rates[1]), tr).unwrap();
        assert!(matches!(filter.design(), Design::Notch { .. }));
        let left = filter.apply(&trace).unwrap();
        for i in 60..540 {
            for k in 0..3 {
                let slow = 0.3 * (2.0 * PI * 0.004 * i as f64 * tr.0).sin();
                assert!((left.translations_mm[[i, k]] - slow).abs() < 0.002, "TR {}, frame {i}", tr.0);
                assert!((left.rotations_rad[[i, k]] - slow / 50.0).abs() < 0.002 / 50.0, "TR {}, frame {i}", tr.0);
            }
        }
        let (before, after) = (spectrum(&trace, tr), spectrum(&left, tr));
        let shown = band::folded_hz(rate / 60.0, tr);
        let bin = (shown * 600.0 * tr.0).round() as usize;
        assert!(after.power[[bin, 0]] < 1e-3 * before.power[[bin, 0]]);
    }
}

#[test]
fn a_band_onto_nyquist_gets_a_low_pass_at_its_lower_edge_and_says_so() {
    // TR 0.8: Nyquist 37.5 breaths a minute; 34 to 57 fold to 0.3 to 0.625 Hz.
    let tr = Seconds(0.8);
    let newborn = BreathingBand::by_age(1.0).unwrap();
    let filter = RespirationFilter::notch(newborn, tr).unwrap();
    let Design::LowPassForNotch { cutoff_hz } = filter.design() else { panic!("{:?}", filter.design()) };
    assert!((cutoff_hz - 0.3).abs() < 1e-12, "{cutoff_hz}");
    let said = filter.sentences().join(" ");
    assert!(said.contains("covers everything from 0.300 Hz up") && said.contains("low-pass at the lower folded edge"));
    let asked = RespirationFilter::low_pass(cutoff_hz, None, tr).unwrap();
    let trace = breathing(100, 40.0, tr);
    assert_eq!(filter.apply(&trace).unwrap(), asked.apply(&trace).unwrap());
}

#[test]
fn a_band_onto_0_or_onto_everything_is_refused_in_words() {
    let error = RespirationFilter::notch(band(25.0, 40.0), Seconds(2.0)).unwrap_err();
    assert!(matches!(error, RespirationError::ReachesZero { .. }));
    let said = error.to_string();
    assert!(
        said.contains("25 to 40 breaths") && said.contains("0 to 0.1667 Hz") && said.contains("low-pass"),
        "{said}"
    );
    let error = RespirationFilter::notch(band(34.0, 57.0), Seconds(3.0)).unwrap_err();
    assert!(matches!(error, RespirationError::CoversEverything { .. }), "{error}");
    assert!(error.to_string().contains("0.1667 Hz"));
}

#[test]
fn a_low_pass_that_would_leave_no_motion_is_not_put_in_a_notch_s_place() {
    // A newborn at TR 2 s: everything from 0.05 Hz up.
    let error = RespirationFilter::notch(BreathingBand::by_age(1.0).unwrap(), Seconds(2.0)).unwrap_err();
    assert!(matches!(error, RespirationError::ReachesFarDown { .. }));
    assert!(error.to_string().contains("from 0.0500 Hz up in frames 2 s apart"), "{error}");
    // 12 to 18 at TR 2 s: from 0.2 Hz up, which leaves motion enough.
    assert!(RespirationFilter::notch(band(12.0, 18.0), Seconds(2.0)).is_ok());
    // 12 to 18 at TR 2.5 s: from exactly 0.1 Hz up.
    assert!(RespirationFilter::notch(band(12.0, 18.0), Seconds(2.5)).is_ok());
    // Whoever asks for such a low-pass gets it.
    assert!(RespirationFilter::low_pass(0.05, None, Seconds(2.0)).is_ok());
}

#[test]
fn a_low_pass_says_what_it_leaves() {
    let words = |rates: [f64; 2]| {
        let filter = RespirationFilter::low_pass(0.1, Some(band(rates[0], rates[1])), Seconds(2.0)).unwrap();
        filter.sentences().join(" ")
    };
    assert!(words([28.0, 32.0]).contains("leaves it in the motion trace"));
    assert!(words([22.0, 29.0]).contains("leaves that part"));
    assert!(!words([13.0, 20.0]).contains("leaves"));
    assert_eq!(RespirationFilter::low_pass(0.1, None, Seconds(2.0)).unwrap().sentences().len(), 1);
}

#[test]
fn cutoffs_and_traces_that_will_not_do() {
    for cutoff in [0.0, -0.1, 0.25, 0.3, f64::NAN] {
        let error = RespirationFilter::low_pass(cutoff, None, Seconds(2.0)).unwrap_err();
        assert!(error.to_string().contains("below 0.2500 Hz"), "{error}");
    }
    let filter = RespirationFilter::low_pass(0.1, None, Seconds(2.0)).unwrap();
    let short = filter.apply(&breathing(9, 20.0, Seconds(2.0))).unwrap_err();
    assert_eq!(short, RespirationError::TooFewFrames { frames: 9, needed: 10 });
    assert!(filter.apply(&breathing(10, 20.0, Seconds(2.0))).is_ok());
    let mut trace = breathing(20, 20.0, Seconds(2.0));
    trace.rotations_rad[[7, 1]] = f64::NAN;
    assert_eq!(filter.apply(&trace).unwrap_err(), RespirationError::NotFinite { frame: 7, parameter: 5 });
}

#[test]
fn sentences_say_where_breathing_stands() {
    let words = |rates: [f64; 2], tr: f64| where_it_shows(&band(rates[0], rates[1]), Seconds(tr)).join(" ");
    assert!(words([20.0, 34.0], 0.8).contains("so breathing appears at its own frequency"));
    assert!(words([18.0, 24.0], 2.0).contains("folded to 0.100 to 0.200 Hz"));
    assert!(words([25.0, 40.0], 2.0).contains("fold 0.500 Hz onto 0"));
    assert!(words([34.0, 57.0], 3.0).contains("folded onto all of it"));
    let by_age = where_it_shows(&BreathingBand::by_age(2.0).unwrap(), Seconds(2.0)).join(" ");
    assert!(by_age.contains("at 2.0 months, Fleming et al. 2011, from memory"), "{by_age}");
}
