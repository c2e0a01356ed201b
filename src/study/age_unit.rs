//! The unit of ages in the data dictionary beside a participants table (BIDS specification, "Tabular files": `Units` of
//! a column in the `.json` of the same name).

use std::fs;
use std::path::Path;

use serde_json::Value;

use super::settings::AgeUnit;

/// The unit that the dictionary gives for a column, with its words; none where there is no dictionary, or it says
/// nothing of the column. The unit is none where the words are not known.
pub(super) fn in_dictionary(table: &Path, column: &str) -> Option<(Option<AgeUnit>, String)> {
    let text = fs::read_to_string(table.with_extension("json")).ok()?;
    let dictionary: Value = serde_json::from_str(&text).ok()?;
    let words = dictionary[column]["Units"].as_str()?.trim().to_owned();
    Some((of_words(&words), words))
}

fn of_words(words: &str) -> Option<AgeUnit> {
    match words.to_lowercase().trim_end_matches('.') {
        "month" | "months" | "mo" | "mos" => Some(AgeUnit::Months),
        "year" | "years" | "yr" | "yrs" | "y" | "a" => Some(AgeUnit::Years),
        "week" | "weeks" | "wk" | "wks" => Some(AgeUnit::Weeks),
        "day" | "days" | "d" => Some(AgeUnit::Days),
        _ => None,
    }
}
