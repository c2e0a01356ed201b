//! Who may be exchanged with whom, when rows come in blocks: sessions of one child, siblings of one family.
//!
//! Permuting says that without an effect every order of the rows is as likely as the one seen. Rows of one child are
//! alike, and so are siblings, so not every order is. Winkler et al. 2015, NeuroImage 123:253 (from memory): if blocks
//! are independent of each other, then
//!
//! - what varies only **between** blocks is tested by moving whole blocks, each to the place of another of its size and
//!   make; the rows of a block keep their order;
//! - what varies only **within** blocks is tested by moving rows within their blocks;
//! - what varies both ways has no such orders. Its two parts have: the block's mean, and the distance from it.
//!
//! A participant with several rows is a block by itself. Participants may lie in larger blocks, such as families. What
//! varies within families but not within participants then moves whole participants of one size within their family;
//! what varies within participants moves rows within them.
//!
//! Blocks of a size that no other has stay where they are. This never makes a p too small, only power less. No p can
//! lie below one over the number of different orders ([`Exchange::orders`]).
//!
//! Orders are drawn as ever: ChaCha8 with the seed, a stream for each order; where every row may change places with
//! every other, the numbers are those without blocks.

mod among;

pub use among::Among;

use std::collections::{BTreeMap, HashMap};
use std::hash::Hash;
use std::ops::Range;

use ndarray::{Array2, ArrayView1};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};

/// Numbers that differ by less than this share of the largest are the same: the rounding of 32-bit tables, and a little
/// more (own convention).
const ROUNDING: f64 = 1e-6;

/// The blocks of the rows of a table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Blocks {
    /// For each row, the number of its block, in order of first appearance.
    block: Vec<usize>,
    /// For each row, the number of its participant.
    participant: Vec<usize>,
}

/// What may be exchanged.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exchange {
    rows: usize,
    /// Units that change places with each other; each is some rows in their order, as many in each unit of a pool.
    pools: Vec<Vec<Vec<usize>>>,
}

/// How a column varies.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Varies {
    Between,
    Within,
    BothWays,
}

impl Blocks {
    /// Each row by itself.
    #[must_use]
    pub fn single(rows: usize) -> Self {
        let own: Vec<usize> = (0..rows).collect();
        Self { block: own.clone(), participant: own }
    }

    /// From each row's participant and larger block; none where each participant is a block.
    ///
    /// # Panics
    /// When there is not one larger block per row, or a participant lies in two of them.
    #[must_use]
    pub fn new<P: Eq + Hash, B: Eq + Hash>(participants: &[P], larger: Option<&[B]>) -> Self {
        let participant = numbers(participants.iter());
        let block = larger.map_or_else(|| participant.clone(), |larger| numbers(larger.iter()));
        assert_eq!(block.len(), participant.len(), "one block per row");
        let mut lies_in = BTreeMap::new();
        for (own, block) in participant.iter().zip(&block) {
            assert_eq!(lies_in.entry(own).or_insert(block), &block, "a participant lies in one block");
        }
        Self { block, participant }
    }

    /// The blocks of some of the rows.
    #[must_use]
    pub fn select(&self, rows: &[usize]) -> Self {
        let of = |all: &[usize]| numbers(rows.iter().map(|&row| all[row]));
        Self { block: of(&self.block), participant: of(&self.participant) }
    }

    #[must_use]
    pub fn rows(&self) -> usize {
        self.block.len()
    }

    /// Number of blocks.
    #[must_use]
    pub fn count(&self) -> usize {
        self.block.iter().max().map_or(0, |last| last + 1)
    }

    /// Number of participants.
    #[must_use]
    pub fn children(&self) -> usize {
        self.participant.iter().max().map_or(0, |last| last + 1)
    }

