//! What chance alone does to these edges and these children: motion shuffled among the children.
//!
//! Edges share children and parcels and are correlated, so the share of them that reaches p < 0.05 is nowhere near a
//! binomial with a mean of 5 %, and a rank correlation over edges has no t distribution. Shuffling the children's
//! motion breaks its relation to their edges and leaves all else as it is: the edges, the correlations among them, and
//! the few large values of motion. The share of shuffles that come out at least as far as the data, the data counted as
//! one of them, is a p value that holds however the edges are related to one another (permutation tests: Fisher 1935,
//! The Design of Experiments; with the data counted: Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39; from memory).
//!
//! With covariates taken out, motion's residuals are shuffled and made orthogonal to the covariates again (residuals
//! permuted: Freedman & Lane 1983, J Business & Economic Statistics 1:292, there of the edges, here of motion, of which
//! there is one), and correlated with what is left of the edges.
//!
//! The products of every edge with every shuffle are sums over children, so the same pass gathers them:
//! shuffles × children times children × edges, a block of children at a time, in single precision (products of a few
//! thousand terms of either sign keep four digits, and two where one child in a hundred has the edge; the shuffles
//! decide at two). An edge that children lack is correlated with shuffled motion over the children who have it, as with
//! motion itself; for that, sums of shuffled motion, of its square and of its products with the covariates are
//! kept over the children who lack the edge; over all children they are known. Memory is 4 bytes per shuffle for each
//! child and each edge, and as much again for each of these sums of an edge that children lack.

#[cfg(test)]
mod tests;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array1, Array2, ArrayBase, ArrayView1, ArrayView2, ArrayViewMut2, Axis, s};
use rayon::prelude::*;

use super::{Accumulator, QcFc};
use crate::group::exchange::Exchange;
use crate::linalg::{LeastSquares, LinalgError};

/// How often motion is shuffled: p values go down to 1/1000 (own convention: the p of 0.05 then has a standard error of
/// 0.007).
pub const SHUFFLES: usize = 999;
/// The fewest shuffles, however many edges there are (own convention: p values go down to 1/200).
const LEAST_SHUFFLES: usize = 199;
/// Products of edges and shuffles that are held, at most, unless [`LEAST_SHUFFLES`] are more (own convention: 1 GB per
/// look, and as much again while looks are compared; 999 shuffles up to 268,000 edges, 733 parcels).
const MOST_PRODUCTS: usize = 1 << 28;

/// How often motion is shuffled with so many edges.
#[must_use]
pub(super) fn shuffles_of(edges: usize) -> usize {
    (MOST_PRODUCTS / edges.max(1)).clamp(LEAST_SHUFFLES, SHUFFLES)
}

/// The shuffles of one cohort are the same each time (own choice).
const SEED: u64 = 1;
/// Shuffles that are made at once (own choice).
const AT_ONCE: usize = 16;
/// Edges that one thread takes at once (own choice: sums of 256 × 999 floats are 1 MB, which a core's second cache
/// holds).
const STRETCH: usize = 256;

/// The largest |r| of a shuffle with an edge that children lack (own choice: a last place of single precision below 1).
const MOST: f64 = 1.0 - 1e-7;
/// Sums of the products of edges with shuffled motion.
#[derive(Debug, Clone)]
pub struct Shuffled {
    /// Children × shuffles: whitened residuals (times the root of the child's weight), each column of norm 1 and
    /// orthogonal to the whitened constant and covariates.
    motion: Array2<f32>,
    /// Children × covariates, about their weighted means, whitened.
    covariates: Array2<f32>,
    means: Vec<f64>,
    /// Root of each child's weight.
    roots: Vec<f32>,
    /// Children taken so far.
    next: usize,
    stretches: Vec<Stretch>,
}

/// Some edges that follow each other.
#[derive(Debug, Clone)]
struct Stretch {
    /// For each edge, the first value that was seen; the others are taken relative to it.
    origin: Vec<f32>,
    /// Shuffles × edges.
    products: Array2<f32>,
    /// For edges that some children lack, in order of their places.
    absent: Vec<(usize, Absent)>,
}

