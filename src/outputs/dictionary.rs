//! What data dictionaries of the BIDS form (`Description`, `Units`, `Levels`) are made of, and what each reason means.

use serde_json::{Map, Value, json};

use crate::censor::Reason;

/// What each reason means.
#[must_use]
pub fn reason_words(reason: Reason) -> &'static str {
    match reason {
        Reason::Settling => "cut from the start of the run, while the signal settles (censor.settling)",
        Reason::Unaligned => "no pose was found that aligns the frame with the reference frame",
        Reason::Moved => "framewise displacement above censor.fd_mm",
        Reason::SignalJump => "DVARS above censor.dvars_percent",
        Reason::Logged => "inside an interval of the watch log",
        Reason::BesideMotion => {
            "beside a moved or jumped frame, or one without a pose (censor.before and censor.after)"
        }
        Reason::ShortStretch => "in a kept stretch shorter than censor.shortest_stretch",
    }
}

/// A column's entry in a data dictionary. `unit` and `levels` may be empty.
pub(crate) fn entry(meaning: &str, unit: &str, levels: Vec<(&str, &str)>) -> Value {
    let mut entry = json!({ "Description": meaning });
    if !unit.is_empty() {
        entry["Units"] = json!(unit);
    }
    if !levels.is_empty() {
        let words: Map<String, Value> =
            levels.into_iter().map(|(word, meaning)| (word.to_owned(), Value::from(meaning))).collect();
        entry["Levels"] = Value::Object(words);
    }
    entry
}
