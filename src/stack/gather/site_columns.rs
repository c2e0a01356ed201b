//! Sites that a test leaves out: a column of the cohort table that is named like a site, or unlike repetition times.

use std::collections::BTreeSet;

use super::children::GatheredChildren;
use crate::group::formula::Formula;
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
        let cells = found.children.iter().map(|child| child.cells.split('\t').nth(column).unwrap_or("n/a").trim());
        cells.filter(|cell| !no_value(cell)).collect()
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
                "the children have {} different values of {name}, which the test leaves out: sites differ in \
                 connectivity and in noise; put {name} into the formula, or adjust for it (--adjust-sites {name})",
                values(*at).len()
            )
        }));
    }
    if let Some(column) = header.iter().position(|name| name == TR).filter(|_| !has(TR) && !known) {
        let seconds: Vec<f64> = values(column).iter().filter_map(|cell| cell.parse().ok()).collect();
        let shortest = seconds.iter().copied().fold(f64::INFINITY, f64::min);
        let longest = seconds.iter().copied().fold(0.0, f64::max);
        // A difference as small as the rounding of a 32-bit float is not another repetition time.
        if longest > shortest * (1.0 + 1e-6) {
            notes.push(format!(
                "repetition times range from {shortest} to {longest} s, which the test leaves out: children scanned in \
                 different ways differ in connectivity and in noise; put {TR} into the formula, or a column of sites"
            ));
        }
    }
    notes
}

#[cfg(test)]
mod tests {
    use super::*;

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
