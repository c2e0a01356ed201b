//! Lengths of time: in frames or in seconds, and the repetition time.

use super::*;

/// A length's two keys, and how its setting is reached.
type LengthKeys = (&'static str, &'static str, fn(&Study) -> Length);

const LENGTHS: [LengthKeys; 3] = [
    ("before", "before_s", |study| study.censor.before),
    ("after", "after_s", |study| study.censor.after),
    ("shortest_stretch", "shortest_stretch_s", |study| study.censor.shortest_stretch),
];

proptest::proptest! {
    /// Each length is taken in either form, goes through a report's settings and back, and both forms are refused.
    #[test]
    fn a_length_has_one_form(
        which in 0_usize..3, frames in 0_usize..2000, tenths in 0_u32..6000, seconds in proptest::bool::ANY,
        whole in proptest::bool::ANY,
    ) {
        let (key, key_s, length) = LENGTHS[which];
        let in_frames = format!("{key} = {frames}");
        let time = if whole { f64::from(tenths / 10) } else { f64::from(tenths) / 10.0 };
        let in_seconds = format!("{key_s} = {time}");
        let (lines, expected) = match seconds {
            true => (&in_seconds, Length::Seconds(time)),
            false => (&in_frames, Length::Frames(frames)),
        };
        let study = parse(&with(&format!("[censor]\n{lines}"))).unwrap();
        proptest::prop_assert_eq!(length(&study), expected);
        for (other, _, other_length) in LENGTHS.iter().filter(|(other, ..)| *other != key) {
            proptest::prop_assert!(matches!(other_length(&study), Length::Frames(_)), "{}", other);
        }
        let stored = json!(study.censor);
        let told = stored.as_object().unwrap();
        proptest::prop_assert_eq!((told.contains_key(key), told.contains_key(key_s)), (!seconds, seconds));
        let back: crate::study::settings::CensorSettings = serde_json::from_value(stored.clone()).unwrap();
        proptest::prop_assert_eq!(back, study.censor.clone());
        let both = [format!("[censor]\n{in_frames}\n{in_seconds}"), format!("[censor]\n{in_seconds}\n{in_frames}")];
        for (i, both) in both.iter().enumerate() {
            let (line, line_s) = if i == 0 { (2, 3) } else { (3, 2) };
            let expected = format!(
                "work/study.toml line {line_s}: censor.{key_s} stands beside censor.{key} (line {line}), but a study \
                gives this either in frames or in seconds; leave one out"
            );
            proptest::prop_assert_eq!(message(&with(both)), expected);
        }
    }

    /// Whatever the number, a span or time is taken as written or refused with its allowed range.
    #[test]
    fn seconds_are_taken_or_refused(tenths in -50_i32..20_000) {
        let value = f64::from(tenths) / 10.0;
        let ok = (0.0..=600.0).contains(&value);
        match parse(&with(&format!("[motion]\nfd_span_s = {value}"))) {
            Ok(study) => proptest::prop_assert!(ok && study.motion.fd_span_s == value),
            Err(e) => proptest::prop_assert!(!ok && e.to_string().contains("motion.fd_span_s is "), "{}", e),
        }
        let ok = value > 0.0 && value <= 100.0;
        match parse(&format!("[scans]\ntable = \"runs.tsv\"\ntr_s = {value}\n{PARCELS}")) {
            Ok(study) => proptest::prop_assert!(ok && study.tr_s == Some(value)),
            Err(e) => proptest::prop_assert!(
                !ok && e.to_string().contains("1000") == (value > 100.0), "{}", e
            ),
        }
    }
}