    /// What rows count, in a word: children, unless some child has several.
    #[must_use]
    pub fn counted(&self) -> &'static str {
        if self.children() == self.rows() { "children" } else { "rows" }
    }

    /// Whether every row is a block by itself.
    #[must_use]
    pub fn are_single(&self) -> bool {
        self.count() == self.rows()
    }

    /// For each row, the number of its block.
    #[must_use]
    pub fn of_rows(&self) -> &[usize] {
        &self.block
    }

    /// For each row, the number of its participant.
    #[must_use]
    pub fn participants(&self) -> &[usize] {
        &self.participant
    }

    /// Number of blocks of each number of rows.
    #[must_use]
    pub fn sizes(&self) -> BTreeMap<usize, usize> {
        let mut sizes = BTreeMap::new();
        members(&self.block).iter().for_each(|rows| *sizes.entry(rows.len()).or_insert(0) += 1);
        sizes
    }

    /// For each row, the mean of its block.
    ///
    /// # Panics
    /// When there is not one value per row.
    #[must_use]
    pub fn means(&self, values: &[f64]) -> Vec<f64> {
        assert_eq!(values.len(), self.rows(), "one value per row");
        let means = means(&self.block, values);
        self.block.iter().map(|&block| means[block]).collect()
    }

    /// Whole blocks change places with others of the same size and make.
    #[must_use]
    pub fn whole(&self) -> Exchange {
        let mut pools: BTreeMap<Vec<usize>, Vec<Vec<usize>>> = BTreeMap::new();
        for rows in members(&self.block) {
            // Participants by size, so that blocks of the same make are alike whatever the order of their participants.
            let mut inside = self.participants_of(&rows);
            inside.sort_by_key(Vec::len);
            let make = inside.iter().map(Vec::len).collect();
            pools.entry(make).or_default().push(inside.concat());
        }
        Exchange { rows: self.rows(), pools: pools.into_values().collect() }
    }

    /// How a column varies.
    ///
    /// # Panics
    /// When there is not one value per row.
    #[must_use]
    pub fn varies(&self, column: ArrayView1<'_, f64>) -> Varies {
        let (values, same) = values_and_tolerance(column);
        assert_eq!(values.len(), self.rows(), "one value per row");
        if is_constant(&self.block, &values, same) {
            Varies::Between
        } else if have_one_mean(&self.block, &values, same) {
            Varies::Within
        } else {
            Varies::BothWays
        }
    }

    /// What may be exchanged to test a column; none where it varies both ways.
    ///
    /// # Panics
    /// When there is not one value per row.
    #[must_use]
    pub fn exchange(&self, column: ArrayView1<'_, f64>) -> Option<Exchange> {
        let (values, same) = values_and_tolerance(column);
        let pools = match self.varies(column) {
            Varies::Between => return Some(self.whole()),
            Varies::Within if is_constant(&self.participant, &values, same) => {
                let of_block = |rows: &Vec<usize>| {
                    let mut by_size: BTreeMap<usize, Vec<Vec<usize>>> = BTreeMap::new();
                    self.participants_of(rows)
                        .into_iter()
                        .for_each(|own| by_size.entry(own.len()).or_default().push(own));
                    by_size.into_values()
                };
                members(&self.block).iter().flat_map(of_block).collect()
            }
            Varies::Within if have_one_mean(&self.participant, &values, same) => members(&self.participant)
                .into_iter()
                .map(|rows| rows.into_iter().map(|row| vec![row]).collect())
                .collect(),
            Varies::Within | Varies::BothWays => return None,
        };
        Some(Exchange { rows: self.rows(), pools })
    }

    /// Some rows by participant, in order of first appearance.
    fn participants_of(&self, rows: &[usize]) -> Vec<Vec<usize>> {
        let own: Vec<usize> = rows.iter().map(|&row| self.participant[row]).collect();
        let places = members(&numbers(own.iter()));
        places.into_iter().map(|places| places.into_iter().map(|place| rows[place]).collect()).collect()
    }
}

impl Exchange {
    /// Every row with every other.
    #[must_use]
    pub fn free(rows: usize) -> Self {
        Self { rows, pools: vec![(0..rows).map(|row| vec![row]).collect()] }
    }

    #[must_use]
    pub fn rows(&self) -> usize {
        self.rows
    }

