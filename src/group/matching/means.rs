//! Groups whose means lie within a caliper: largest mean − smallest mean ≤ caliper.
//!
//! A group whose mean is too large loses children with large values, and one whose mean is too small loses children
//! with small values; the groups may keep different sizes. Among all ways to do so, the best one gives the group
//! comparison most power: it has the smallest Σ 1/n over the groups, to which the variance of a difference of means is
//! proportional. Among equals, the one with the most children is taken, and then the one whose means are nearest to one
//! another. (By the number of children alone, a small group would melt away before a large one gives up a child.)
//!
//! **How.** For a window of means [h − caliper, h] each group chooses for itself: as many children as possible with a
//! mean in the window, and among such choices the one whose mean is nearest to that of the whole group. The window of
//! any best choice can be slid down until its upper end is one group's mean, so these means are tried as h.
//!
//! - Up to [`EVERY`] children: every subset is looked at.
//! - More: blocks of children who are neighbours in order of their values, and blocks that are one child longer with
//!   one child taken out. From the m smallest to the m largest the means of these rise by steps of (a gap between
//!   neighbours)/m, so they miss a window only where a gap is more than m times as wide as the window (m: children
//!   kept). The means of the m smallest and of the m largest are tried as h; between these the m that a window allows
//!   does not change.
//!
//! The tests hold both against trying every subset.

use super::{Matching, MatchingError, WhyLeftOut, queues};

/// The largest group of which every subset is looked at: 4096 subsets (own choice).
const EVERY: usize = 12;
/// For a larger group, this many sizes are looked at in each window, from the largest that the window allows downward
/// (own choice: where neighbours lie so far apart that all of these miss it, some other window is better).
const SIZES: usize = 32;
/// The rounding of a mean, as a share of the range of values: means that exceed the caliper by no more than this are
/// within it.
const ROUNDING: f64 = 1e-12;
/// How often the means are brought nearer by half of what is left, without giving up any child (own choice).
const NEARER: usize = 8;

/// Which children of a group are kept, by their place in order of their values.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Members {
    /// Bit k: the child with the k-th smallest value.
    Set(u32),
    /// `first..first + length`, but for one.
    Block { first: usize, length: usize, without: Option<usize> },
}

impl Members {
    fn has(self, place: usize) -> bool {
        match self {
            Self::Set(set) => set >> place & 1 == 1,
            Self::Block { first, length, without } => {
                (first..first + length).contains(&place) && without != Some(place)
            }
        }
    }
}

/// Which part of a group is kept.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Part {
    count: usize,
    mean: f64,
    members: Members,
    /// Whether the whole group's mean is larger.
    of_larger: bool,
}

/// One group's values in order.
struct Group {
    sorted: Vec<f64>,
    /// Sums of the first k.
    sums: Vec<f64>,
    /// For each size from 1, the means of all subsets, rising, with their members; empty for a large group.
    subsets: Vec<Vec<(f64, u32)>>,
}

