//! Are groups alike in a number: mean FD, minutes kept, age? Groups that differ in motion are the trap.
//!
//! Each group gets its number of children, mean, sample SD and median. All groups together get two tests and an effect
//! size:
//!
//! - **Welch**: compares means without assuming equal variances. Two groups: t with Satterthwaite's degrees of freedom
//!   (Welch 1947, Biometrika 34:28). More: Welch's F (Welch 1951, Biometrika 38:330), which for two groups is t².
//! - **Kruskal–Wallis**: compares ranks, for numbers as skewed as motion is; H corrected for ties, χ² with groups − 1
//!   degrees of freedom (Kruskal & Wallis 1952, J Am Stat Assoc 47:583).
//! - **Effect**: two groups, Hedges's g, the difference of means (first − second) over the pooled SD, with the
//!   small-sample factor 1 − 3/(4ν − 1), ν = n₁ + n₂ − 2 (Hedges 1981, J Educ Stat 6:107). More groups, ω²: the share
//!   of the variance that lies between groups, minus what chance alone gives. It is 0 on average where groups are
//!   alike, and may be negative (Hays 1963, Statistics for Psychologists; *from memory*).
//!
//! A test that does not reach 0.05 in a small sample does not show that groups are alike: read the effect size.

use super::quantile;
use super::tails::{chi_squared_upper, f_upper, t_two_sided};
use crate::connectivity::average_ranks;

/// One group's numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct GroupSummary {
    pub name: String,
    /// Children with a value; the others are in `missing`.
    pub children: usize,
    pub missing: usize,
    pub mean: f64,
    /// Sample SD (n − 1).
    pub sd: f64,
    pub median: f64,
}

/// A test of the difference; NaN where it cannot be computed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Test {
    /// Two groups: first minus second.
    WelchT { t: f64, dof: f64, p: f64 },
    /// More groups.
    WelchF { f: f64, between: f64, within: f64, p: f64 },
    /// Ranks.
    KruskalWallis { h: f64, dof: f64, p: f64 },
}

impl Test {
    /// The p value.
    #[must_use]
    pub fn p(&self) -> f64 {
        match self {
            Self::WelchT { p, .. } | Self::WelchF { p, .. } | Self::KruskalWallis { p, .. } => *p,
        }
    }
}

/// How large the difference is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Effect {
    /// Two groups: first minus second, in pooled SDs.
    HedgesG(f64),
    /// More groups: share of the variance between them, less chance's; NaN with no more children than groups.
    OmegaSquared(f64),
}

/// Groups side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    pub groups: Vec<GroupSummary>,
    pub welch: Test,
    pub kruskal_wallis: Test,
    pub effect: Effect,
}

/// What cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GroupsError {
    /// No second group.
    #[error(
        "a comparison needs at least two groups, but there is only {found}; name a column with at least two \
        groups"
    )]
    TooFewGroups { found: usize },
    /// A group in which nobody has a value.
    #[error("no child of the group {group} has a value to compare; leave the group out")]
    Empty { group: String },
}

/// Compares groups, each given as a name and one value per child (NaN where missing).
///
/// With one child in a group, or no spread in any, Welch's test and the effect are NaN.
///
/// # Errors
/// Fewer than two groups, or a group without any value.
pub fn compare(groups: &[(&str, &[f64])]) -> Result<Comparison, GroupsError> {
    if groups.len() < 2 {
        return Err(GroupsError::TooFewGroups { found: groups.len() });
    }
    let present: Vec<Vec<f64>> =
        groups.iter().map(|(_, values)| values.iter().copied().filter(|v| v.is_finite()).collect()).collect();
    if let Some(empty) = present.iter().position(Vec::is_empty) {
        return Err(GroupsError::Empty { group: groups[empty].0.to_owned() });
    }
    let summaries: Vec<GroupSummary> = groups
        .iter()
        .zip(&present)
        .map(|((name, all), present)| {
            let mut sorted = present.clone();
            sorted.sort_by(f64::total_cmp);
            let mean = mean(present);
            GroupSummary {
                name: (*name).to_owned(),
                children: present.len(),
                missing: all.len() - present.len(),
                mean,
                sd: (squares_about(present, mean) / (present.len() as f64 - 1.0)).sqrt(),
                median: quantile(&sorted, 0.5),
            }
        })
        .collect();
    let welch = if let [a, b] = summaries.as_slice() { welch_t(a, b) } else { welch_f(&summaries) };
    let effect = if let [a, b] = summaries.as_slice() { hedges_g(a, b) } else { omega_squared(&summaries) };
    Ok(Comparison { groups: summaries, welch, kruskal_wallis: kruskal_wallis(&present), effect })
}