/// Sums over the children who lack an edge, of each shuffle.
#[derive(Debug, Clone)]
struct Absent {
    /// Times the root of the weight.
    motion: Vec<f32>,
    squares: Vec<f32>,
    /// For each covariate, products with it.
    products: Vec<Vec<f32>>,
}

/// The children whose motion is correlated with their edges, and shuffled.
#[derive(Debug, Clone, Copy)]
pub struct MovingChildren<'a> {
    /// Mean FD of each.
    pub motion: &'a [f64],
    /// Children × covariates that are taken out, without an intercept.
    pub covariates: ArrayView2<'a, f64>,
    /// Of each child, its place among all rows that are shuffled, those of `exchange`.
    pub places: &'a [usize],
    /// Who may be exchanged.
    pub exchange: &'a Exchange,
}

impl Shuffled {
    /// Shuffles the motion of the children so often, with the covariates taken out, for each class of so many edges; in
    /// each class every child has its weight, above 0. All classes share the orders. Where the children are part of
    /// others who are shuffled too and every row may be exchanged with every other, `places` are theirs among these,
    /// whose orders they then keep: so that shuffle k of both goes together.
    ///
    /// # Errors
    /// A number that is not finite.
    ///
    /// # Panics
    /// When there is not one row of covariates, one weight of each class and one place per child.
    pub fn of_classes(
        classes: &[(usize, &[f64])],
        children: &MovingChildren<'_>,
        shuffles: usize,
    ) -> Result<Vec<Self>, LinalgError> {
        let &MovingChildren { motion, covariates, places, exchange } = children;
        let count = motion.len();
        assert_eq!((count, count), (covariates.nrows(), places.len()), "a row of covariates and a place per child");
        assert!(classes.iter().all(|(_, weights)| weights.len() == count), "one weight per child");
        let mut all: Vec<Self> =
            classes.iter().map(|(edges, weights)| Self::unshuffled(*edges, children, weights, shuffles)).collect();
        if count == 0 {
            return Ok(all);
        }
        let whitened = classes.iter().map(|(_, weights)| Whitened::new(motion, covariates, weights));
        let whitened: Vec<Whitened> = whitened.collect::<Result<_, LinalgError>>()?;
        let mut at = vec![None; exchange.rows()];
        places.iter().enumerate().for_each(|(child, &place)| at[place] = Some(child));
        // Some at a time, since in double precision all would take more than all else.
        let mut chunks: Vec<Vec<ArrayViewMut2<'_, f32>>> = Vec::new();
        for class in &mut all {
            for (chunk, columns) in class.motion.axis_chunks_iter_mut(Axis(1), AT_ONCE).enumerate() {
                chunks.resize_with(chunks.len().max(chunk + 1), Vec::new);
                chunks[chunk].push(columns);
            }
        }
        chunks.into_par_iter().enumerate().try_for_each(|(chunk, classes)| {
            let first = chunk * AT_ONCE;
            let drawn = exchange.draw(first..first + classes.first().map_or(0, ArrayBase::ncols), SEED);
            let orders: Vec<Vec<usize>> = drawn
                .rows()
                .into_iter()
                .map(|drawn| drawn.iter().filter_map(|&place| at[place as usize]).collect())
                .collect();
            classes.into_iter().zip(&whitened).try_for_each(|(columns, class)| class.shuffle(&orders, columns))
        })?;
        Ok(all)
    }

