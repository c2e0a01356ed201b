//! `--match motion`: the largest part of the children in which groups have the same motion.
//!
//! Groups that differ in motion differ in connectivity, whatever else they differ in. Kept are as many tuples (one child of
//! each group) as there can be whose mean FD lies within the caliper; see [`crate::group::matching`]. The caliper's
//! default is 0.05 mm, a quarter of the usual limits of frames (own convention).

use serde_json::{Value, json};

use super::StackError;
use super::found::{Child, Found};
use crate::group::groups::{Comparison, Effect, GroupsError, Test, compare};
use crate::group::matching::{MatchingError, WhyLeftOut, match_groups};
use crate::tables::{absent, figures, nearest};

/// The column of motion: mean framewise displacement over the child's runs, mm.
const MOTION: &str = "mean_fd_mm";

/// Why a child is left out, as most are.
pub(super) const NO_PARTNER: &str = "match_no_partner";

/// How children are matched.
#[derive(Debug, Clone, PartialEq)]
pub struct Match {
    /// Column of the cohort table that has the groups.
    pub group: String,
    pub caliper_mm: f64,
}

/// The groups' motion before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Matched {
    pub group: String,
    pub caliper_mm: f64,
    pub before: Comparison,
    /// None when no child is left.
    pub after: Option<Comparison>,
}

/// Why children cannot be matched.
#[derive(Debug, thiserror::Error)]
pub enum MatchError {
    #[error("--group {column}: cohort.tsv has no such column{}; it has {known}",
        nearest.as_ref().map_or(String::new(), |near| format!(" (is \"{near}\" meant?)")))]
    NoGroups { column: String, nearest: Option<String>, known: String },
    #[error("the cohort table has no column {MOTION}; do `keepstill run` again to write it anew")]
    NoMotion,
    #[error("--match motion --group {column}: {source}")]
    Matching { column: String, source: MatchingError },
    #[error("--match motion --group {column}: {source}")]
    Groups { column: String, source: GroupsError },
}

/// Leaves out the children without a partner.
pub(super) fn leave_out_unlike(wanted: &Match, header: &[String], found: &mut Found) -> Result<Matched, StackError> {
    let column = |name: &str| header.iter().position(|known| known == name);
    let group_column = column(&wanted.group).ok_or_else(|| MatchError::NoGroups {
        column: wanted.group.clone(),
        nearest: nearest(&wanted.group, header.iter().map(String::as_str)).map(str::to_owned),
        known: header.join(", "),
    })?;
    let motion_column = column(MOTION).ok_or(MatchError::NoMotion)?;
    let words: Vec<String> = found.children.iter().map(|child| cell(child, group_column).to_owned()).collect();
    let motion: Vec<f64> =
        found.children.iter().map(|child| cell(child, motion_column).parse().unwrap_or(f64::NAN)).collect();
    let mut names: Vec<&str> = words.iter().map(String::as_str).filter(|word| !absent(word)).collect();
    names.sort_unstable();
    names.dedup();
    let groups: Vec<Option<usize>> = words.iter().map(|word| names.binary_search(&word.as_str()).ok()).collect();
    let column = || wanted.group.clone();
    let matching = match_groups(&motion, &groups, names.len(), wanted.caliper_mm)
        .map_err(|source| MatchError::Matching { column: column(), source })?;

    let of = |children: &[usize]| {
        let values: Vec<Vec<f64>> = (0..names.len())
            .map(|group| children.iter().filter(|&&c| groups[c] == Some(group)).map(|&c| motion[c]).collect())
            .collect();
        let named: Vec<(&str, &[f64])> = names.iter().copied().zip(values.iter().map(Vec::as_slice)).collect();
        compare(&named)
    };
    let all: Vec<usize> = (0..motion.len()).collect();
    let before = of(&all).map_err(|source| MatchError::Groups { column: column(), source })?;
    let after = of(&matching.kept).ok();
    let leaves: Vec<(usize, &str, String)> = matching
        .left_out
        .iter()
        .map(|out| {
            let (name, word) = (&wanted.group, &words[out.child]);
            match out.why {
                WhyLeftOut::NoGroup => (out.child, "match_no_group", format!("{name} is n/a")),
                WhyLeftOut::NoValue => (out.child, "match_no_motion", format!("{MOTION} is n/a")),
                WhyLeftOut::NoPartner => {
                    let fd = figures(motion[out.child], 3);
                    let why = format!("{name} {word}, {MOTION} {fd}: no partner left within {}", wanted.caliper_mm);
                    (out.child, NO_PARTNER, why)
                }
            }
        })
        .collect();
    found.leave_out_each(leaves);
    Ok(Matched { group: wanted.group.clone(), caliper_mm: wanted.caliper_mm, before, after })
}

fn cell(child: &Child, column: usize) -> &str {
    child.cells.split('\t').nth(column).unwrap_or("n/a").trim()
}

impl Matched {
    /// As `stack.json` has it.
    pub(super) fn json(&self) -> Value {
        json!({
            "motion": MOTION,
            "group": self.group,
            "caliper_mm": self.caliper_mm,
            "before": comparison(&self.before),
            "after": self.after.as_ref().map(comparison),
        })
    }
}

fn comparison(groups: &Comparison) -> Value {
    let number = |v: f64| if v.is_finite() { json!(v) } else { Value::Null };
    let each: Vec<Value> = groups
        .groups
        .iter()
        .map(|g| json!({ "group": g.name, "children": g.children, "mean": number(g.mean), "sd": number(g.sd), "median": number(g.median) }))
        .collect();
    let (name, effect) = match groups.effect {
        Effect::HedgesG(g) => ("hedges_g", g),
        Effect::EtaSquared(eta) => ("eta_squared", eta),
    };
    let (welch, value) = match groups.welch {
        Test::WelchT { t, .. } => ("welch_t", t),
        Test::WelchF { f, .. } => ("welch_f", f),
        Test::KruskalWallis { h, .. } => ("kruskal_wallis_h", h),
    };
    json!({ "groups": each, welch: number(value), "welch_p": number(groups.welch.p()),
        "kruskal_wallis_p": number(groups.kruskal_wallis.p()), name: number(effect) })
}
