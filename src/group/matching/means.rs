//! Groups whose means lie within a caliper: largest mean − smallest mean ≤ caliper.
//!
//! Of a group whose mean is too large those with the largest values are left out, of one whose mean is too small those with
//! the smallest: a rule that can be told in a sentence and leaves nothing to choice. The groups may stay of different
//! size. Of all ways to do so that is the largest that is worth most in a comparison of groups, by Σ 1/n over the groups,
//! to which the variance of a difference of means is proportional; then that with the most children. (With the number of
//! children alone, a small group would melt away before a large one gives up a child.)
//!
//! **How.** For a window of means [h − caliper, h] each group's choice is its own: all, or the most of its smallest whose
//! mean is ≤ h, or the most of its largest whose mean is ≥ h − caliper. Both means move one way as children are added, so
//! bisection finds it. Of any best choice the window can be slid down until its upper end is one group's mean; so it is
//! enough to try as h the means of the m smallest and of the m largest of each group: 2N windows of k bisections.
//!
//! Leaving out from the middle instead can keep more only where one child moves the mean of its group by more than the
//! caliper: else the step that enters the window does not leap over it. The tests hold this against trying every subset.

use super::{Matching, MatchingError, WhyLeftOut, queues};

/// Which part of a group is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    /// How many.
    count: usize,
    mean: f64,
    /// Whether they are the smallest (the largest are left out) or the largest.
    smallest: bool,
}

/// Means of the m smallest and of the m largest, m from 1.
struct Means {
    smallest: Vec<f64>,
    largest: Vec<f64>,
}

impl Means {
    /// `sorted` rises.
    fn new(sorted: &[f64]) -> Self {
        let running = |values: &mut dyn Iterator<Item = &f64>| {
            let mut sum = 0.0;
            let mean = |(m, v): (usize, &f64)| {
                sum += v;
                sum / (m + 1) as f64
            };
            values.enumerate().map(mean).collect::<Vec<f64>>()
        };
        let mut means = Self { smallest: running(&mut sorted.iter()), largest: running(&mut sorted.iter().rev()) };
        // All of them are all of them, in whatever order they were added.
        if let (Some(all), Some(same)) = (means.smallest.last(), means.largest.last_mut()) {
            *same = *all;
        }
        means
    }

    /// The most of this group with a mean in the window.
    fn part(&self, low: f64, high: f64) -> Option<Part> {
        let mean = *self.smallest.last()?;
        let (means, smallest) = if mean <= high { (&self.largest, false) } else { (&self.smallest, true) };
        let count = if smallest {
            means.partition_point(|&mean| mean <= high)
        } else {
            means.partition_point(|&mean| mean >= low)
        };
        let mean = *means.get(count.checked_sub(1)?)?;
        (low <= mean && mean <= high).then_some(Part { count, mean, smallest })
    }
}

/// A choice of a part a group.
struct Choice {
    parts: Vec<Part>,
    /// Σ 1/n.
    variance: f64,
    children: usize,
    /// Largest mean − smallest mean, and the largest.
    spread: f64,
    largest: f64,
}

impl Choice {
    fn new(parts: Vec<Part>) -> Self {
        let fold = |f: fn(f64, f64) -> f64, from| parts.iter().map(|part| part.mean).fold(from, f);
        let largest = fold(f64::max, f64::NEG_INFINITY);
        Self {
            variance: parts.iter().map(|part| 1.0 / part.count as f64).sum(),
            children: parts.iter().map(|part| part.count).sum(),
            spread: largest - fold(f64::min, f64::INFINITY),
            largest,
            parts,
        }
    }

    /// Worth more in a comparison, or as much with more children, or with means that are nearer, or smaller.
    fn better_than(&self, other: &Self) -> bool {
        self.variance
            .total_cmp(&other.variance)
            .then(other.children.cmp(&self.children))
            .then(self.spread.total_cmp(&other.spread))
            .then(self.largest.total_cmp(&other.largest))
            .is_lt()
    }
}