    /// Without the shuffled motion yet.
    fn unshuffled(edges: usize, children: &MovingChildren<'_>, weights: &[f64], shuffles: usize) -> Self {
        let covariates = children.covariates;
        let count = weights.len();
        let total: f64 = weights.iter().sum();
        let mean = |column: ArrayView1<'_, f64>| column.iter().zip(weights).map(|(c, w)| c * w).sum::<f64>() / total;
        let means: Vec<f64> = if count == 0 {
            vec![0.0; covariates.ncols()]
        } else {
            covariates.columns().into_iter().map(mean).collect()
        };
        let root = |child: usize| weights[child].sqrt();
        let about_means =
            Array2::from_shape_fn(covariates.dim(), |(i, k)| (root(i) * (covariates[[i, k]] - means[k])) as f32);
        let shuffles = if count == 0 { 0 } else { shuffles };
        let stretch = |first: usize| {
            let count = STRETCH.min(edges - first);
            Stretch { origin: vec![f32::NAN; count], products: Array2::zeros((shuffles, count)), absent: Vec::new() }
        };
        Self {
            motion: Array2::zeros((count, shuffles)),
            covariates: about_means,
            means,
            roots: (0..count).map(|child| root(child) as f32).collect(),
            next: 0,
            stretches: (0..edges).step_by(STRETCH).map(stretch).collect(),
        }
    }

    /// Number of shuffles: none without a child.
    pub(super) fn shuffles(&self) -> usize {
        self.motion.ncols()
    }

    /// Adds the next children, one row of edges per child (NaN where a child lacks an edge); in parallel over edges.
    ///
    /// # Panics
    /// When there are more children than motion was given for, or rows of another length.
    pub fn take(&mut self, rows: &[&[f32]]) {
        let children = self.next..self.next + rows.len();
        let motion = self.motion.slice(s![children.clone(), ..]);
        let covariates = self.covariates.slice(s![children.clone(), ..]);
        let roots = &self.roots[children];
        self.next += rows.len();
        self.stretches.par_iter_mut().enumerate().for_each(|(at, stretch)| {
            let places = at * STRETCH..at * STRETCH + stretch.origin.len();
            stretch.take(rows.iter().map(|row| &row[places.clone()]), roots, motion, covariates);
        });
    }

    /// Tested edges × shuffles: the correlations of each edge with each shuffle.
    pub(super) fn correlations(&self, sums: &Accumulator, data: &QcFc, tested: &[usize]) -> Vec<f32> {
        let shuffles = self.motion.ncols();
        let controls: Vec<usize> = (1..=self.means.len()).collect();
        let mut out = vec![0.0; tested.len() * shuffles];
        out.par_chunks_mut(shuffles.max(1)).zip(tested).for_each(|(out, &edge)| {
            let stretch = &self.stretches[edge / STRETCH];
            let place = edge % STRETCH;
            let products = stretch.products.column(place);
            let norm = data.norm[edge];
            let absent = stretch.absent.binary_search_by_key(&place, |(edge, _)| *edge);
            let present = absent.ok().and_then(|at| Some((&stretch.absent[at].1, sums.present(edge, 0, &controls)?)));
            let Some((absent, present)) = present else {
                out.iter_mut().zip(products).for_each(|(r, product)| *r = (f64::from(*product) / norm) as f32);
                return;
            };
            // Over all children, weighted, shuffled motion sums to 0 and its squares to 1; it is orthogonal to the
            // covariates.
            let weight = present.weight();
            let offset = present.mean() - f64::from(stretch.origin[place]);
            let shifts: Vec<f64> = present.means()[1..].iter().zip(&self.means).map(|(own, all)| own - all).collect();
            let mut with_covariates = vec![0.0; 1 + shifts.len()];
            for (k, r) in out.iter_mut().enumerate() {
                let sum = -f64::from(absent.motion[k]);
                let squares = 1.0 - f64::from(absent.squares[k]) - sum * sum / weight;
                let with_edge = f64::from(products[k]) - offset * sum;
                for ((to, of), shift) in with_covariates[1..].iter_mut().zip(&absent.products).zip(&shifts) {
                    *to = -f64::from(of[k]) - shift * sum;
                }
                // Single precision may carry a correlation of 1 beyond 1.
                let own = present.correlation(squares, with_edge, &with_covariates, norm);
                *r = own.clamp(-MOST, MOST) as f32;
            }
        });
        out
    }
}

