//! Sites that a test leaves out: a column of the cohort table that is named like a site.

use std::collections::BTreeSet;

use super::children::GatheredChildren;
use super::sites::cell;
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
/// Whether a column is named like a site: one of its words, or all of them together.
fn like_a_site(column: &str) -> bool {
    let small = column.to_lowercase();
    let mut words = small.split(|c: char| !c.is_alphanumeric());
    let joined: String = small.chars().filter(|c| c.is_alphanumeric()).collect();
    LIKE_A_SITE.contains(&joined.as_str()) || words.any(|word| LIKE_A_SITE.contains(&word))
}

/// The sites that the formula of a test leaves out; `adjusted`: the column whose sites are adjusted.
pub(super) fn notes(
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
    if known {
        return Vec::new();
    }
    let note = |(at, name): &(usize, &String)| {
        format!(
            "the children come from {} values of {name}, which is not in the formula: sites differ in connectivity and \
             in noise; put {name} into the formula, or adjust for it (--adjust-sites {name})",
            values(*at).len()
        )
    };
    sites.iter().map(note).collect()
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