    /// Whether every row may change places with every other.
    #[must_use]
    pub fn is_free(&self) -> bool {
        self.pools.iter().map(Vec::len).max().unwrap_or(0) == self.rows
    }

    /// How many different orders there are; infinite where that is beyond doubles.
    #[must_use]
    pub fn orders(&self) -> f64 {
        self.pools.iter().flat_map(|pool| 1..=pool.len()).map(|k| k as f64).product()
    }

    /// Units, less one for each pool: how many of them can be moved freely.
    #[must_use]
    pub fn free_units(&self) -> usize {
        self.pools.iter().map(|pool| pool.len().saturating_sub(1)).sum()
    }

    /// All units.
    #[must_use]
    pub fn units(&self) -> usize {
        self.pools.iter().map(Vec::len).sum()
    }

    /// Some orders by number: row k says for each place which row goes there. Seeded: ChaCha8 (Bernstein 2008) with
    /// `seed`, stream k for order k, each pool shuffled by Fisher & Yates's method (Durstenfeld 1964, CACM 7:420), a
    /// place drawn from 64 random bits by multiplication, values that would favour a place drawn again (Lemire 2019,
    /// ACM TOMACS 29:3). The same numbers on every machine.
    #[must_use]
    pub fn draw(&self, numbers: Range<usize>, seed: u64) -> Array2<u32> {
        let mut out = Array2::from_shape_fn((numbers.len(), self.rows), |(_, i)| i as u32);
        let mut order: Vec<usize> = Vec::new();
        for (number, mut row) in numbers.zip(out.rows_mut()) {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream(number as u64);
            for pool in &self.pools {
                order.clear();
                order.extend(0..pool.len());
                for i in (1..pool.len()).rev() {
                    order.swap(i, below(&mut rng, i as u64 + 1) as usize);
                }
                for (to, &from) in pool.iter().zip(&order) {
                    to.iter().zip(&pool[from]).for_each(|(&to, &from)| row[to] = from as u32);
                }
            }
        }
        out
    }
}

/// A number below `limit`, each as likely.
pub(super) fn below(rng: &mut ChaCha8Rng, limit: u64) -> u64 {
    loop {
        let wide = u128::from(rng.next_u64()) * u128::from(limit);
        // The lowest 2⁶⁴ mod limit products of each place are one too many for some places.
        if (wide as u64) >= limit.wrapping_neg() % limit {
            return (wide >> 64) as u64;
        }
    }
}

/// Numbers for labels, in order of first appearance.
fn numbers<L: Eq + Hash>(labels: impl Iterator<Item = L>) -> Vec<usize> {
    let mut known = HashMap::new();
    labels
        .map(|label| {
            let next = known.len();
            *known.entry(label).or_insert(next)
        })
        .collect()
}

/// The rows of each number.
fn members(of: &[usize]) -> Vec<Vec<usize>> {
    let mut members = vec![Vec::new(); of.iter().max().map_or(0, |last| last + 1)];
    of.iter().enumerate().for_each(|(row, &number)| members[number].push(row));
    members
}

fn means(of: &[usize], values: &[f64]) -> Vec<f64> {
    let mean = |rows: Vec<usize>| rows.iter().map(|&row| values[row]).sum::<f64>() / rows.len() as f64;
    members(of).into_iter().map(mean).collect()
}

/// A column, and by how much its numbers may differ and be the same.
fn values_and_tolerance(column: ArrayView1<'_, f64>) -> (Vec<f64>, f64) {
    (column.to_vec(), ROUNDING * column.fold(0.0, |most: f64, v| most.max(v.abs())))
}

fn is_constant(of: &[usize], values: &[f64], same: f64) -> bool {
    let means = means(of, values);
    of.iter().zip(values).all(|(&number, value)| (value - means[number]).abs() <= same)
}

fn have_one_mean(of: &[usize], values: &[f64], same: f64) -> bool {
    let means = means(of, values);
    means.iter().all(|mean| (mean - means[0]).abs() <= same)
}

#[cfg(test)]
mod tests;
