//! The same exchange among some of the rows: who changes places with whom, of those who have an edge.
//!
//! An order of all rows gives one of some of them. The place of a row that is there gets the row that the order puts
//! there; if that one is missing, it gets the row that the order puts in the place of the missing one, and so on until
//! one is there. If all orders are equally likely, so are all orders of the rows that are there, since missing rows can
//! be put into the cycles of each in equally many ways. Most rows go where they go without missing ones, so edges that
//! few children lack are permuted nearly as the others, and what they have in common stays.
//!
//! A unit of several rows, such as a family, moves only if all of its rows are there: otherwise its rows would come
//! apart. One of which some rows are missing stays where it is, like a block of a size that no other has, which costs
//! power and makes no p too small.

use ndarray::{Array2, ArrayView2};

use super::Exchange;

/// An exchange among some of the rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Among {
    /// The rows that are there, rising.
    rows: Vec<usize>,
    /// For each of all rows, its place among those that are there and can move.
    places: Vec<Option<u32>>,
}

impl Exchange {
    /// The exchange among the rows that are not `absent`; none where fewer than half of the rows that are there, and
    /// that could move with all, still can (own convention): most orders would then leave most as it is.
    ///
    /// # Panics
    /// When an absent row is not one of the rows.
    #[must_use]
    pub fn among(&self, absent: &[u32]) -> Option<Among> {
        let mut there = vec![true; self.rows];
        absent.iter().for_each(|&row| there[row as usize] = false);
        let rows: Vec<usize> = (0..self.rows).filter(|&row| there[row]).collect();
        let mut at = vec![0; self.rows];
        rows.iter().enumerate().for_each(|(place, &row)| at[row] = place as u32);
        let mut places = vec![None; self.rows];
        let (mut could, mut can) = (0, 0);
        for pool in self.pools.iter().filter(|pool| pool.len() > 1) {
            could += pool.iter().flatten().filter(|&&row| there[row]).count();
            let whole: Vec<&Vec<usize>> = pool.iter().filter(|unit| unit.iter().all(|&row| there[row])).collect();
            if whole.len() > 1 {
                can += whole.iter().map(|unit| unit.len()).sum::<usize>();
                whole.into_iter().flatten().for_each(|&row| places[row] = Some(at[row]));
            }
        }
        (2 * can >= could).then_some(Among { rows, places })
    }
}

impl Among {
    /// The rows that are there, rising.
    #[must_use]
    pub fn rows(&self) -> &[usize] {
        &self.rows
    }

    /// Orders of these rows, by their places among them, from orders of all rows ([`Exchange::draw`]).
    #[must_use]
    pub fn orders(&self, drawn: ArrayView2<'_, u32>) -> Array2<u32> {
        let mut out = Array2::zeros((drawn.nrows(), self.rows.len()));
        for (drawn, mut order) in drawn.rows().into_iter().zip(out.rows_mut()) {
            for (place, (to, &row)) in order.iter_mut().zip(&self.rows).enumerate() {
                *to = place as u32;
                if self.places[row].is_some() {
                    // Comes back to the row itself at the latest.
                    let mut next = drawn[row] as usize;
                    *to = loop {
                        match self.places[next] {
                            Some(place) => break place,
                            None => next = drawn[next] as usize,
                        }
                    };
                }
            }
        }
        out
    }
}
