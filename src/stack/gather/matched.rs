//! `--match motion` and `--match motion-pairs`: children chosen so that groups have the same motion.
//!
//! Groups that differ in motion differ in connectivity, whatever else they differ in. With `motion`, children are left
//! out until the means of the groups' mean FD lie within the caliper; among all such choices, the one is taken that
//! gives the group comparison most power (the smallest sum of 1/n over the groups). With `motion-pairs`, each child
//! that is kept has one partner in every other group with a mean FD within the caliper. See [`crate::group::matching`].
//!
//! Children with several rows are refused: some of their rows could be matched and others not, and means over rows
//! would count such children several times.

use std::collections::HashMap;

use serde_json::{Value, json};

use super::children::{Child, GatheredChildren};
use super::error::{MatchError, NoColumn, StackError};
use super::folders::RESULTS_COLUMN;
use super::left_out::{MOVES_LESS, MOVES_MORE, NO_OVERLAP, NO_PARTNER};
use super::request::{Alike, MOST_GROUPS, MOTION_COLUMN, Match, USUAL_GROUP};
use crate::group::groups::{Comparison, Effect, Test, compare};
use crate::group::matching::{WhyLeftOut, match_means, match_tuples, sd_within};
use crate::tables::{figures, no_value};

impl Alike {
    /// The caliper when no other is given, as a share of the SD of mean FD within groups. Means: a tenth, the largest
    /// difference in SDs that usually passes for balance (Austin 2009, Statistics in Medicine 28:3083; from memory); of
    /// the SD before matching, which leaving out the restless makes smaller. Pairs: a fifth, which takes away some 99 %
    /// of the difference between groups of like SD (Cochran & Rubin 1973, Sankhyā A 35:417; from memory).
    fn share_of_sd(self) -> f64 {
        match self {
            Self::Means => 0.1,
            Self::Pairs => 0.2,
        }
    }
}

/// The groups' motion before and after.
#[derive(Debug, Clone, PartialEq)]
pub struct Matched {
    pub alike: Alike,
    pub group: String,
    pub caliper_mm: f64,
    /// The caliper as a share of the SD within groups, where it was not given.
    pub caliper_of_sd: Option<f64>,
    pub before: Comparison,
    /// None when no child is left.
    pub after: Option<Comparison>,
}

/// Refuses children with several rows.
fn require_one_row_each(children: &[Child]) -> Result<(), MatchError> {
    let mut first: HashMap<&str, &Child> = HashMap::new();
    for child in children {
        let [participant, session, run] = &child.ids;
        let Some(other) = first.insert(participant, child) else { continue };
        let [_, other_session, other_run] = &other.ids;
        // With several results folders, the first cell is the name of the row's own.
        let name = |child: &Child| child.cells.split('\t').next().unwrap_or_default().to_owned();
        let (column, one, other) = if child.results != other.results {
            (RESULTS_COLUMN, name(other), name(child))
        } else if session == other_session {
            ("run_id", other_run.clone(), run.clone())
        } else {
            ("session_id", other_session.clone(), session.clone())
        };
        return Err(MatchError::SeveralRows { child: participant.clone(), column, one, other });
    }
    Ok(())
}

