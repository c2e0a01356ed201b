//! Edges in classes, each with weights of its own: sums and shuffles that QC-FC is read off.
//!
//! How much a child's edge is worth depends on how much children differ on that edge ([`crate::group::weights`]). Edges
//! of a class share weights, so that what is done to all of them stays a product of matrices. Shuffle k moves the same
//! children in every class.

use rayon::prelude::*;

use super::beyond::Beyond;
use super::shuffled::{MovingChildren, shuffles_of};
use super::{Accumulator, QcFc, QualityError, Shuffled, p_of_r};
use crate::group::weights::WeightedEdges;
use crate::linalg::LinalgError;

/// Sums over children of all edges.
#[derive(Debug, Clone)]
pub struct MotionSums {
    edges: usize,
    classes: Vec<ClassSums>,
    people: usize,
    orders: f64,
    /// All units that are moved, and how many of them freely; none where every row may change places with every other.
    units: Option<[usize; 2]>,
}

/// Sums of the edges of one class.
#[derive(Debug, Clone)]
struct ClassSums {
    /// Their places among all edges, rising.
    edges: Vec<usize>,
    /// One per child, in the order in which children come.
    weights: Vec<f64>,
    sums: Accumulator,
    shuffled: Shuffled,
}

impl MotionSums {
    /// For `edges` edges, each in one of `classes`; the rows are of so many `people`.
    ///
    /// # Errors
    /// A number that is not finite.
    ///
    /// # Panics
    /// When classes do not hold every edge once, or do not have one weight per child.
    pub fn new(
        edges: usize,
        classes: Vec<WeightedEdges>,
        children: &MovingChildren<'_>,
        people: usize,
    ) -> Result<Self, LinalgError> {
        assert_eq!(classes.iter().map(|class| class.edges.len()).sum::<usize>(), edges, "each edge in one class");
        let shuffles = shuffles_of(edges);
        let weighted: Vec<_> = classes.iter().map(|class| (class.edges.len(), class.weights.as_slice())).collect();
        let shuffled = Shuffled::of_classes(&weighted, children, shuffles)?;
        let class_sums = |(class, shuffled): (WeightedEdges, Shuffled)| {
            let WeightedEdges { edges, weights } = class;
            let sums = Accumulator::new(edges.len(), 1 + children.covariates.ncols());
            ClassSums { edges, weights, sums, shuffled }
        };
        let classes = classes.into_iter().zip(shuffled).map(class_sums).collect();
        let exchange = children.exchange;
        let units = (!exchange.is_free()).then(|| [exchange.units(), exchange.free_units()]);
        Ok(Self { edges, classes, people, orders: exchange.orders(), units })
    }

    /// Adds the next children: a row of edges each, and its mean FD and covariates.
    ///
    /// # Errors
    /// As [`Accumulator::add_child`], with the place of the child among these.
    pub fn take(&mut self, rows: &[&[f32]], numbers: &[Vec<f64>]) -> Result<(), (usize, QualityError)> {
        let whole = self.classes.len() == 1;
        let taken: Vec<Result<(), (usize, QualityError)>> = self
            .classes
            .par_iter_mut()
            .map(|class| {
                if whole {
                    return class.take(rows, numbers);
                }
                let own: Vec<Vec<f32>> =
                    rows.iter().map(|row| class.edges.iter().map(|&edge| row[edge]).collect()).collect();
                class.take(&own.iter().map(Vec::as_slice).collect::<Vec<_>>(), numbers)
            })
            .collect();
        // Of several errors that of the first child, whichever thread was faster.
        taken.into_iter().filter_map(Result::err).min_by_key(|(child, _)| *child).map_or(Ok(()), Err)
    }

    /// Of how many children the rows are.
    #[must_use]
    pub fn people(&self) -> usize {
        self.people
    }

    /// How many different orders the rows have.
    #[must_use]
    pub fn orders(&self) -> f64 {
        self.orders
    }

