//! `--adjust-sites`: who is at which site, and what is kept, from the cohort table.
//!
//! Children without a site, or without a value in a kept column, are left out of the stack: their edges cannot be
//! adjusted, and beside adjusted ones they would be children of a site of their own. What is kept is the right side of
//! a formula, understood as that of a test ([`crate::group::formula`]).

use ndarray::{Array2, Axis};
use serde_json::{Value, json};

use super::children::{Child, GatheredChildren};
use super::error::{MixedColumn, NoColumn, SitesError, StackError};
use super::left_out::{NO_KEPT_VALUE, NO_SITE};
use super::request::AdjustSites;
use crate::group::formula::{Column, Formula, FormulaError};
use crate::group::site_effects::Sites;
use crate::tables::{and, no_value};

/// What a design calls its intercept.
const INTERCEPT: &str = "(Intercept)";

/// A child's cell.
pub(super) fn cell(child: &Child, column: usize) -> &str {
    child.cells.split('\t').nth(column).unwrap_or("n/a").trim()
}

impl AdjustSites {
    fn column(&self, header: &[String]) -> Result<usize, NoColumn> {
        let at = header.iter().position(|name| *name == self.column);
        at.ok_or_else(|| NoColumn::new("--adjust-sites", &self.column, header))
    }

    /// What is kept, as the right side of a formula.
    pub(crate) fn formula(&self) -> Result<Option<Formula>, SitesError> {
        let parse = |keep: &String| Formula::parse_terms(keep).map_err(SitesError::Keep);
        self.keep.as_ref().map(parse).transpose()
    }
}

/// Leaves out the children whose site, or something that is kept, is not known.
pub(crate) fn leave_out_unknown(
    wanted: &AdjustSites,
    header: &[String],
    found: &mut GatheredChildren,
) -> Result<(), StackError> {
    let column = wanted.column(header)?;
    let formula = wanted.formula()?;
    let kept: Vec<&str> =
        formula.iter().flat_map(|formula| &formula.variables).map(|variable| variable.column.as_str()).collect();
    let places: Vec<(usize, &str)> =
        kept.iter().filter_map(|name| Some((header.iter().position(|known| known == name)?, *name))).collect();
    let mut leaves: Vec<(usize, &str, String)> = Vec::new();
    for (at, child) in found.children.iter().enumerate() {
        if no_value(cell(child, column)) {
            leaves.push((at, NO_SITE, format!("{} is n/a", wanted.column)));
            continue;
        }
        let empty: Vec<&str> =
            places.iter().filter(|(place, _)| no_value(cell(child, *place))).map(|(_, name)| *name).collect();
        if !empty.is_empty() {
            leaves.push((at, NO_KEPT_VALUE, format!("{} is n/a", empty.join(", "))));
        }
    }
    found.leave_out_each(leaves);
    Ok(())
}

/// The sites of the children, who all have one, and what is kept.
pub(crate) fn sites(wanted: &AdjustSites, header: &[String], found: &GatheredChildren) -> Result<Sites, SitesError> {
    let column = wanted.column(header)?;
    let words: Vec<&str> = found.children.iter().map(|child| cell(child, column)).collect();
    let mut names: Vec<String> = words.iter().map(|&word| word.to_owned()).collect();
    names.sort_unstable();
    names.dedup();
    let of = words.iter().map(|word| names.iter().position(|name| name == word).unwrap_or_default()).collect();
    let (kept, covariates) = match wanted.formula()? {
        None => (Vec::new(), Array2::zeros((words.len(), 0))),
        Some(formula) => {
            let column = |at: usize| Column::from_cells(found.children.iter().map(|child| cell(child, at)));
            let table: Vec<(String, Column)> =
                header.iter().enumerate().map(|(at, name)| (name.clone(), column(at))).collect();
            let design = formula.design(&table).map_err(|error| match error {
                FormulaError::Mixed { column, row, text } => {
                    let stem = found.children[row - 1].stem.clone();
                    MixedColumn { option: "--keep", column, stem, text }.into()
                }
                FormulaError::NoSuchColumn { column, .. } if found.will_have(&column) => {
                    SitesError::MadeHere { column }
                }
                other => SitesError::Keep(other),
            })?;
            let own: Vec<usize> = (0..design.names.len()).filter(|&c| design.names[c] != INTERCEPT).collect();
            (own.iter().map(|&c| design.names[c].clone()).collect(), design.matrix.select(Axis(1), &own))
        }
    };
    let fail = |source| SitesError::Sites { column: wanted.column.clone(), source };
    let participants: Vec<&str> = found.children.iter().map(|child| child.ids[0].as_str()).collect();
    Sites::of_rows(names, of, &participants, kept, covariates).map_err(fail)
}

/// What `stack.json` says.
pub(crate) fn told(wanted: &AdjustSites, found: &GatheredChildren, weights: &str) -> Option<Value> {
    let sites = found.sites.as_ref()?;
    let each: Vec<Value> = sites
        .names
        .iter()
        .zip(sites.children.iter().zip(sites.counts()))
        .map(|(site, (children, rows))| json!({ "site": site, "children": children, "rows": rows }))
        .collect();
    let tables: Vec<String> = found.kinds.iter().map(|kind| format!("{}_sites.tsv", found.name(kind))).collect();
    Some(json!({
        "column": wanted.column,
        "keep": wanted.keep,
        "kept_columns": sites.kept,
        "adjusted": "location and scale of each site on each edge, shrunk by empirical Bayes; correlations as \
                     Fisher's z",
        "weights": weights,
        "sites": each,
        "tables": tables,
    }))
}

/// What to know before using adjusted edges.
pub(crate) fn notes(wanted: &AdjustSites, test: Option<&Formula>) -> Vec<String> {
    let mut notes = vec![format!(
        "the edges are adjusted for {}, fitted to all children of the stack: a prediction must fit the adjustment anew \
         inside its folds, on the children it learns from",
        wanted.column
    )];
    let kept: Vec<String> = match wanted.formula() {
        Ok(Some(formula)) => formula.variables.into_iter().map(|variable| variable.column).collect(),
        _ => Vec::new(),
    };
    if kept.is_empty() {
        notes.push(format!(
            "nothing is kept while {} is adjusted: if the sites' children differ in age or sex, that difference is \
             taken out too; name such columns with --keep \"age + sex\"",
            wanted.column
        ));
    }
    if test.is_some_and(|formula| formula.variables.iter().any(|variable| variable.column == wanted.column)) {
        notes.push(format!(
            "the test has {0}, whose effects were taken out of the edges just before (--adjust-sites {0}): what it \
             finds of {0} is what adjusting left, not how the sites differ; take {0} out of the formula, or leave out \
             --adjust-sites to test it",
            wanted.column
        ));
    }
    let tested = test.into_iter().flat_map(|formula| &formula.variables).map(|variable| variable.column.as_str());
    let lost: Vec<&str> =
        tested.filter(|&column| column != wanted.column && !kept.iter().any(|k| k == column)).collect();
    if !lost.is_empty() {
        notes.push(format!(
            "{} tested but not in --keep: as far as sites differ in {}, {} was taken out with the sites'",
            format_args!("{} {}", and(&lost), if lost.len() == 1 { "is" } else { "are" }),
            if lost.len() == 1 { "it" } else { "them" },
            if lost.len() == 1 { "its effect" } else { "their effects" }
        ));
    }
    notes
}
