//! Sites that a test leaves out: a column of the cohort table that is named like a site, or unlike repetition times.

use std::collections::{BTreeMap, BTreeSet};

use super::children::GatheredChildren;
use super::sites::cell;
use crate::group::formula::{Formula, Part};
use crate::tables::no_value;

/// Words in names of columns that hold where, or on what machine, a child was scanned (own list; in small letters).
const LIKE_A_SITE: [&str; 18] = [
    "site",
    "siteid",
    "sites",
    "scanner",
    "scannerid",
    "machine",
    "magnet",
    "center",
    "centre",
    "location",
    "hospital",
    "clinic",
    "institution",
    "institute",
    "lab",
    "laboratory",
    "facility",
    "place",
];
/// The column of repetition times.
const TR: &str = "tr_s";
/// A larger ratio of repetition times is more than the rounding of a 32-bit float (own convention).
const ROUNDED: f64 = 1.0 + 1e-6;

/// Whether a column is named like a site: one of its words, or all of them together.
fn like_a_site(column: &str) -> bool {
    let small = column.to_lowercase();
    let mut words = small.split(|c: char| !c.is_alphanumeric());
    let joined: String = small.chars().filter(|c| c.is_alphanumeric()).collect();
    LIKE_A_SITE.contains(&joined.as_str()) || words.any(|word| LIKE_A_SITE.contains(&word))
}

/// What the formula of a test leaves out; `adjusted`: the column whose sites are adjusted.
pub(crate) fn notes(
    formula: &Formula,
    adjusted: Option<&str>,
    header: &[String],
    found: &GatheredChildren,
) -> Vec<String> {
    let values = |column: usize| -> BTreeSet<&str> {
        found.children.iter().map(|child| cell(child, column)).filter(|cell| !no_value(cell)).collect()
    };
    let has = |name: &str| formula.variables.iter().any(|variable| variable.column == name);
    let sites: Vec<(usize, &String)> =
        header.iter().enumerate().filter(|(at, name)| like_a_site(name) && values(*at).len() > 1).collect();
    // Whoever has one column of sites in the model, or adjusted, knows what a site is.
    let known = adjusted.is_some() || sites.iter().any(|(_, name)| has(name));
    let mut notes = Vec::new();
    if !known {
        notes.extend(sites.iter().map(|(at, name)| {
            format!(
                "the children come from {} values of {name}, which is not in the formula: sites differ in connectivity \
                 and in noise; put {name} into the formula, or adjust for it (--adjust-sites {name})",
                values(*at).len()
            )
        }));
    }
    let at = |name: &str| header.iter().position(|known| known == name);
    if let Some(column) = at(TR).filter(|_| !has(TR)) {
        let seconds: Vec<f64> = values(column).iter().filter_map(|cell| cell.parse().ok()).collect();
        let shortest = seconds.iter().copied().fold(f64::INFINITY, f64::min);
        let longest = seconds.iter().copied().fold(0.0, f64::max);
        let factors = formula.variables.iter().filter(|variable| variable.part == Part::Whole);
        let mut factors: BTreeSet<&str> = factors.map(|variable| variable.column.as_str()).collect();
        factors.extend(adjusted);
        let cells = |column: usize| found.children.iter().map(move |child| cell(child, column));
        let determined = |name: &&str| {
            let own = at(name)?;
            let factor = adjusted == Some(*name) || is_factor(formula, name, &values(own));
            (factor && determines(cells(own), cells(column))).then_some(())
        };
        let determined = factors.iter().any(|name| determined(name).is_some());
        // A difference as small as the rounding of a 32-bit float is not another repetition time.
        if longest > shortest * ROUNDED && !determined {
            notes.push(format!(
                "repetition times range from {shortest} to {longest} s, and {TR} is not in the formula: children \
                 scanned in different ways differ in connectivity and in noise; put {TR} into the formula, or a column \
                 of which each value has one repetition time"
            ));
        }
    }
    notes
}

/// Whether the model has a level for each value of a column, or as good as that: two numbers.
fn is_factor(formula: &Formula, name: &str, values: &BTreeSet<&str>) -> bool {
    let as_factor = formula.variables.iter().any(|variable| variable.column == name && variable.as_factor);
    as_factor || values.len() <= 2 || values.iter().any(|cell| cell.parse::<f64>().is_err())
}

/// Whether children with one value of a column have one repetition time.
fn determines<'a>(of: impl Iterator<Item = &'a str>, seconds: impl Iterator<Item = &'a str>) -> bool {
    let mut ranges: BTreeMap<&str, [f64; 2]> = BTreeMap::new();
    for (value, seconds) in of.zip(seconds) {
        let Ok(seconds) = seconds.parse::<f64>() else { continue };
        let range = ranges.entry(value).or_insert([seconds; 2]);
        *range = [range[0].min(seconds), range[1].max(seconds)];
    }
    ranges.values().all(|[shortest, longest]| *longest <= shortest * ROUNDED)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_column_determines_the_repetition_time_if_each_of_its_values_has_one() {
        let sites = ["bay", "cape", "bay", "cape"];
        assert!(determines(sites.into_iter(), ["2", "0.8", "2.0000001", "n/a"].into_iter()));
        assert!(!determines(sites.into_iter(), ["2", "0.8", "1", "0.8"].into_iter()));
    }

    #[test]
    fn columns_are_known_by_their_words() {
        for column in ["site", "Site", "scan_site", "SITE_ID", "site-id", "scanner", "Centre", "study.center"] {
            assert!(like_a_site(column), "{column}");
        }
        for column in ["age_months", "website", "opposite", "sex", "concentration", "labels", "placement"] {
            assert!(!like_a_site(column), "{column}");
        }
    }
}
