//! What correlations come to by chance alone, and how many children it takes to see one.
//!
//! Of n children whose numbers have nothing to do with one another, r·√(ν/(1 − r²)) is Student's t with ν = n − 2
//! degrees of freedom, one fewer for each covariate taken out (Fisher 1915, Biometrika 10:507; 1924, Metron 3:329). So
//! all here is read off t's tails.

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
    // p falls from 1 to 0 as |r| goes from 0 to 1; 60 halvings reach the last place of a double.
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..60 {
        let middle = f64::midpoint(low, high);
        if p_of_r(middle, dof) > p { low = middle } else { high = middle }
    }
    f64::midpoint(low, high)
}

/// Share of correlations between `from` and `to` by chance alone; NaN without degrees of freedom.
#[must_use]
pub fn share_between(from: f64, to: f64, dof: f64) -> f64 {
    let below = |r: f64| {
        let tail = p_of_r(r.clamp(-1.0, 1.0), dof) / 2.0;
        if r > 0.0 { 1.0 - tail } else { tail }
    };
    below(to) - below(from)
}

/// The fewest children of whom a correlation of this size reaches p < `p`; none where no number does.
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
        // Fisher & Yates, Statistical Tables for Biological, Agricultural and Medical Research, table VII (from memory).
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
        for dof in [1.0, 2.0, 14.0, 300.0] {
            let shares: Vec<f64> =
                (-20..20).map(|k| share_between(f64::from(k) / 20.0, f64::from(k + 1) / 20.0, dof)).collect();
            assert!((shares.iter().sum::<f64>() - 1.0).abs() < 1e-12, "{dof}");
            let beyond = abs_r_of_p(0.05, dof);
            assert!((share_between(-beyond, beyond, dof) - 0.95).abs() < 1e-9, "{dof}");
            assert!(shares.iter().zip(shares.iter().rev()).all(|(a, b)| (a - b).abs() < 1e-12), "{dof}");
        }
        assert!(share_between(-0.1, 0.1, 0.0).is_nan());
    }
}
