//! Which coefficients a term has, and names of coefficients that are safe in files.

use std::ops::Range;

use crate::group::formula::{Design, Formula, Variable};
use crate::stack::gather::error::TestError;
use crate::tables::nearest;

/// What the formula calls the intercept.
pub(crate) const INTERCEPT: &str = "(Intercept)";

/// Coefficients of terms, columns or coefficients, in the order of the design.
pub(crate) fn places(
    option: &'static str,
    asked: &[String],
    formula: &Formula,
    design: &Design,
) -> Result<Vec<usize>, TestError> {
    let mut terms: Vec<(String, Range<usize>)> = Vec::new();
    for (term, of) in formula.terms.iter().zip(&design.terms) {
        let written = |f: fn(&Variable) -> String| -> String {
            term.iter().map(|&v| f(&formula.variables[v])).collect::<Vec<_>>().join(":")
        };
        terms.push((written(Variable::written), of.clone()));
        terms.push((written(Variable::powered), of.clone()));
    }
    let mut places = Vec::new();
    for asked in asked {
        let term = terms.iter().find(|(name, _)| name == asked).map(|(_, places)| places.clone().collect::<Vec<_>>());
        let coefficient = || design.names.iter().position(|name| name == asked).map(|place| vec![place]);
        let Some(found) = term.or_else(coefficient) else {
            let mut known: Vec<&str> = design.names.iter().map(String::as_str).collect();
            known.extend(terms.iter().map(|(name, _)| name.as_str()));
            let near = nearest(asked, known.iter().copied()).map(str::to_owned);
            let known = design.names.join(", ");
            return Err(TestError::NoTerm { option, asked: asked.clone(), nearest: near, known });
        };
        places.extend(found);
    }
    places.sort_unstable();
    places.dedup();
    Ok(places)
}

/// Names of coefficients as letters, digits, `.`, `-` and `_`: `age:sexM` is `age_x_sexM`, `factor(site)2` `site_2`.
/// What would be the same name, in upper or lower case, gets its place behind.
pub(crate) fn safe_names(names: &[String]) -> Vec<String> {
    let mut safe: Vec<String> = Vec::new();
    for (place, name) in names.iter().enumerate() {
        let plain = name.replace(INTERCEPT, "intercept").replace(':', "_x_");
        let letters = plain.chars().map(|c| if c.is_ascii_alphanumeric() || ".-_".contains(c) { c } else { '_' });
        let letters: String = letters.collect();
        let mut own = letters.split('_').filter(|part| !part.is_empty()).collect::<Vec<_>>().join("_");
        // Names of files have at most 255 bytes on most systems.
        own.truncate(100);
        let taken = |own: &str, safe: &[String]| safe.iter().any(|other| other.eq_ignore_ascii_case(own));
        while own.is_empty() || taken(&own, &safe) {
            own = format!("{own}-{place}");
        }
        safe.push(own);
    }
    safe
}

#[cfg(test)]
mod tests;