/// Leaves out children until the means of `values` (NaN where missing) of the `groups` (0 to `group_count` − 1; `None` for a
/// child of none) lie within the caliper. Nobody is kept where that cannot be with a child of each group.
///
/// # Errors
/// Fewer than two groups, or a caliper that is negative or no number.
///
/// # Panics
/// When there is not one group a value, or a group is out of range.
pub fn match_means(
    values: &[f64],
    groups: &[Option<usize>],
    group_count: usize,
    caliper: f64,
) -> Result<Matching, MatchingError> {
    let (queues, left_out) = queues(values, groups, group_count, caliper)?;
    // From the smallest of all, so that means of equal values are equal to the last bit, however many they are.
    let smallest = queues.iter().flatten().map(|&child| values[child]).fold(f64::INFINITY, f64::min);
    let above = |queue: &Vec<usize>| queue.iter().map(|&child| values[child] - smallest).collect::<Vec<f64>>();
    let means: Vec<Means> = queues.iter().map(|queue| Means::new(&above(queue))).collect();
    let windows = means.iter().flat_map(|of| of.smallest.iter().chain(&of.largest));
    let choices = windows.filter_map(|&high| {
        let parts: Option<Vec<Part>> = means.iter().map(|of| of.part(high - caliper, high)).collect();
        parts.map(Choice::new)
    });
    let best = choices.reduce(|best, other| if other.better_than(&best) { other } else { best });
    let Some(best) = best else {
        return Ok(Matching::of(&queues, Vec::new(), left_out, Vec::new(), |_| WhyLeftOut::NoPartner));
    };
    let kept = best.parts.iter().zip(&queues).flat_map(|(part, queue)| {
        let first = if part.smallest { 0 } else { queue.len() - part.count };
        queue[first..first + part.count].iter().copied()
    });
    let why = |child: usize| match groups[child] {
        Some(group) if best.parts[group].smallest => WhyLeftOut::Large,
        _ => WhyLeftOut::Small,
    };
    Ok(Matching::of(&queues, kept.collect(), left_out, Vec::new(), why))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    /// Σ 1/n and −N of the best choice of `subsets` of each group (each with its mean), and whether there is one.
    fn best(options: &[Vec<(usize, f64)>], caliper: f64) -> Option<(f64, usize)> {
        let mut found: Option<(f64, usize)> = None;
        let mut at = vec![0; options.len()];
        if options.iter().any(Vec::is_empty) {
            return None;
        }
        'all: loop {
            let chosen: Vec<(usize, f64)> = options.iter().zip(&at).map(|(of, &k)| of[k]).collect();
            let (low, high) = chosen.iter().fold((f64::MAX, f64::MIN), |(l, h), (_, m)| (l.min(*m), h.max(*m)));
            if high - low <= caliper {
                let own = (chosen.iter().map(|(n, _)| 1.0 / *n as f64).sum(), chosen.iter().map(|(n, _)| n).sum());
                if found.is_none_or(|(v, n): (f64, usize)| own.0 < v - 1e-12 || (own.0 < v + 1e-12 && own.1 > n)) {
                    found = Some(own);
                }
            }
            for (place, of) in at.iter_mut().zip(options) {
                *place += 1;
                if *place < of.len() {
                    continue 'all;
                }
                *place = 0;
            }
            return found;
        }
    }

    /// Parts that leave out the largest or the smallest.
    fn trimmed(sorted: &[f64]) -> Vec<(usize, f64)> {
        let n = sorted.len();
        (1..=n).flat_map(|m| [(m, mean(&sorted[..m])), (m, mean(&sorted[n - m..]))]).collect()
    }

    /// All parts.
    fn every(sorted: &[f64]) -> Vec<(usize, f64)> {
        (1..1u32 << sorted.len())
            .map(|set| {
                let part: Vec<f64> = (0..sorted.len()).filter(|k| set >> k & 1 == 1).map(|k| sorted[k]).collect();
                (part.len(), mean(&part))
            })
            .collect()
    }

    /// The largest step of a group's mean as the largest or the smallest child is left out.
    fn leap(sorted: &[f64]) -> f64 {
        let n = sorted.len();
        let step = |m: usize| {
            let small = mean(&sorted[..m + 1]) - mean(&sorted[..m]);
            small.max(mean(&sorted[n - m..]) - mean(&sorted[n - m - 1..]))
        };
        (1..n).map(step).fold(0.0, f64::max)
    }

    #[test]
    fn no_part_is_larger_over_many_small_cases() {
        let mut state = 21u64;
        let mut draw = |limit: u64| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 33) % limit
        };
        let (mut held, mut some, mut leapt) = (0, 0, 0);
        for case in 0..3000 {
            let count = 2 + (case % 2) as usize;
            let size = draw(14) as usize;
            let shift = draw(4) as f64 / 8.0;
            let groups: Vec<Option<usize>> = (0..size).map(|_| Some(draw(count as u64) as usize)).collect();
            // Eighths, so that sums are exact and some values are equal.
            let values: Vec<f64> = groups.iter().map(|g| draw(12) as f64 / 8.0 + shift * g.unwrap() as f64).collect();
            // No difference of means of eighths is as much to the last bit, so that rounding decides nothing.
            let caliper = draw(8) as f64 / 16.0 + 0.003;
            let found = match_means(&values, &groups, count, caliper).unwrap();
            let sorted: Vec<Vec<f64>> = (0..count)
                .map(|group| {
                    let of = values.iter().zip(&groups).filter(|(_, g)| **g == Some(group)).map(|(v, _)| *v);
                    let mut of: Vec<f64> = of.collect();
                    of.sort_by(f64::total_cmp);
                    of
                })
                .collect();
            let kept: Vec<Vec<f64>> = (0..count)
                .map(|group| found.kept.iter().filter(|&&c| groups[c] == Some(group)).map(|&c| values[c]).collect())
                .collect();
            let own = (!found.kept.is_empty()).then(|| {
                let means: Vec<f64> = kept.iter().map(|of| mean(of)).collect();
                let (low, high) = means.iter().fold((f64::MAX, f64::MIN), |(l, h), m| (l.min(*m), h.max(*m)));
                assert!(high - low <= caliper, "{values:?} {groups:?} {caliper}: {means:?}");
                (kept.iter().map(|of| 1.0 / of.len() as f64).sum::<f64>(), found.kept.len())
            });
            let same = |a: Option<(f64, usize)>, b: Option<(f64, usize)>| match (a, b) {
                (Some(a), Some(b)) => (a.0 - b.0).abs() < 1e-12 && a.1 == b.1,
                (a, b) => a.is_none() && b.is_none(),
            };
            let told = format!("{values:?} {groups:?} {caliper}");
            assert!(same(own, best(&sorted.iter().map(|of| trimmed(of)).collect::<Vec<_>>(), caliper)), "{told}");
            if size <= 9 && sorted.iter().all(|of| leap(of) <= caliper) {
                assert!(same(own, best(&sorted.iter().map(|of| every(of)).collect::<Vec<_>>(), caliper)), "{told}");
                held += 1;
            } else {
                leapt += 1;
            }
            some += usize::from(!found.left_out.is_empty() && !found.kept.is_empty());
            let mut all: Vec<usize> =
                found.kept.iter().copied().chain(found.left_out.iter().map(|o| o.child)).collect();
            all.sort_unstable();
            assert_eq!(all, (0..size).collect::<Vec<_>>(), "each child once");
        }
        assert!(held > 300 && some > 300 && leapt > 300, "{held} {some} {leapt}");
    }

    #[test]
    fn a_large_group_stays_large_and_a_small_one_does_not_melt() {
        // Sixty with the mean of twenty: nobody is left out.
        let values: Vec<f64> = (0..80).map(|k| f64::from(k % 20) / 100.0).collect();
        let groups: Vec<Option<usize>> = (0..80).map(|k| Some(usize::from(k >= 60))).collect();
        assert_eq!(match_means(&values, &groups, 2, 0.001).unwrap().kept.len(), 80);
        // Of a hundred still and five restless children, the five are not given up for the hundred.
        let values: Vec<f64> =
            (0..100).map(|k| 0.05 + f64::from(k) / 500.0).chain([0.11, 0.2, 0.21, 0.22, 0.23]).collect();
        let groups: Vec<Option<usize>> = (0..105).map(|k| Some(usize::from(k >= 100))).collect();
        let found = match_means(&values, &groups, 2, 0.01).unwrap();
        assert_eq!(found.kept.iter().filter(|&&child| child >= 100).count(), 5);
        assert!(found.left_out.iter().all(|out| out.why == WhyLeftOut::Small), "the stillest of the still");
        assert!(found.kept.len() > 50, "{}", found.kept.len());
    }

    #[test]
    fn those_left_out_have_a_reason() {
        let values = [0.1, 0.12, f64::NAN, 0.11, 0.9, 0.1];
        let groups = [Some(0), Some(1), Some(0), None, Some(1), Some(0)];
        let found = match_means(&values, &groups, 2, 0.05).unwrap();
        assert_eq!(
            match_means(&[0.1; 5], &[Some(0), Some(1), Some(0), Some(0), Some(1)], 2, 0.0).unwrap().kept.len(),
            5
        );
        let why: Vec<_> = found.left_out.iter().map(|out| (out.child, out.why)).collect();
        use WhyLeftOut::{Large, NoGroup, NoPartner, NoValue};
        assert_eq!(why, [(2, NoValue), (3, NoGroup), (4, Large)]);
        assert_eq!(found.kept, [0, 1, 5]);
        let none = match_means(&values, &groups, 2, 0.001).unwrap();
        assert!(none.kept.is_empty() && none.left_out.iter().filter(|out| out.why == NoPartner).count() == 4);
        assert_eq!(match_means(&values, &groups, 1, 0.1), Err(MatchingError::TooFewGroups { found: 1 }));
        assert!(match_means(&values, &groups, 2, f64::NAN).is_err() && match_means(&values, &groups, 2, -1.0).is_err());
    }
}
