//! Tuples: one child of each group (a pair, with two groups) whose values lie within a caliper.
//!
//! In each tuple largest − smallest ≤ caliper, and there are as many tuples as possible. Matching with a caliper:
//! Cochran & Rubin 1973, Sankhyā A 35:417. The groups come out equal in number, and their means differ by at most the
//! caliper.
//!
//! **Two groups.** Among all choices with the most pairs, one with the smallest sum of distances within pairs is taken,
//! so a group with larger values overall does not stay larger where partners are at hand. Among sorted values pairs
//! need not cross (uncrossing two makes neither the sum nor the larger distance larger), so dynamic programming over
//! the first i of one group and the first j of the other finds it, in n₁ · n₂ steps of a quarter byte each.
//!
//! **More groups.** One walk over sorted values looks at the smallest remaining child of each group. If they lie within
//! the caliper they are a tuple. Otherwise the smallest of them cannot be in any tuple (everyone who remains in the
//! group of the largest is at least as far away) and is left out. This gives the most tuples. Proof: take any best
//! choice; the first tuple that the walk finds can replace the tuples that its members have there, because their later
//! partners, which are no smaller, can take each other's place. The walk does not look for the smallest distances, so
//! compare the groups that come out.
//!
//! The tests hold both against trying everything, over small sizes.

use super::{Matching, MatchingError, WhyLeftOut, queues};

/// Matches children by `values` (NaN where missing) between `groups` (0 to `group_count` − 1; `None` for a child of
/// none). Among equal values the order of the input decides.
///
/// # Errors
/// Fewer than two groups, or a caliper that is negative or no number.
///
/// # Panics
/// When there is not one group per value, or a group is out of range.
pub fn match_tuples(
    values: &[f64],
    groups: &[Option<usize>],
    group_count: usize,
    caliper: f64,
) -> Result<Matching, MatchingError> {
    let (queues, left_out) = queues(values, groups, group_count, caliper)?;
    let largest = queues.iter().flatten().map(|&child| values[child].abs()).fold(0.0, f64::max);
    let caliper = caliper + ROUNDING * largest;
    let tuples =
        if let [a, b] = queues.as_slice() { pairs(values, a, b, caliper) } else { walk(values, &queues, caliper) };
    Ok(Matching::of(&queues, tuples.concat(), left_out, tuples, |_| WhyLeftOut::NoPartner))
}

/// Rounding of a difference, as a share of the largest value: 0.13 and 0.11 are within 0.02.
const ROUNDING: f64 = 1e-12;

/// What the best choice does with the last of the first i and j children.
const SKIP_A: u8 = 0;
const SKIP_B: u8 = 1;
const PAIR: u8 = 2;

/// The most pairs with the smallest sum of distances; `a` and `b` are sorted by value.
fn pairs(values: &[f64], a: &[usize], b: &[usize], caliper: f64) -> Vec<Vec<usize>> {
    let width = b.len() + 1;
    // Two bits per step.
    let mut steps = vec![0u8; ((a.len() + 1) * width).div_ceil(4)];
    // Number of pairs and sum of distances for the first i of `a` and each number of `b`.
    let mut row: Vec<(usize, f64)> = vec![(0, 0.0); width];
    for i in 1..=a.len() {
        // The entry at j − 1 of the row before.
        let mut diagonal = row[0];
        for j in 1..width {
            let above = row[j];
            let (mut best, mut step) = (above, SKIP_A);
            if better(row[j - 1], best) {
                (best, step) = (row[j - 1], SKIP_B);
            }
            let distance = (values[a[i - 1]] - values[b[j - 1]]).abs();
            let paired = (diagonal.0 + 1, diagonal.1 + distance);
            if distance <= caliper && better(paired, best) {
                (best, step) = (paired, PAIR);
            }
            diagonal = above;
            row[j] = best;
            let place = i * width + j;
            steps[place / 4] |= step << (2 * (place % 4));
        }
    }
    let (mut i, mut j) = (a.len(), b.len());
    let mut found = Vec::new();
    while i > 0 && j > 0 {
        let place = i * width + j;
        match steps[place / 4] >> (2 * (place % 4)) & 3 {
            SKIP_A => i -= 1,
            SKIP_B => j -= 1,
            _ => {
                (i, j) = (i - 1, j - 1);
                found.push(vec![a[i], b[j]]);
            }
        }
    }
    found.reverse();
    found
}