/// Motion of some children, whitened by their weights, and what is taken out of it.
struct Whitened {
    fit: LeastSquares,
    /// Residuals.
    own: Array1<f64>,
}

impl Whitened {
    fn new(motion: &[f64], covariates: ArrayView2<'_, f64>, weights: &[f64]) -> Result<Self, LinalgError> {
        let roots = Array1::from_iter(weights.iter().map(|weight| weight.sqrt()));
        let mut nuisance = Array2::ones((motion.len(), 1 + covariates.ncols()));
        nuisance.slice_mut(s![.., 1..]).assign(&covariates);
        nuisance *= &roots.view().insert_axis(Axis(1));
        let fit = LeastSquares::new(nuisance.view())?;
        let own = fit.residuals((&ArrayView1::from(motion) * &roots).insert_axis(Axis(1)).view())?;
        Ok(Self { fit, own: own.remove_axis(Axis(1)) })
    }

    /// One column for each order of the children: their residuals in that order, made orthogonal again, of norm 1.
    fn shuffle(&self, orders: &[Vec<usize>], mut columns: ArrayViewMut2<'_, f32>) -> Result<(), LinalgError> {
        let mut some = Array2::zeros(columns.dim());
        for (order, mut column) in orders.iter().zip(some.columns_mut()) {
            order.iter().zip(&mut column).for_each(|(&child, to)| *to = self.own[child]);
        }
        let some = self.fit.residuals(some.view())?;
        for (column, mut to) in some.columns().into_iter().zip(columns.columns_mut()) {
            let norm = column.dot(&column).sqrt();
            // Motion that does not vary, or follows from the covariates, has no correlation.
            to.zip_mut_with(&column, |to, v| *to = if norm > 0.0 { (v / norm) as f32 } else { 0.0 });
        }
        Ok(())
    }
}

impl Stretch {
    fn take<'a>(
        &mut self,
        rows: impl ExactSizeIterator<Item = &'a [f32]>,
        roots: &[f32],
        motion: ArrayView2<'_, f32>,
        covariates: ArrayView2<'_, f32>,
    ) {
        let mut values = Array2::zeros((rows.len(), self.origin.len()));
        for ((((row, mut out), &root), motion), covariates) in
            rows.zip(values.rows_mut()).zip(roots).zip(motion.rows()).zip(covariates.rows())
        {
            if row.iter().zip(&self.origin).all(|(z, origin)| !(z - origin).is_nan()) {
                // As nearly always, all are there: no branch among them.
                out.iter_mut().zip(row).zip(&self.origin).for_each(|((out, z), origin)| *out = root * (z - origin));
                continue;
            }
            for (edge, (&z, (out, origin))) in row.iter().zip(out.iter_mut().zip(&mut self.origin)).enumerate() {
                if z.is_nan() {
                    let at = match self.absent.binary_search_by_key(&edge, |(edge, _)| *edge) {
                        Ok(at) => at,
                        Err(at) => {
                            self.absent.insert(at, (edge, Absent::new(motion.len(), covariates.len())));
                            at
                        }
                    };
                    self.absent[at].1.add(root, motion, covariates);
                } else {
                    if origin.is_nan() {
                        *origin = z;
                    }
                    *out = root * (z - *origin);
                }
            }
        }
        general_mat_mul(1.0, &motion.t(), &values, 1.0, &mut self.products);
    }
}

impl Absent {
    fn new(shuffles: usize, covariates: usize) -> Self {
        let zeros = || vec![0.0; shuffles];
        Self { motion: zeros(), squares: zeros(), products: vec![zeros(); covariates] }
    }

    /// Adds a child who lacks the edge.
    fn add(&mut self, root: f32, motion: ArrayView1<'_, f32>, covariates: ArrayView1<'_, f32>) {
        self.motion.iter_mut().zip(motion).for_each(|(sum, w)| *sum += root * w);
        self.squares.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w * w);
        for (sums, c) in self.products.iter_mut().zip(covariates) {
            sums.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w * c);
        }
    }
}
