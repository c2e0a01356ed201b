//! Choosing children so that groups have the same motion, and as many children as a comparison of the groups can use.
//!
//! There are two ways, both with a caliper: [`means`] leaves out children until the groups' means lie within the
//! caliper, so a large group may stay large; [`tuples`] keeps one child of each group for one of every other group, so
//! each child has a partner with a similar value and the groups become equal in number.
//!
//! Both depend only on the values, the groups, the caliper and, where values are equal, the order of the input.

mod means;
mod tuples;

pub use means::match_means;
pub use tuples::match_tuples;

/// Who is kept and who is not.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Matching {
    /// The tuples of [`match_tuples`]: in each, one place in the input per group, in order of the groups; tuples in
    /// order of their values.
    pub tuples: Vec<Vec<usize>>,
    /// All places kept, rising.
    pub kept: Vec<usize>,
    /// Those left out, rising.
    pub left_out: Vec<LeftOut>,
}

/// A child left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LeftOut {
    /// Its place in the input.
    pub child: usize,
    pub why: WhyLeftOut,
}

/// Why a child is left out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum WhyLeftOut {
    /// Every other group ran out of children within the caliper; or no choice brings the means within it.
    NoPartner,
    /// One of the largest values of a group whose mean was too large.
    Large,
    /// One of the smallest values of a group whose mean was too small.
    Small,
    /// Its value is missing.
    NoValue,
    /// It belongs to no group.
    NoGroup,
}

/// What cannot be matched.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MatchingError {
    /// No second group.
    #[error("children are matched between groups, but there is {found} group; name a column with at least two groups")]
    TooFewGroups { found: usize },
    /// A caliper that is negative or not a number.
    #[error("the caliper is {found}, but must be a number of at least 0")]
    Caliper { found: f64 },
}

impl Matching {
    /// From the children of some group who have a value, and those who do not.
    fn of(
        queues: &[Vec<usize>],
        mut kept: Vec<usize>,
        mut left_out: Vec<LeftOut>,
        tuples: Vec<Vec<usize>>,
        why: impl Fn(usize) -> WhyLeftOut,
    ) -> Self {
        kept.sort_unstable();
        let others = queues.concat().into_iter().filter(|child| kept.binary_search(child).is_err());
        left_out.extend(others.map(|child| LeftOut { child, why: why(child) }));
        left_out.sort_by_key(|out| out.child);
        Self { tuples, kept, left_out }
    }
}

/// Each group's children in order of their values, and the children without a value or a group.
type Queues = (Vec<Vec<usize>>, Vec<LeftOut>);

fn queues(values: &[f64], groups: &[Option<usize>], group_count: usize, caliper: f64) -> Result<Queues, MatchingError> {
    assert_eq!(values.len(), groups.len(), "one group a value");
    if group_count < 2 {
        return Err(MatchingError::TooFewGroups { found: group_count });
    }
    if caliper.is_nan() || caliper < 0.0 {
        return Err(MatchingError::Caliper { found: caliper });
    }
    let mut queues: Vec<Vec<usize>> = vec![Vec::new(); group_count];
    let mut left_out = Vec::new();
    for (child, (value, group)) in values.iter().zip(groups).enumerate() {
        match group {
            None => left_out.push(LeftOut { child, why: WhyLeftOut::NoGroup }),
            Some(_) if !value.is_finite() => left_out.push(LeftOut { child, why: WhyLeftOut::NoValue }),
            Some(group) => queues[*group].push(child),
        }
    }
    for queue in &mut queues {
        // The sort is stable: among equal values the first stays first.
        queue.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    }
    Ok((queues, left_out))
}

/// The SD within groups: the root of the mean of their variances (n − 1), groups of one child aside, as Cochran & Rubin
/// 1973 (Sankhyā A 35:417) scale a caliper. NaN where no group has two children with a value.
///
/// # Panics
/// When there is not one group per value, or a group is out of range.
#[must_use]
pub fn sd_within(values: &[f64], groups: &[Option<usize>], group_count: usize) -> f64 {
    assert_eq!(values.len(), groups.len(), "one group a value");
    let variances: Vec<f64> = (0..group_count)
        .filter_map(|group| {
            let of = || values.iter().zip(groups).filter(|(v, g)| **g == Some(group) && v.is_finite()).map(|(v, _)| *v);
            let count = of().count();
            let mean = of().sum::<f64>() / count as f64;
            (count > 1).then(|| of().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (count - 1) as f64)
        })
        .collect();
    (variances.iter().sum::<f64>() / variances.len() as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_sd_within_groups_is_of_groups_with_two_children() {
        let groups = [Some(0), Some(0), Some(1), Some(2), None, Some(1), Some(1), Some(1)];
        // Variances 2 of {1, 3} and 4 of {10, 12, 14}; one child of group 2.
        let values = [1.0, 3.0, 10.0, 50.0, 99.0, 14.0, f64::NAN, 12.0];
        assert!((sd_within(&values, &groups, 3) - 3.0_f64.sqrt()).abs() < 1e-15);
        assert!(sd_within(&values[2..4], &groups[2..4], 3).is_nan());
    }
}