/// Leaves out the children without a partner.
pub(crate) fn leave_out_unlike(
    wanted: &Match,
    header: &[String],
    found: &mut GatheredChildren,
) -> Result<Matched, StackError> {
    let column = |name: &str| header.iter().position(|known| known == name);
    let group = wanted.group.as_deref().unwrap_or(USUAL_GROUP);
    let group_column = column(group).ok_or_else(|| match wanted.group {
        Some(_) => NoColumn::new("--group", group, header).into(),
        None => MatchError::NoGroupNamed { known: header.join(", ") },
    })?;
    require_one_row_each(&found.children)?;
    let motion_column = column(MOTION_COLUMN).ok_or(MatchError::NoMotion)?;
    let words: Vec<String> = found.children.iter().map(|child| cell(child, group_column).to_owned()).collect();
    let motion: Vec<f64> =
        found.children.iter().map(|child| cell(child, motion_column).parse().unwrap_or(f64::NAN)).collect();
    let mut names: Vec<&str> = words.iter().map(String::as_str).filter(|word| !no_value(word)).collect();
    names.sort_unstable();
    names.dedup();
    let groups: Vec<Option<usize>> = words.iter().map(|word| names.binary_search(&word.as_str()).ok()).collect();
    let column = || group.to_owned();
    if names.len() > MOST_GROUPS {
        return Err(MatchError::TooManyGroups { column: column(), found: names.len() }.into());
    }
    let share = wanted.alike.share_of_sd();
    let caliper = wanted.caliper_mm.unwrap_or_else(|| share * sd_within(&motion, &groups, names.len()));
    if caliper.is_nan() && names.len() > 1 {
        return Err(MatchError::NoSpread { column: column() }.into());
    }
    let matching = match wanted.alike {
        Alike::Means => match_means(&motion, &groups, names.len(), caliper),
        Alike::Pairs => match_tuples(&motion, &groups, names.len(), caliper),
    }
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
            let (name, word) = (group, &words[out.child]);
            let who = || format!("{name} {word}, {MOTION_COLUMN} {}", figures(motion[out.child], 3));
            let within = || figures(caliper, 3);
            let (reason, why) = match out.why {
                WhyLeftOut::NoGroup => ("match_no_group", format!("{name} is n/a")),
                WhyLeftOut::NoValue => ("match_no_motion", format!("{MOTION_COLUMN} is n/a")),
                WhyLeftOut::NoPartner if wanted.alike == Alike::Means => (
                    NO_OVERLAP,
                    format!("{}: no selection of children brings the groups' means within {} mm", who(), within()),
                ),
                WhyLeftOut::NoPartner => (NO_PARTNER, format!("{}: no partner left within {} mm", who(), within())),
                WhyLeftOut::Large => (
                    MOVES_MORE,
                    format!(
                        "{}: left out of a group that moves more, to bring the means within {} mm",
                        who(),
                        within()
                    ),
                ),
                WhyLeftOut::Small => (
                    MOVES_LESS,
                    format!(
                        "{}: left out of a group that moves less, to bring the means within {} mm",
                        who(),
                        within()
                    ),
                ),
            };
            (out.child, reason, why)
        })
        .collect();
    found.leave_out_each(leaves);
    Ok(Matched {
        alike: wanted.alike,
        group: group.to_owned(),
        caliper_mm: caliper,
        caliper_of_sd: wanted.caliper_mm.is_none().then_some(share),
        before,
        after,
    })
}

fn cell(child: &Child, column: usize) -> &str {
    child.cells.split('\t').nth(column).unwrap_or("n/a").trim()
}

impl Matched {
    /// As `stack.json` has it.
    pub(crate) fn json(&self) -> Value {
        json!({
            "motion": MOTION_COLUMN,
            "alike": self.alike.key(),
            "group": self.group,
            "caliper_mm": self.caliper_mm,
            "caliper_of_sd": self.caliper_of_sd,
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
        .map(|g| {
            let [mean, sd, median] = [g.mean, g.sd, g.median].map(number);
            json!({ "group": g.name, "children": g.children, "mean": mean, "sd": sd, "median": median })
        })
        .collect();
    let (name, effect) = match groups.effect {
        Effect::HedgesG(g) => ("hedges_g", g),
        Effect::OmegaSquared(omega) => ("omega_squared", omega),
    };
    let (welch, value) = match groups.welch {
        Test::WelchT { t, .. } => ("welch_t", t),
        Test::WelchF { f, .. } => ("welch_f", f),
        Test::KruskalWallis { h, .. } => ("kruskal_wallis_h", h),
    };
    json!({ "groups": each, welch: number(value), "welch_p": number(groups.welch.p()),
        "kruskal_wallis_p": number(groups.kruskal_wallis.p()), name: number(effect) })
}