    /// Number of rows so far.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.classes.first().map_or(0, |class| class.sums.children())
    }

    /// The weighted correlation of each edge with mean FD, once the first `controls` covariates are taken out of both:
    /// as [`Accumulator::correlation`]. Edges that fewer than [`least_children`](crate::group::least_children) of the
    /// children have get none.
    ///
    /// # Errors
    /// More controls than covariates.
    pub fn correlation(&self, controls: usize) -> Result<QcFc, QualityError> {
        let mut all = QcFc::none(self.edges);
        let controls: Vec<usize> = (1..=controls).collect();
        for class in &self.classes {
            all.put(&class.edges, &class.sums.correlation(0, &controls)?);
        }
        all.leave_out_few(self.rows());
        Ok(all)
    }

    /// Where these correlations, with all covariates taken out, stand among those with shuffled motion; without any
    /// shuffle where no block can move, since each would give the data back.
    #[must_use]
    pub fn beyond(&self, data: &QcFc, distance_mm: &[f64]) -> Beyond {
        if self.units.is_some_and(|[_, free]| free == 0) {
            return Beyond::of(data, distance_mm, 0, |_| Vec::new());
        }
        Beyond::of(data, distance_mm, self.shuffles(), |tested| self.shuffled(data, tested))
    }

    /// The same correlations with degrees of freedom, and p, that respect blocks of related rows.
    ///
    /// A correlation over independent rows with ν degrees of freedom has the variance 1/(ν + 1) by chance. Shuffles of
    /// whole blocks show what it is here, since they keep how alike the rows of a block are both in motion and in the
    /// edge: so each edge has ν = 1/variance − 1, and at most that of independent rows. Blocks of each size are
    /// shuffled among themselves, which leaves out what lies between sizes; the variance is raised by blocks − 1 over
    /// those that are free to move. Where no block can move, nothing is known and p is not available.
    #[must_use]
    pub fn in_blocks(&self, data: QcFc) -> QcFc {
        let Some([units, free]) = self.units else { return data };
        let tested: Vec<usize> = (0..self.edges).filter(|&edge| !data.r[edge].is_nan()).collect();
        let shuffles = self.shuffles();
        let mut found = data;
        let r = if free == 0 { Vec::new() } else { self.shuffled(&found, &tested) };
        let wider = (units as f64 - 1.0) / free as f64;
        let of_edge = |(k, &edge): (usize, &usize)| {
            let own = &r[k * shuffles..(k + 1) * shuffles];
            let mean = own.iter().map(|r| f64::from(*r)).sum::<f64>() / shuffles as f64;
            let squares = own.iter().map(|r| (f64::from(*r) - mean).powi(2)).sum::<f64>();
            let dof = 1.0 / (wider * squares / shuffles as f64) - 1.0;
            (edge, (dof.round().max(1.0) as usize).min(found.dof[edge]))
        };
        if free == 0 {
            tested.iter().for_each(|&edge| found.p[edge] = f64::NAN);
            return found;
        }
        let dof: Vec<(usize, usize)> = tested.iter().enumerate().map(of_edge).collect();
        for (edge, dof) in dof {
            found.dof[edge] = dof;
            found.p[edge] = p_of_r(found.r[edge], dof as f64);
        }
        found
    }

    /// Number of shuffles: none without a child.
    fn shuffles(&self) -> usize {
        self.classes.first().map_or(0, |class| class.shuffled.shuffles())
    }

    /// Correlations of some edges with shuffled motion, edges × shuffles.
    fn shuffled(&self, data: &QcFc, tested: &[usize]) -> Vec<f32> {
        let shuffles = self.shuffles();
        let mut row_of = vec![usize::MAX; self.edges];
        tested.iter().enumerate().for_each(|(row, &edge)| row_of[edge] = row);
        let mut out = vec![0.0; tested.len() * shuffles];
        for class in &self.classes {
            let own = data.select(&class.edges);
            let places: Vec<usize> =
                (0..class.edges.len()).filter(|&place| row_of[class.edges[place]] != usize::MAX).collect();
            let found = class.shuffled.correlations(&class.sums, &own, &places);
            for (place, r) in places.iter().zip(found.chunks_exact(shuffles.max(1))) {
                let row = row_of[class.edges[*place]];
                out[row * shuffles..(row + 1) * shuffles].copy_from_slice(r);
            }
        }
        out
    }
}

impl ClassSums {
    /// Adds children with the edges of this class.
    fn take(&mut self, rows: &[&[f32]], numbers: &[Vec<f64>]) -> Result<(), (usize, QualityError)> {
        let Self { edges, weights, sums, shuffled } = self;
        let first = sums.children();
        let (added, ()) = rayon::join(
            || {
                rows.iter().zip(numbers).enumerate().try_for_each(|(child, (row, numbers))| {
                    sums.add_child(row, numbers, weights[first + child]).map_err(|error| match error {
                        QualityError::Infinite { edge } => (child, QualityError::Infinite { edge: edges[edge] }),
                        other => (child, other),
                    })
                })
            },
            || shuffled.take(rows),
        );
        added
    }
}

#[cfg(test)]
mod tests;
