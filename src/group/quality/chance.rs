//! How large correlations get by chance alone, and how many children it takes to see one.
//!
//! For n children whose numbers have nothing to do with one another, r·√(ν/(1 − r²)) is Student's t with ν = n − 2
//! degrees of freedom, one fewer for each covariate taken out (Fisher 1915, Biometrika 10:507; 1924, Metron 3:329). So
//! everything here follows from the tails of t.

use crate::group::tails::t_two_sided;

/// Children beyond which [`children_needed`] gives up: more than any study of children has (own convention).
const MOST_CHILDREN: usize = 10_000_000;

/// Two-sided p of a correlation with `dof` degrees of freedom; NaN without any.
#[must_use]
pub fn p_of_r(r: f64, dof: f64) -> f64 {
    t_two_sided(r * (dof / (1.0 - r * r)).sqrt(), dof)
}

/// The |r| that has this two-sided p: 0.05 gives the smallest |r| that reaches it, 0.5 the median |r| of chance alone.
/// NaN without degrees of freedom.
#[must_use]
pub fn abs_r_of_p(p: f64, dof: f64) -> f64 {
    if dof.is_nan() || dof <= 0.0 || !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    // p falls from 1 to 0 as |r| goes from 0 to 1.
    bisect(|r| p_of_r(r, dof) > p)
}

/// Correlations by chance alone of edges that do not all have the same degrees of freedom, because children lack some.
#[derive(Debug, Clone, PartialEq)]
pub struct Chance {
    /// Degrees of freedom, rising, each with its share of the edges.
    shares: Vec<(f64, f64)>,
}

impl Chance {
    /// The degrees of freedom of each edge; 0 for an edge without a correlation, which is passed over.
    #[must_use]
    pub fn new(dof: &[usize]) -> Self {
        let mut sorted: Vec<usize> = dof.iter().copied().filter(|&dof| dof > 0).collect();
        sorted.sort_unstable();
        let all = sorted.len() as f64;
        let shares = sorted.chunk_by(|a, b| a == b).map(|same| (same[0] as f64, same.len() as f64 / all)).collect();
        Self { shares }
    }

    /// The median |r|; NaN without any edge.
    #[must_use]
    pub fn median_abs_r(&self) -> f64 {
        let beyond = |r: f64| self.shares.iter().map(|&(dof, share)| share * p_of_r(r, dof)).sum::<f64>();
        if self.shares.is_empty() { f64::NAN } else { bisect(|r| beyond(r) > 0.5) }
    }

    /// Share of the correlations between `from` and `to`; NaN without any edge.
    #[must_use]
    pub fn share_between(&self, from: f64, to: f64) -> f64 {
        let below = |r: f64, dof: f64| {
            let tail = p_of_r(r.clamp(-1.0, 1.0), dof) / 2.0;
            if r > 0.0 { 1.0 - tail } else { tail }
        };
        if self.shares.is_empty() {
            return f64::NAN;
        }
        self.shares.iter().map(|&(dof, share)| share * (below(to, dof) - below(from, dof))).sum()
    }
}

/// Where something that holds from 0 ceases to hold, up to 1: 60 halvings reach the last place of a double.
fn bisect(holds: impl Fn(f64) -> bool) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if holds(middle) { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}

/// The fewest children with whom a correlation of this size reaches p < `p`; none where no number is enough.
#[must_use]
pub fn children_needed(abs_r: f64, p: f64) -> Option<usize> {
    let enough = |children: usize| p_of_r(abs_r, children as f64 - 2.0) < p;
    if abs_r.is_nan() || abs_r <= 0.0 || !enough(MOST_CHILDREN) {
        return None;
    }
    let (mut few, mut many) = (2, MOST_CHILDREN);
    while many - few > 1 {
        let middle = usize::midpoint(few, many);
        if enough(middle) { many = middle } else { few = middle }
    }
    Some(many)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn critical_values_are_those_of_the_tables() {
        // Fisher & Yates, Statistical Tables for Biological, Agricultural and Medical Research, table VII (from
        // memory).
        for (dof, r) in [(1.0, 0.99692), (10.0, 0.5760), (20.0, 0.4227), (100.0, 0.1946)] {
            assert!((abs_r_of_p(0.05, dof) - r).abs() < 6e-5, "{dof}: {}", abs_r_of_p(0.05, dof));
        }
        assert!(abs_r_of_p(0.05, 0.0).is_nan() && abs_r_of_p(0.05, f64::NAN).is_nan());
    }

    #[test]
    fn as_many_children_as_it_takes_and_not_one_more() {
        for r in [0.05, 0.1, 0.3, 0.5, 0.9] {
            let needed = children_needed(r, 0.05).unwrap();
            assert!(p_of_r(r, needed as f64 - 2.0) < 0.05 && p_of_r(r, needed as f64 - 3.0) >= 0.05, "{r}: {needed}");
        }
        assert_eq!(children_needed(0.3, 0.05), Some(44));
        assert_eq!((children_needed(0.0, 0.05), children_needed(f64::NAN, 0.05)), (None, None));
    }

    #[test]
    fn shares_of_chance_come_to_one() {
        for dof in [1, 2, 14, 300] {
            let chance = Chance::new(&[dof, 0, dof]);
            let shares: Vec<f64> =
                (-20..20).map(|k| chance.share_between(f64::from(k) / 20.0, f64::from(k + 1) / 20.0)).collect();
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{dof}");
            let beyond = abs_r_of_p(0.05, dof as f64);
            assert!((chance.share_between(-beyond, beyond) - 0.95).abs() < 1e-9, "{dof}");
            assert!(shares.iter().zip(shares.iter().rev()).all(|(a, b)| (a - b).abs() < 1e-12), "{dof}");
            assert!((chance.median_abs_r() - abs_r_of_p(0.5, dof as f64)).abs() < 1e-12, "{dof}");
        }
        let none = Chance::new(&[0, 0]);
        assert!(none.share_between(-0.1, 0.1).is_nan() && none.median_abs_r().is_nan());
    }

    #[test]
    fn edges_of_fewer_children_have_more_by_chance() {
        let [few, many, both] = [[10, 10], [100, 100], [100, 10]].map(|dof| Chance::new(&dof));
        assert!(few.median_abs_r() > both.median_abs_r() && both.median_abs_r() > many.median_abs_r());
        // Half of both kinds' |r| lie below the median of both together.
        let median = both.median_abs_r();
        let below = |chance: &Chance| chance.share_between(-median, median);
        assert!((f64::midpoint(below(&few), below(&many)) - 0.5).abs() < 1e-12);
    }
}