/// The mean, corrected by the mean of its own residuals, which undoes the rounding of a large offset.
fn mean(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let rough = values.iter().sum::<f64>() / n;
    rough + values.iter().map(|v| v - rough).sum::<f64>() / n
}

fn squares_about(values: &[f64], mean: f64) -> f64 {
    values.iter().map(|v| (v - mean).powi(2)).sum()
}

fn welch_t(a: &GroupSummary, b: &GroupSummary) -> Test {
    let [va, vb] = [a, b].map(|g| g.sd * g.sd / g.children as f64);
    let t = (a.mean - b.mean) / (va + vb).sqrt();
    let share = |v: f64, g: &GroupSummary| v * v / (g.children as f64 - 1.0);
    let dof = (va + vb).powi(2) / (share(va, a) + share(vb, b));
    Test::WelchT { t, dof, p: t_two_sided(t, dof) }
}

fn welch_f(groups: &[GroupSummary]) -> Test {
    let k = groups.len() as f64;
    let weights: Vec<f64> = groups.iter().map(|g| g.children as f64 / (g.sd * g.sd)).collect();
    let all: f64 = weights.iter().sum();
    let centre = groups.iter().zip(&weights).map(|(g, w)| w * g.mean).sum::<f64>() / all;
    let between = groups.iter().zip(&weights).map(|(g, w)| w * (g.mean - centre).powi(2)).sum::<f64>() / (k - 1.0);
    let spread: f64 =
        groups.iter().zip(&weights).map(|(g, w)| (1.0 - w / all).powi(2) / (g.children as f64 - 1.0)).sum();
    let f = between / (1.0 + 2.0 * (k - 2.0) / (k * k - 1.0) * spread);
    let within = (k * k - 1.0) / (3.0 * spread);
    Test::WelchF { f, between: k - 1.0, within, p: f_upper(f, k - 1.0, within) }
}

fn hedges_g(a: &GroupSummary, b: &GroupSummary) -> Effect {
    let [na, nb] = [a, b].map(|g| g.children as f64 - 1.0);
    let nu = na + nb;
    let pooled = ((na * a.sd * a.sd + nb * b.sd * b.sd) / nu).sqrt();
    Effect::HedgesG((a.mean - b.mean) / pooled * (1.0 - 3.0 / (4.0 * nu - 1.0)))
}

fn omega_squared(groups: &[GroupSummary]) -> Effect {
    let n: f64 = groups.iter().map(|g| g.children as f64).sum();
    let centre = groups.iter().map(|g| g.children as f64 * g.mean).sum::<f64>() / n;
    let between: f64 = groups.iter().map(|g| g.children as f64 * (g.mean - centre).powi(2)).sum();
    let within: f64 = groups.iter().filter(|g| g.children > 1).map(|g| (g.children as f64 - 1.0) * g.sd * g.sd).sum();
    let more = groups.iter().filter(|g| g.children > 0).count() as f64 - 1.0;
    let mean_square = within / (n - more - 1.0);
    Effect::OmegaSquared(if n > more + 1.0 {
        (between - more * mean_square) / (between + within + mean_square)
    } else {
        f64::NAN
    })
}