/// Whether `a` has more pairs, or as many with a smaller sum of distances.
fn better(a: (usize, f64), b: (usize, f64)) -> bool {
    a.0 > b.0 || (a.0 == b.0 && a.1 < b.1)
}

/// The most tuples of any number of groups, each sorted by value.
fn walk(values: &[f64], queues: &[Vec<usize>], caliper: f64) -> Vec<Vec<usize>> {
    let mut next = vec![0; queues.len()];
    let mut tuples = Vec::new();
    while let Some(heads) = heads(queues, &next) {
        let smallest = (0..queues.len()).min_by(|&a, &b| values[heads[a]].total_cmp(&values[heads[b]])).unwrap_or(0);
        let largest = heads.iter().map(|&child| values[child]).fold(f64::NEG_INFINITY, f64::max);
        if largest - values[heads[smallest]] <= caliper {
            next.iter_mut().for_each(|place| *place += 1);
            tuples.push(heads);
        } else {
            next[smallest] += 1;
        }
    }
    tuples
}

/// The smallest child left of each group, while every group has one.
fn heads(queues: &[Vec<usize>], next: &[usize]) -> Option<Vec<usize>> {
    queues.iter().zip(next).map(|(queue, &place)| queue.get(place).copied()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_numbers::Numbers;

    /// The most tuples, and with two groups the smallest sum of distances (0 with more), by trying for each child of
    /// the first group to leave it out or to join it with every choice of children of the others.
    fn most(queues: &[Vec<f64>], caliper: f64) -> (usize, f64) {
        let Some(&first) = queues[0].last() else { return (0, 0.0) };
        let mut rest = queues.to_vec();
        rest[0].pop();
        let mut best = most(&rest, caliper);
        let mut choice = vec![0; rest.len() - 1];
        'choices: loop {
            if rest[1..].iter().zip(&choice).all(|(queue, &i)| i < queue.len()) {
                let tuple = rest[1..].iter().zip(&choice).map(|(queue, &i)| queue[i]).chain([first]);
                let (low, high) = tuple.fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(v), h.max(v)));
                if high - low <= caliper {
                    let mut without = rest.clone();
                    without[1..].iter_mut().zip(&choice).for_each(|(queue, &i)| {
                        queue.remove(i);
                    });
                    let (count, sum) = most(&without, caliper);
                    let distance = if queues.len() == 2 { high - low } else { 0.0 };
                    if better((count + 1, sum + distance), best) {
                        best = (count + 1, sum + distance);
                    }
                }
            }
            for (place, queue) in choice.iter_mut().zip(&rest[1..]) {
                *place += 1;
                if *place < queue.len() {
                    continue 'choices;
                }
                *place = 0;
            }
            return best;
        }
    }

    fn check(values: &[f64], groups: &[Option<usize>], count: usize, caliper: f64) {
        let found = match_tuples(values, groups, count, caliper).unwrap();
        let mut queues = vec![Vec::new(); count];
        for (value, group) in values.iter().zip(groups) {
            queues[group.unwrap()].push(*value);
        }
        let (most, sum) = most(&queues, caliper);
        assert_eq!(found.tuples.len(), most, "{values:?} {groups:?} {caliper}");
        let own: f64 = found.tuples.iter().map(|pair| (values[pair[0]] - values[pair[1]]).abs()).sum();
        assert!(count > 2 || (own - sum).abs() < 1e-12, "{values:?} {groups:?} {caliper}: {own} {sum}");
        for tuple in &found.tuples {
            for (group, &child) in tuple.iter().enumerate() {
                assert_eq!(groups[child], Some(group));
                assert!(tuple.iter().all(|&other| (values[other] - values[child]).abs() <= caliper));
            }
        }
        let mut all: Vec<usize> = found.kept.iter().copied().chain(found.left_out.iter().map(|o| o.child)).collect();
        all.sort_unstable();
        assert_eq!(all, (0..values.len()).collect::<Vec<_>>(), "each child once");
        assert_eq!(found.kept.len(), count * found.tuples.len());
    }

    #[test]
    fn pairs_are_as_many_as_can_be_over_all_small_sizes() {
        // Every assignment of up to 5 children to a value out of 4 and a group out of 2.
        for size in 0..=5u32 {
            for code in 0..8u32.pow(size) {
                let digit = |i: u32| code / 8u32.pow(i) % 8;
                let values: Vec<f64> = (0..size).map(|i| f64::from(digit(i) / 2)).collect();
                let groups: Vec<Option<usize>> = (0..size).map(|i| Some((digit(i) % 2) as usize)).collect();
                for caliper in [0.0, 1.0, 2.0] {
                    check(&values, &groups, 2, caliper);
                }
            }
        }
    }

    #[test]
    fn a_grid_of_values_is_matched_as_it_is_written() {
        let tuples = |values: &[f64], groups: &[Option<usize>], count| {
            match_tuples(values, groups, count, 0.02).unwrap().tuples.len()
        };
        assert_eq!(tuples(&[0.11, 0.13], &[Some(0), Some(1)], 2), 1);
        assert_eq!(tuples(&[0.11, 0.13, 0.12], &[Some(0), Some(1), Some(2)], 3), 1);
        assert_eq!(tuples(&[0.11, 0.130001], &[Some(0), Some(1)], 2), 0);
    }

    #[test]
    fn partners_at_hand_are_preferred_to_the_first_that_will_do() {
        let values = [0.10, 0.12, 0.14, 0.12, 0.14, 0.9];
        let groups = [Some(0), Some(0), Some(0), Some(1), Some(1), Some(1)];
        assert_eq!(match_tuples(&values, &groups, 2, 0.05).unwrap().tuples, [[1, 3], [2, 4]]);
        let mut drawn = Numbers::new(5);
        let mut draw = |limit: u64| drawn.below(limit);
        for _ in 0..400 {
            let size = draw(10) as usize;
            let values: Vec<f64> = (0..size).map(|_| draw(1000) as f64 / 1000.0).collect();
            let groups: Vec<Option<usize>> = (0..size).map(|_| Some(draw(2) as usize)).collect();
            check(&values, &groups, 2, 0.2);
        }
    }

    #[test]
    fn tuples_of_three_and_four_groups_are_as_many_as_can_be() {
        let mut drawn = Numbers::new(9);
        let mut draw = |limit: u64| drawn.below(limit);
        for case in 0..600 {
            let count = 3 + case % 2;
            let size = draw(10) as usize;
            let values: Vec<f64> = (0..size).map(|_| draw(12) as f64 / 4.0).collect();
            let groups: Vec<Option<usize>> = (0..size).map(|_| Some(draw(count) as usize)).collect();
            check(&values, &groups, count as usize, draw(5) as f64 / 4.0);
        }
    }

    #[test]
    fn those_left_out_have_a_reason() {
        let values = [0.1, 0.12, f64::NAN, 0.11, 0.9, 0.3];
        let groups = [Some(0), Some(1), Some(0), None, Some(1), Some(0)];
        let found = match_tuples(&values, &groups, 2, 0.05).unwrap();
        assert_eq!(found.tuples, [[0, 1]]);
        let why: Vec<_> = found.left_out.iter().map(|out| (out.child, out.why)).collect();
        use WhyLeftOut::{NoGroup, NoPartner, NoValue};
        assert_eq!(why, [(2, NoValue), (3, NoGroup), (4, NoPartner), (5, NoPartner)]);
        assert_eq!(match_tuples(&values, &groups, 1, 0.1), Err(MatchingError::TooFewGroups { found: 1 }));
        assert!(
            match_tuples(&values, &groups, 2, f64::NAN).is_err() && match_tuples(&values, &groups, 2, -1.0).is_err()
        );
    }
}
