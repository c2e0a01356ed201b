//! One value for each [`Reason`], looked up by the reason and never by its position.

use std::iter::Sum;
use std::ops::{Index, IndexMut};

use super::reason::Reason;

/// One value for each reason. [`Reason::ALL`] lists the reasons as they are declared, so a reason's number is its
/// place.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct PerReason<T>([T; Reason::ALL.len()]);

impl<T> PerReason<T> {
    /// Reasons and values, in the order of [`Reason::ALL`].
    pub fn iter(&self) -> impl Iterator<Item = (Reason, &T)> {
        Reason::ALL.into_iter().zip(&self.0)
    }
}

impl<T> Index<Reason> for PerReason<T> {
    type Output = T;

    fn index(&self, reason: Reason) -> &T {
        &self.0[reason as usize]
    }
}

impl<T> IndexMut<Reason> for PerReason<T> {
    fn index_mut(&mut self, reason: Reason) -> &mut T {
        &mut self.0[reason as usize]
    }
}

/// Counts of several runs, added reason by reason.
impl<'a> Sum<&'a Self> for PerReason<usize> {
    fn sum<I: Iterator<Item = &'a Self>>(runs: I) -> Self {
        runs.fold(Self::default(), |mut total, run| {
            run.iter().for_each(|(reason, count)| total[reason] += count);
            total
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_reason_has_a_value_of_its_own_and_runs_add_up() {
        let (mut first, mut second) = (PerReason::default(), PerReason::default());
        for (at, reason) in Reason::ALL.into_iter().enumerate() {
            (first[reason], second[reason]) = (at + 1, 10 * at);
        }
        let expected: Vec<(Reason, usize)> = Reason::ALL.into_iter().zip((0..).map(|at| 11 * at + 1)).collect();
        let total: PerReason<usize> = [first, second].iter().sum();
        assert_eq!(total.iter().map(|(reason, count)| (reason, *count)).collect::<Vec<_>>(), expected);
    }
}