impl Group {
    /// `sorted` rises; with up to `every` children all subsets are looked at.
    fn new(sorted: Vec<f64>, every: usize) -> Self {
        let mut sums = vec![0.0];
        sorted.iter().for_each(|v| sums.push(sums[sums.len() - 1] + v));
        let mut subsets = Vec::new();
        if sorted.len() <= every {
            subsets = vec![Vec::new(); sorted.len()];
            for set in 1..1u32 << sorted.len() {
                let members = || (0..sorted.len()).filter(|k| set >> k & 1 == 1);
                let count = members().count();
                subsets[count - 1].push((members().map(|k| sorted[k]).sum::<f64>() / count as f64, set));
            }
            // Among equal means the order of the children decides.
            subsets.iter_mut().for_each(|of| of.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))));
        }
        Self { sorted, sums, subsets }
    }

    /// Mean of `length` values from `first`.
    fn block(&self, first: usize, length: usize) -> f64 {
        (self.sums[first + length] - self.sums[first]) / length as f64
    }

    /// Upper ends of windows that are worth trying.
    fn ends(&self) -> Vec<f64> {
        let n = self.sorted.len();
        if self.subsets.is_empty() {
            (1..=n).flat_map(|m| [self.block(0, m), self.block(n - m, m)]).collect()
        } else {
            self.subsets.iter().flatten().map(|(mean, _)| *mean).collect()
        }
    }

    /// As many children of this group as can have a mean in the window; among these choices, the mean nearest to the
    /// whole group's.
    fn part(&self, low: f64, high: f64) -> Option<Part> {
        let n = self.sorted.len();
        if n == 0 {
            return None;
        }
        let mean = self.block(0, n);
        let of_larger = mean > high;
        let part = |count, (mean, members)| Part { count, mean, members, of_larger };
        if low <= mean && mean <= high {
            return Some(part(n, (mean, Members::Block { first: 0, length: n, without: None })));
        }
        if self.subsets.is_empty() {
            // Means of the m smallest rise with m and those of the m largest fall; the window must lie between them.
            let most = first_of(1, n, |m| self.block(0, m) > high || self.block(n - m, m) < low);
            let found =
                (1..most).rev().take(SIZES).find_map(|m| Some((m, self.block_within(m, low, high, of_larger)?)));
            return found.map(|(m, found)| part(m, found));
        }
        let within = |m: usize| {
            let of = &self.subsets[m - 1];
            let [from, to] = [of.partition_point(|s| s.0 < low), of.partition_point(|s| s.0 <= high)];
            let at = if of_larger { to.checked_sub(1)? } else { from };
            (from < to).then(|| part(m, (of[at].0, Members::Set(of[at].1))))
        };
        (1..n).rev().find_map(within)
    }

    /// Among the blocks of m, and those of m + 1 without one child, the one with the largest mean up to `high` (for a
    /// group with a larger mean) or the smallest mean from `low` (for one with a smaller mean), if it lies in the
    /// window.
    fn block_within(&self, m: usize, low: f64, high: f64, of_larger: bool) -> Option<(f64, Members)> {
        let last = self.sorted.len() - m;
        // At both ends the blocks themselves, to the last bit, so that the ends of windows are found again.
        let without = |first: usize, place: usize| match place - first {
            0 => self.block(first + 1, m),
            all if all == m => self.block(first, m),
            _ => (self.sums[first + m + 1] - self.sums[first] - self.sorted[place]) / m as f64,
        };
        // Where blocks pass the window's side; no block is longer than the last one.
        let passed = first_of(0, last + 1, |first| {
            let mean = self.block(first, m);
            if of_larger { mean > high } else { mean >= low }
        });
        let Some(first) = passed.checked_sub(1).filter(|first| *first < last) else {
            return self
                .only_block(if of_larger { last } else { 0 }, m, low, high)
                .filter(|_| passed > 0 || !of_larger);
        };
        // Which child of the longer block is left out: the further down it is, the larger the mean.
        let place = if of_larger {
            first_of(first, first + m, |place| without(first, place) <= high)
        } else {
            first_of(first, first + m + 1, |place| without(first, place) < low).saturating_sub(1).max(first)
        };
        let mean = without(first, place);
        let members = Members::Block { first, length: m + 1, without: Some(place) };
        (low <= mean && mean <= high).then_some((mean, members))
    }

    fn only_block(&self, first: usize, m: usize, low: f64, high: f64) -> Option<(f64, Members)> {
        let mean = self.block(first, m);
        (low <= mean && mean <= high).then_some((mean, Members::Block { first, length: m, without: None }))
    }
}

/// The first of `from..to` for which something holds that then holds for all that follow; `to` if it holds for none.
fn first_of(from: usize, to: usize, holds: impl Fn(usize) -> bool) -> usize {
    let (mut low, mut high) = (from, to);
    while low < high {
        let middle = usize::midpoint(low, high);
        if holds(middle) { high = middle } else { low = middle + 1 }
    }
    low
}