fn kruskal_wallis(groups: &[Vec<f64>]) -> Test {
    let all: Vec<f64> = groups.concat();
    let n = all.len() as f64;
    let ranks = average_ranks(&all);
    let centre = (n + 1.0) / 2.0;
    let mut first = 0;
    let mut between = 0.0;
    for group in groups {
        let sum: f64 = ranks.iter().skip(first).take(group.len()).map(|r| r - centre).sum();
        between += sum * sum / group.len() as f64;
        first += group.len();
    }
    // With ties the ranks' own sum of squares replaces n(n² − 1)/12: that is the correction for ties.
    let total: f64 = ranks.iter().map(|r| (r - centre).powi(2)).sum();
    let h = (n - 1.0) * between / total;
    let dof = groups.len() as f64 - 1.0;
    Test::KruskalWallis { h, dof, p: chi_squared_upper(h, dof) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn welch_s_f_of_two_groups_is_t_squared() {
        let (a, b) = ([0.1, 0.35, 0.2, 0.6], [0.4, 0.9, 0.7, 1.4, 0.3]);
        let two = compare(&[("a", &a), ("b", &b)]).unwrap();
        let (Test::WelchT { t, dof, p }, Test::WelchF { f, between, within, p: pf }) =
            (two.welch, welch_f(&two.groups))
        else {
            panic!("two groups are compared by t")
        };
        assert!((t * t - f).abs() < 1e-12 && between == 1.0 && (dof - within).abs() < 1e-12 && (p - pf).abs() < 1e-13);
        assert!(t < 0.0 && matches!(two.effect, Effect::HedgesG(g) if g < 0.0));
    }

    #[test]
    fn ranks_by_hand() {
        // Ranks 1 2.5 | 2.5 4 | 5 6: sums 3.5, 6.5, 11; H = 12/(6·7)·(3.5²+6.5²+11²)/2 − 3·7 = 4.07…, over 1 − 6/210.
        let three = compare(&[("a", &[1.0, 2.0]), ("b", &[2.0, 3.0]), ("c", &[4.0, 5.0])]).unwrap();
        let Test::KruskalWallis { h, dof, .. } = three.kruskal_wallis else { panic!("ranks") };
        let expected = (12.0 / 42.0 * (12.25 + 42.25 + 121.0) / 2.0 - 21.0) / (1.0 - 6.0 / 210.0);
        assert!((h - expected).abs() < 1e-12 && dof == 2.0, "{h} {expected}");
        // 28/3 between, 3/2 within with 3 degrees of freedom.
        let expected = (28.0 / 3.0 - 2.0 * 0.5) / (28.0 / 3.0 + 1.5 + 0.5);
        assert!(matches!(three.effect, Effect::OmegaSquared(e) if (e - expected).abs() < 1e-12));
        let single = compare(&[("a", &[1.0]), ("b", &[2.0]), ("c", &[4.0])]).unwrap();
        assert!(matches!(single.effect, Effect::OmegaSquared(e) if e.is_nan()));
    }

    #[test]
    fn missing_values_are_counted_and_what_cannot_be_tested_is_not_a_number() {
        let one = compare(&[("a", &[1.0, f64::NAN]), ("b", &[2.0, 3.0])]).unwrap();
        assert_eq!((one.groups[0].children, one.groups[0].missing, one.groups[0].median), (1, 1, 1.0));
        assert!(one.groups[0].sd.is_nan() && one.welch.p().is_nan() && one.kruskal_wallis.p().is_finite());
        let flat = compare(&[("a", &[1.0, 1.0]), ("b", &[1.0, 1.0])]).unwrap();
        assert!(flat.welch.p().is_nan() && flat.kruskal_wallis.p().is_nan());
        assert_eq!(compare(&[("a", &[1.0])]), Err(GroupsError::TooFewGroups { found: 1 }));
        assert_eq!(compare(&[("a", &[1.0]), ("b", &[f64::NAN])]), Err(GroupsError::Empty { group: "b".into() }));
    }
}
