//! Groups of children side by side: do they move alike, and are as many of their frames kept?
//!
//! The column is the one that was asked for, else one called `group`. Numbers and tests are those of
//! [`crate::group::groups`]. A child with several rows in a group counts once there, with their mean.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};

use super::facts::ChildFacts;
use crate::group::exchange::Blocks;
use crate::group::groups::{Comparison, Effect, Test, compare};
use crate::stack::gather::children::GatheredChildren;
use crate::stack::gather::error::{NoColumn, StackError};
use crate::stack::gather::request::{MOST_GROUPS, USUAL_GROUP};
use crate::tables::no_value;

/// A column of the cohort table, its name in words, its unit, and where it stands.
type Number = (&'static str, &'static str, &'static str, fn(&ChildFacts) -> f64);

/// What is compared.
const NUMBERS: [Number; 3] = [
    ("mean_fd_mm", "mean FD", "mm", |facts| facts.mean_fd_mm),
    ("mean_fd_kept_mm", "mean FD of kept frames", "mm", |facts| facts.mean_fd_kept_mm),
    ("minutes_kept", "minutes kept", "min", |facts| facts.kept.minutes),
];

/// One number compared.
#[derive(Debug)]
pub(super) struct Compared {
    /// Column of the cohort table.
    pub what: &'static str,
    pub words: &'static str,
    pub unit: &'static str,
    /// Why it cannot be compared, in words.
    pub found: Result<Comparison, String>,
}

/// What is known of groups.
#[derive(Debug)]
pub(super) struct Groups {
    pub column: Option<String>,
    /// Children without a group.
    pub without: usize,
    /// Why nothing is compared.
    pub why_not: Option<String>,
    /// Names, in alphabetical order, and how many children.
    pub groups: Vec<(String, usize)>,
    pub compared: Vec<Compared>,
}

impl Groups {
    /// Compares the groups of a column.
    pub(super) fn read(
        asked: Option<&str>,
        header: &[String],
        found: &GatheredChildren,
        blocks: &Blocks,
        facts: &[ChildFacts],
    ) -> Result<Self, StackError> {
        let none = |why: &str| Self {
            column: None,
            without: 0,
            why_not: Some(why.to_owned()),
            groups: Vec::new(),
            compared: Vec::new(),
        };
        let name = asked.unwrap_or(USUAL_GROUP);
        let Some(at) = header.iter().position(|column| column == name) else {
            return match asked {
                None => {
                    Ok(none("cohort.tsv has no column called group; name the column of the groups with --group COLUMN"))
                }
                Some(column) => Err(NoColumn::new("--group", column, header).into()),
            };
        };
        let cells: Vec<Option<&str>> = found
            .children
            .iter()
            .map(|child| child.cells.split('\t').nth(at).map(str::trim).filter(|cell| !no_value(cell)))
            .collect();
        let names: BTreeSet<&str> = cells.iter().copied().flatten().collect();
        // The rows of each child in a group.
        let rows_of = |name: Option<&str>| {
            let mut rows: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
            for (row, &child) in blocks.participants().iter().enumerate().filter(|(row, _)| cells[*row] == name) {
                rows.entry(child).or_default().push(row);
            }
            rows.into_values().collect::<Vec<_>>()
        };
        let why_not = match names.len() {
            0 => Some(format!("no child has a value in the column {name}")),
            1 => Some(format!("all children are in one group of the column {name}")),
            n if n > MOST_GROUPS => Some(format!(
                "the column {name} has {n} different values, more than the {MOST_GROUPS} that groups may have; name \
                 another with --group COLUMN"
            )),
            _ => None,
        };
        let groups = if names.len() > MOST_GROUPS {
            Vec::new()
        } else {
            names.iter().map(|name| ((*name).to_owned(), rows_of(Some(name)).len())).collect()
        };
        let mut compared = Vec::new();
        if why_not.is_none() {
            for (what, words, unit, of) in NUMBERS {
                let mean = |rows: Vec<usize>| {
                    let known: Vec<f64> = rows.iter().map(|&row| of(&facts[row])).filter(|v| v.is_finite()).collect();
                    known.iter().sum::<f64>() / known.len() as f64
                };
                let values: Vec<Vec<f64>> =
                    names.iter().map(|name| rows_of(Some(name)).into_iter().map(mean).collect()).collect();
                let groups: Vec<(&str, &[f64])> = names.iter().copied().zip(values.iter().map(Vec::as_slice)).collect();
                compared.push(Compared { what, words, unit, found: compare(&groups).map_err(|e| e.to_string()) });
            }
        }
        let without = rows_of(None).len();
        Ok(Self { column: Some(name.to_owned()), without, why_not, groups, compared })
    }

    /// What `quality.json` says.
    pub(super) fn told(&self) -> Value {
        let compared: Vec<Value> = self
            .compared
            .iter()
            .map(|compared| match &compared.found {
                Err(why) => json!({ "of": compared.what, "unit": compared.unit, "why_not": why }),
                Ok(found) => json!({
                    "of": compared.what,
                    "unit": compared.unit,
                    "groups": found.groups.iter().map(|g| json!({
                        "name": g.name, "children": g.children, "missing": g.missing,
                        "mean": g.mean, "sd": g.sd, "median": g.median,
                    })).collect::<Vec<_>>(),
                    "welch": test(&found.welch),
                    "kruskal_wallis": test(&found.kruskal_wallis),
                    "effect": effect(&found.effect),
                }),
            })
            .collect();
        let groups: Vec<Value> =
            self.groups.iter().map(|(name, children)| json!({ "name": name, "children": children })).collect();
        json!({
            "column": self.column,
            "why_not": self.why_not,
            "children_without": self.without,
            "groups": groups,
            "compared": compared,
        })
    }
}

fn test(test: &Test) -> Value {
    match test {
        Test::WelchT { t, dof, p } => json!({ "t": t, "dof": dof, "p": p }),
        Test::WelchF { f, between, within, p } => {
            json!({ "f": f, "dof_between": between, "dof_within": within, "p": p })
        }
        Test::KruskalWallis { h, dof, p } => json!({ "h": h, "dof": dof, "p": p }),
    }
}

fn effect(effect: &Effect) -> Value {
    match effect {
        Effect::HedgesG(g) => json!({ "hedges_g": g }),
        Effect::OmegaSquared(share) => json!({ "omega_squared": share }),
    }
}