/// A choice of one part per group.
struct Combination {
    parts: Vec<Part>,
    /// Σ 1/n.
    variance: f64,
    children: usize,
    /// Largest mean − smallest mean, and the largest.
    spread: f64,
    largest: f64,
}

impl Combination {
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

    /// Whether both give the comparison the same power.
    fn worth_as_much_as(&self, other: &Self) -> bool {
        self.children == other.children && (self.variance - other.variance).abs() < 1e-12
    }

    /// Whether it gives the comparison more power, or the same with more children, or with nearer or smaller means.
    fn better_than(&self, other: &Self) -> bool {
        self.variance
            .total_cmp(&other.variance)
            .then(other.children.cmp(&self.children))
            .then(self.spread.total_cmp(&other.spread))
            .then(self.largest.total_cmp(&other.largest))
            .is_lt()
    }
}

/// Leaves out children until the means of `values` (NaN where missing) of the `groups` (0 to `group_count` − 1; `None`
/// for a child of none) lie within the caliper. Nobody is kept where that is impossible with at least one child of each
/// group.
///
/// # Errors
/// Fewer than two groups, or a caliper that is negative or no number.
///
/// # Panics
/// When there is not one group per value, or a group is out of range.
pub fn match_means(
    values: &[f64],
    groups: &[Option<usize>],
    group_count: usize,
    caliper: f64,
) -> Result<Matching, MatchingError> {
    match_means_of(values, groups, group_count, caliper, EVERY)
}

/// As [`match_means`], looking at every subset of groups of up to `every` children.
fn match_means_of(
    values: &[f64],
    groups: &[Option<usize>],
    group_count: usize,
    caliper: f64,
    every: usize,
) -> Result<Matching, MatchingError> {
    let (queues, left_out) = queues(values, groups, group_count, caliper)?;
    // Counted from the smallest value of all, so that means of equal values are equal to the last bit, however many
    // there are.
    let smallest = queues.iter().flatten().map(|&child| values[child]).fold(f64::INFINITY, f64::min);
    let above = |queue: &Vec<usize>| queue.iter().map(|&child| values[child] - smallest).collect::<Vec<f64>>();
    let of: Vec<Group> = queues.iter().map(|queue| Group::new(above(queue), every)).collect();
    let range = of.iter().filter_map(|group| group.sorted.last()).fold(0.0, |range: f64, &value| range.max(value));
    let Some(mut best) = best_within(&of, caliper + ROUNDING * range) else {
        return Ok(Matching::of(&queues, Vec::new(), left_out, Vec::new(), |_| WhyLeftOut::NoPartner));
    };
    // The means are brought as near as possible without giving up a child.
    let mut apart = 0.0;
    for _ in 0..NEARER {
        let nearer = f64::midpoint(apart, best.spread);
        match best_within(&of, nearer) {
            Some(other) if other.worth_as_much_as(&best) && other.spread < best.spread => best = other,
            _ => apart = nearer,
        }
    }
    let kept = best.parts.iter().zip(&queues).flat_map(|(part, queue)| {
        queue.iter().enumerate().filter(|(place, _)| part.members.has(*place)).map(|(_, &child)| child)
    });
    let why = |child: usize| match groups[child] {
        Some(group) if best.parts[group].of_larger => WhyLeftOut::Large,
        _ => WhyLeftOut::Small,
    };
    Ok(Matching::of(&queues, kept.collect(), left_out, Vec::new(), why))
}

/// The best choice whose means are at most this far apart.
fn best_within(of: &[Group], caliper: f64) -> Option<Combination> {
    let choices = of.iter().flat_map(Group::ends).filter_map(|high| {
        let parts: Option<Vec<Part>> = of.iter().map(|group| group.part(high - caliper, high)).collect();
        parts.map(Combination::new)
    });
    choices.reduce(|best, other| if other.better_than(&best) { other } else { best })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_numbers::Numbers;

    fn mean(values: &[f64]) -> f64 {
        values.iter().sum::<f64>() / values.len() as f64
    }

    /// Σ 1/n and N of the best choice of a part of each group, given by its size and mean.
    /// The smallest spread of such a choice comes third.
    fn best(options: &[Vec<(usize, f64)>], caliper: f64) -> Option<(f64, usize, f64)> {
        let mut found: Option<(f64, usize, f64)> = None;
        let mut at = vec![0; options.len()];
        if options.iter().any(Vec::is_empty) {
            return None;
        }
        'all: loop {
            let chosen: Vec<(usize, f64)> = options.iter().zip(&at).map(|(of, &k)| of[k]).collect();
            let (low, high) = chosen.iter().fold((f64::MAX, f64::MIN), |(l, h), (_, m)| (l.min(*m), h.max(*m)));
            if high - low <= caliper {
                let variance: f64 = chosen.iter().map(|(n, _)| 1.0 / *n as f64).sum();
                let (children, spread) = (chosen.iter().map(|(n, _)| n).sum(), high - low);
                let better = found.is_none_or(|(v, n, s)| {
                    let as_much = (variance - v).abs() < 1e-12;
                    variance < v - 1e-12 || (as_much && (children > n || (children == n && spread < s)))
                });
                if better {
                    found = Some((variance, children, spread));
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

    /// All parts.
    fn every(sorted: &[f64]) -> Vec<(usize, f64)> {
        (1..1u32 << sorted.len())
            .map(|set| {
                let part: Vec<f64> = (0..sorted.len()).filter(|k| set >> k & 1 == 1).map(|k| sorted[k]).collect();
                (part.len(), mean(&part))
            })
            .collect()
    }

    /// The largest gap between neighbours.
    fn gap(sorted: &[f64]) -> f64 {
        sorted.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max)
    }

    #[test]
    fn no_part_is_larger_over_many_small_cases() {
        let mut drawn = Numbers::new(21);
        let mut draw = |limit: u64| drawn.below(limit);
        let (mut some, mut none, mut by_blocks, mut dense) = (0, 0, 0, 0);
        for case in 0..3000 {
            let count = 2 + (case % 2) as usize;
            let size = draw(10) as usize;
            let shift = draw(4) as f64 / 8.0;
            let groups: Vec<Option<usize>> = (0..size).map(|_| Some(draw(count as u64) as usize)).collect();
            // Eighths, so that sums are exact and some values are equal.
            let values: Vec<f64> = groups.iter().map(|g| draw(12) as f64 / 8.0 + shift * g.unwrap() as f64).collect();
            // No difference of means of eighths is as much to the last bit, so that rounding decides nothing.
            let caliper = draw(8) as f64 / 16.0 + 0.003;
            let sorted: Vec<Vec<f64>> = (0..count)
                .map(|group| {
                    let of = values.iter().zip(&groups).filter(|(_, g)| **g == Some(group)).map(|(v, _)| *v);
                    let mut of: Vec<f64> = of.collect();
                    of.sort_by(f64::total_cmp);
                    of
                })
                .collect();
            let most = best(&sorted.iter().map(|of| every(of)).collect::<Vec<_>>(), caliper);
            let told = format!("{values:?} {groups:?} {caliper}");
            // Every subset, and blocks as of large groups.
            for limit in [EVERY, 0] {
                let found = match_means_of(&values, &groups, count, caliper, limit).unwrap();
                let kept = |group: usize| -> Vec<f64> {
                    found.kept.iter().filter(|&&c| groups[c] == Some(group)).map(|&c| values[c]).collect()
                };
                let own = (!found.kept.is_empty()).then(|| {
                    let means: Vec<f64> = (0..count).map(|group| mean(&kept(group))).collect();
                    let (low, high) = means.iter().fold((f64::MAX, f64::MIN), |(l, h), m| (l.min(*m), h.max(*m)));
                    assert!(high - low <= caliper, "{told}: {means:?}");
                    let variance: f64 = (0..count).map(|group| 1.0 / kept(group).len() as f64).sum();
                    (variance, found.kept.len(), high - low)
                });
                let same = match (own, most) {
                    (Some(a), Some(b)) => {
                        let nearest = a.2 - b.2 <= (caliper - b.2) / 100.0 + 1e-12;
                        (a.0 - b.0).abs() < 1e-12 && a.1 == b.1 && (nearest || limit == 0)
                    }
                    (a, b) => a.is_none() && b.is_none(),
                };
                assert!(same || limit == 0, "{told}: {own:?} {most:?}");
                let narrow = sorted.iter().map(|of| gap(of)).fold(0.0, f64::max) <= caliper;
                assert!(same || !narrow, "{told}: {own:?} {most:?}");
                by_blocks += usize::from(limit == 0 && same);
                dense += usize::from(narrow);
                let mut all: Vec<usize> =
                    found.kept.iter().copied().chain(found.left_out.iter().map(|o| o.child)).collect();
                all.sort_unstable();
                assert_eq!(all, (0..size).collect::<Vec<_>>(), "each child once");
                some += usize::from(!found.left_out.is_empty() && !found.kept.is_empty());
                none += usize::from(own.is_none());
            }
        }
        assert!(some > 1000 && none > 300 && by_blocks > 2000 && dense > 500, "{some} {none} {by_blocks} {dense}");
    }

    /// Values that no sum of eighths has, and groups too large for every subset: against what any subset could be at
    /// most, by the means of the m smallest and the m largest.
    #[test]
    fn blocks_of_large_groups_come_as_near_as_their_means_allow() {
        let mut drawn = Numbers::new(77);
        let mut draw = || drawn.below(1 << 31) as f64 / f64::from(1u32 << 31);
        for case in 0..300 {
            let sizes = [25 + case % 40, 17 + case % 90];
            let groups: Vec<Option<usize>> = (0..2).flat_map(|g| vec![Some(g); sizes[g]]).collect();
            let values: Vec<f64> = groups.iter().map(|g| (draw() + draw() + 0.4 * g.unwrap() as f64).exp()).collect();
            let caliper = 0.1 * crate::group::matching::sd_within(&values, &groups, 2);
            let found = match_means(&values, &groups, 2, caliper).unwrap();
            let of = |group: usize| -> Group {
                let mut sorted: Vec<f64> =
                    groups.iter().zip(&values).filter(|(g, _)| **g == Some(group)).map(|(_, v)| *v).collect();
                sorted.sort_by(f64::total_cmp);
                Group::new(sorted, 0)
            };
            let (a, b) = (of(0), of(1));
            let mut least = f64::INFINITY;
            for m in 1..=sizes[0] {
                for n in 1..=sizes[1] {
                    let (low, high) = (a.block(0, m), a.block(sizes[0] - m, m));
                    let (other_low, other_high) = (b.block(0, n), b.block(sizes[1] - n, n));
                    if low <= other_high + caliper && other_low <= high + caliper {
                        least = least.min(1.0 / m as f64 + 1.0 / n as f64);
                    }
                }
            }
            let kept = |group| found.kept.iter().filter(|&&c| groups[c] == Some(group)).count() as f64;
            let own = 1.0 / kept(0) + 1.0 / kept(1);
            assert!((own - least).abs() < 1e-9, "{case}: {own} {least}");
        }
    }

    #[test]
    fn a_grid_of_values_is_matched_as_it_is_written() {
        // 0.13 − 0.11 is more than 0.02 by the last bit.
        let found = match_means(&[0.11, 0.13], &[Some(0), Some(1)], 2, 0.02).unwrap();
        assert_eq!(found.kept, [0, 1]);
    }

    #[test]
    fn a_large_group_stays_large_and_a_small_one_does_not_melt() {
        // Sixty with the mean of twenty: nobody is left out.
        let values: Vec<f64> = (0..80).map(|k| f64::from(k % 20) / 100.0).collect();
        let groups: Vec<Option<usize>> = (0..80).map(|k| Some(usize::from(k >= 60))).collect();
        assert_eq!(match_means(&values, &groups, 2, 0.001).unwrap().kept.len(), 80);
        // Among a hundred still and five restless children, the five are not given up for the hundred.
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
