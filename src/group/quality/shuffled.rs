//! What chance alone does to these edges and these children: motion shuffled among the children.
//!
//! Edges share children and parcels and go together, so the share of them that reaches p < 0.05 is nowhere near a
//! binomial with a mean of 5 %, and a rank correlation over edges has no t distribution. Shuffling the children's
//! motion breaks what it has to do with their edges and leaves all else as it is: edges, their ties, motion's few large
//! values. The share of shuffles that come out at least as far as the data, the data counted as one of them, is a p
//! value that holds whatever the edges have to do with one another (permutation tests: Fisher 1935, The Design of
//! Experiments; with the data counted: Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39; from memory).
//!
//! With covariates taken out, motion's residuals are shuffled and made orthogonal to the covariates again (residuals
//! permuted: Freedman & Lane 1983, J Business & Economic Statistics 1:292, there of the edges, here of motion, of which
//! there is one), and correlated with what is left of the edges.
//!
//! The products of every edge with every shuffle are sums over children, and so gathered in the same pass as all else:
//! shuffles × children times children × edges, a block of children at a time, in single precision (products of a few
//! thousand terms of either sign keep four digits, and two where one child in a hundred has the edge; the shuffles
//! decide at two). An edge that children lack is correlated with shuffled motion over the children who have it, as with
//! motion itself; for that it has sums of shuffled motion, its square and its products with the covariates over the
//! children who lack it, which over all are known. Memory is 4 bytes a shuffle for each child and each edge, and for an
//! edge that children lack as much again for each of these sums.

#[cfg(test)]
mod tests;

use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView1, ArrayView2, s};
use rayon::prelude::*;

use super::summary::LEVEL;
use super::{Accumulator, Distances, QcFc, abs_r_of_p, p_of_r};
use crate::group::permutation;
use crate::group::quantile;
use crate::linalg::{LeastSquares, LinalgError};

/// How often motion is shuffled: p values go down to 1/200 (own convention: enough to tell 0.05 from chance).
pub const SHUFFLES: usize = 199;
/// The shuffles of one cohort are the same each time (own choice).
const SEED: u64 = 1;
/// Shuffles that are made at once (own choice).
const AT_ONCE: usize = 16;
/// Edges that one thread takes at once (own choice: sums of 256 × 199 floats lie in a core's cache).
const STRETCH: usize = 256;

/// The largest |r| of a shuffle with an edge that children lack (own choice: a last place of single precision below 1).
const MOST: f64 = 1.0 - 1e-7;
/// A number that is smaller by less than this share is as large: rounding to single precision must not make a shuffle
/// that gives the data back look smaller (own choice: a hundred of its last places).
const SAME: f64 = 1.0 - 1e-5;

/// The p value of the most extreme of several looks at the same children, corrected for choosing it. The smallest p over
/// the looks is computed for the data and for each shuffle; the p value is the rank of the data among the shuffles
/// (Westfall & Young 1993, Resampling-Based Multiple Testing; from memory). Looks that are related to one another cost
/// little. NaN without any look.
///
/// # Panics
/// When looks have different numbers of shuffles.
#[must_use]
pub fn p_of_farthest(rows: &[&Beyond]) -> f64 {
    let rows: Vec<&Beyond> = rows.iter().copied().filter(|row| !row.looks.is_empty()).collect();
    let Some(first) = rows.first() else { return f64::NAN };
    let mut smallest = vec![f64::INFINITY; first.looks.len()];
    for look in rows.iter().flat_map(|row| (0..3).map(|k| row.looks.iter().map(|all| all[k]).collect::<Vec<f64>>())) {
        assert_eq!(look.len(), smallest.len(), "as many shuffles of each look");
        let mut sorted = look.clone();
        sorted.sort_by(f64::total_cmp);
        for (least, value) in smallest.iter_mut().zip(&look) {
            let reached = sorted.len() - sorted.partition_point(|other| *other < value * SAME);
            *least = least.min(reached as f64);
        }
    }
    smallest.iter().filter(|other| **other <= smallest[0]).count() as f64 / smallest.len() as f64
}

/// Sums of the products of edges with shuffled motion.
#[derive(Debug, Clone)]
pub struct Shuffled {
    /// Children × shuffles, each column of mean 0 and norm 1 and orthogonal to the covariates.
    motion: Array2<f32>,
    /// Children × covariates, about their means.
    covariates: Array2<f32>,
    means: Vec<f64>,
    /// Children taken so far.
    next: usize,
    stretches: Vec<Stretch>,
}

/// Some edges that follow each other.
#[derive(Debug, Clone)]
struct Stretch {
    /// Of each edge the first value that was seen, from which the others are counted.
    origin: Vec<f32>,
    /// Shuffles × edges.
    products: Array2<f32>,
    /// Of edges that children lack, in order of their places.
    absent: Vec<(usize, Absent)>,
}

/// Sums over the children who lack an edge, of each shuffle.
#[derive(Debug, Clone)]
struct Absent {
    motion: Vec<f32>,
    squares: Vec<f32>,
    /// Of each covariate, products with it.
    products: Vec<Vec<f32>>,
}

/// How far the data lie beyond the shuffles; NaN where there are none.
#[derive(Debug, Clone, PartialEq)]
pub struct Beyond {
    pub shuffles: usize,
    /// Median |r|, share of edges with p < 0.05 and share with q < 0.05 of the data and then of each shuffle; empty
    /// where there are none.
    pub looks: Vec<[f64; 3]>,
    /// Share of shuffles, the data counted, with at least as large a median |r|.
    pub median_abs_r: f64,
    /// With at least as large a share of edges with p < 0.05.
    pub share_p: f64,
    /// With at least as many edges with q < 0.05.
    pub share_q: f64,
    /// With at least as large a |rank correlation| with distance.
    pub distance_rho: f64,
    /// Fifth and ninety-fifth centile of the shuffles' share of edges with p < 0.05, and their median.
    pub range_share_p: [f64; 3],
    /// Ninety-fifth centile of the shuffles' share of edges with q < 0.05.
    pub high_share_q: f64,
}

/// One shuffle, or the data, in numbers.
#[derive(Debug, Clone, Copy)]
struct ShuffleNumbers {
    median_abs_r: f64,
    share_p: f64,
    share_q: f64,
    rho: f64,
}

impl Shuffled {
    /// Shuffles `motion` of the children, with covariates (children × number, without an intercept) taken out. Where
    /// they are part of others who are shuffled too, `places` are theirs among `of` children, whose orders they then
    /// keep: so that shuffle k of both goes together.
    ///
    /// # Errors
    /// A number that is not finite.
    ///
    /// # Panics
    /// When there is not one row of covariates and one place a child.
    pub fn new(
        edges: usize,
        motion: &[f64],
        covariates: ArrayView2<'_, f64>,
        places: &[usize],
        of: usize,
    ) -> Result<Self, LinalgError> {
        let children = motion.len();
        assert_eq!((children, children), (covariates.nrows(), places.len()), "a row of covariates and a place a child");
        let mut nuisance = Array2::ones((children, 1 + covariates.ncols()));
        nuisance.slice_mut(s![.., 1..]).assign(&covariates);
        let mut shuffled = Array2::zeros((children, if children == 0 { 0 } else { SHUFFLES }));
        if children > 0 {
            let fit = LeastSquares::new(nuisance.view())?;
            let column = Array2::from_shape_vec((children, 1), motion.to_vec()).unwrap_or_default();
            let own = fit.residuals(column.view())?;
            let mut at = vec![None; of];
            places.iter().enumerate().for_each(|(child, &place)| at[place] = Some(child));
            // Some at a time, since in double precision all would take more than all else.
            for first in (0..SHUFFLES).step_by(AT_ONCE) {
                let numbers = first..(first + AT_ONCE).min(SHUFFLES);
                let drawn = permutation::rows(of, numbers.clone(), SEED);
                let mut some = Array2::zeros((children, numbers.len()));
                for (drawn, mut column) in drawn.rows().into_iter().zip(some.columns_mut()) {
                    let order = drawn.iter().filter_map(|&place| at[place as usize]);
                    order.zip(&mut column).for_each(|(child, to)| *to = own[[child, 0]]);
                }
                let some = fit.residuals(some.view())?;
                for (column, mut to) in
                    some.columns().into_iter().zip(shuffled.slice_mut(s![.., numbers]).columns_mut())
                {
                    let norm = column.dot(&column).sqrt();
                    // Motion that does not vary, or follows from the covariates, has no correlation.
                    to.zip_mut_with(&column, |to, v| *to = if norm > 0.0 { (v / norm) as f32 } else { 0.0 });
                }
            }
        }
        let means: Vec<f64> = covariates.columns().into_iter().map(|c| c.sum() / children.max(1) as f64).collect();
        let about_means = Array2::from_shape_fn(covariates.dim(), |(i, k)| (covariates[[i, k]] - means[k]) as f32);
        let motion: Array2<f32> = shuffled;
        let shuffles = motion.ncols();
        let stretch = |first: usize| {
            let count = STRETCH.min(edges - first);
            Stretch { origin: vec![f32::NAN; count], products: Array2::zeros((shuffles, count)), absent: Vec::new() }
        };
        let stretches = (0..edges).step_by(STRETCH).map(stretch).collect();
        Ok(Self { motion, covariates: about_means, means, next: 0, stretches })
    }

    /// Adds the next children, a row of edges each (NaN where one lacks an edge); in parallel over edges.
    ///
    /// # Panics
    /// When there are more children than motion was given for, or rows of another length.
    pub fn take(&mut self, rows: &[&[f32]]) {
        let children = self.next..self.next + rows.len();
        let motion = self.motion.slice(s![children.clone(), ..]);
        let covariates = self.covariates.slice(s![children, ..]);
        self.next += rows.len();
        self.stretches.par_iter_mut().enumerate().for_each(|(at, stretch)| {
            let places = at * STRETCH..at * STRETCH + stretch.origin.len();
            stretch.take(rows.iter().map(|row| &row[places.clone()]), motion, covariates);
        });
    }

    /// Holds the correlations of the data against those of the shuffles: `data` as `sums` gives them with motion first
    /// and all its other covariates taken out, `sums` of the same children as were taken here.
    #[must_use]
    pub fn beyond(&self, sums: &Accumulator, data: &QcFc, distance_mm: &[f64]) -> Beyond {
        let tested: Vec<usize> = (0..data.r.len()).filter(|&edge| !data.r[edge].is_nan()).collect();
        // What |r| each edge needs for p < 0.05: of few different degrees of freedom.
        let mut needed: Vec<f64> = Vec::new();
        for &edge in &tested {
            if needed.len() <= data.dof[edge] {
                needed.resize(data.dof[edge] + 1, f64::NAN);
            }
            if needed[data.dof[edge]].is_nan() {
                needed[data.dof[edge]] = abs_r_of_p(LEVEL, data.dof[edge] as f64);
            }
        }
        let distance = Distances::new(&tested.iter().map(|&edge| distance_mm[edge]).collect::<Vec<_>>());
        let look = |r: &[f64]| ShuffleNumbers::new(r, &tested, &data.dof, &needed, &distance);
        let own = look(&tested.iter().map(|&edge| data.r[edge]).collect::<Vec<_>>());
        let shuffles = if tested.is_empty() { 0 } else { self.motion.ncols() };
        let r = self.correlations(sums, data, &tested);
        let of = |k: usize| look(&(0..tested.len()).map(|e| f64::from(r[e * shuffles + k])).collect::<Vec<_>>());
        let all: Vec<ShuffleNumbers> = (0..shuffles).into_par_iter().map(of).collect();
        let share = |of: fn(&ShuffleNumbers) -> f64| match of(&own) {
            own if own.is_nan() || all.is_empty() => f64::NAN,
            own => (1 + all.iter().filter(|found| of(found) >= own * SAME).count()) as f64 / (1 + shuffles) as f64,
        };
        let sorted = |of: fn(&ShuffleNumbers) -> f64| {
            let mut values: Vec<f64> = all.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let (shares, high) = (sorted(|found| found.share_p), sorted(|found| found.share_q));
        let looks = |found: &ShuffleNumbers| [found.median_abs_r, found.share_p, found.share_q];
        Beyond {
            shuffles,
            looks: if all.is_empty() { Vec::new() } else { [&own].into_iter().chain(&all).map(looks).collect() },
            median_abs_r: share(|found| found.median_abs_r),
            share_p: share(|found| found.share_p),
            share_q: share(|found| found.share_q),
            distance_rho: share(|found| found.rho.abs()),
            range_share_p: [0.05, 0.5, 0.95].map(|at| quantile(&shares, at)),
            high_share_q: quantile(&high, 0.95),
        }
    }

    /// Tested edges × shuffles: the correlations of each edge with each shuffle.
    fn correlations(&self, sums: &Accumulator, data: &QcFc, tested: &[usize]) -> Vec<f32> {
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
            // Over all children shuffled motion sums to 0 and its squares to 1; it is orthogonal to the covariates.
            let children = present.children();
            let offset = present.mean() - f64::from(stretch.origin[place]);
            let shifts: Vec<f64> = present.means()[1..].iter().zip(&self.means).map(|(own, all)| own - all).collect();
            let mut with_covariates = vec![0.0; 1 + shifts.len()];
            for (k, r) in out.iter_mut().enumerate() {
                let sum = -f64::from(absent.motion[k]);
                let squares = 1.0 - f64::from(absent.squares[k]) - sum * sum / children;
                let with_edge = f64::from(products[k]) - offset * sum;
                for ((to, of), shift) in with_covariates[1..].iter_mut().zip(&absent.products).zip(&shifts) {
                    *to = -f64::from(of[k]) - shift * sum;
                }
                // Single precision may carry a correlation of 1 over it.
                let own = present.correlation(squares, with_edge, &with_covariates, norm);
                *r = own.clamp(-MOST, MOST) as f32;
            }
        });
        out
    }
}

impl Stretch {
    fn take<'a>(
        &mut self,
        rows: impl ExactSizeIterator<Item = &'a [f32]>,
        motion: ArrayView2<'_, f32>,
        covariates: ArrayView2<'_, f32>,
    ) {
        let mut values = Array2::zeros((rows.len(), self.origin.len()));
        for (((row, mut out), motion), covariates) in
            rows.zip(values.rows_mut()).zip(motion.rows()).zip(covariates.rows())
        {
            for (edge, (&z, (out, origin))) in row.iter().zip(out.iter_mut().zip(&mut self.origin)).enumerate() {
                if z.is_nan() {
                    let at = match self.absent.binary_search_by_key(&edge, |(edge, _)| *edge) {
                        Ok(at) => at,
                        Err(at) => {
                            self.absent.insert(at, (edge, Absent::new(motion.len(), covariates.len())));
                            at
                        }
                    };
                    self.absent[at].1.add(motion, covariates);
                } else {
                    if origin.is_nan() {
                        *origin = z;
                    }
                    *out = z - *origin;
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
    fn add(&mut self, motion: ArrayView1<'_, f32>, covariates: ArrayView1<'_, f32>) {
        self.motion.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w);
        self.squares.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w * w);
        for (sums, c) in self.products.iter_mut().zip(covariates) {
            sums.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w * c);
        }
    }
}

impl ShuffleNumbers {
    /// `r` of the tested edges.
    fn new(r: &[f64], tested: &[usize], dof: &[usize], needed: &[f64], distance: &Distances) -> Self {
        let mut sizes: Vec<f64> = r.iter().map(|r| r.abs()).collect();
        sizes.sort_by(f64::total_cmp);
        let all = r.len() as f64;
        // q < 0.05 asks for p < 0.05, so only those are looked at.
        let mut p: Vec<f64> = r
            .iter()
            .zip(tested)
            .filter(|(r, edge)| r.abs() > needed[dof[**edge]])
            .map(|(r, edge)| p_of_r(*r, dof[*edge] as f64))
            .collect();
        p.sort_by(f64::total_cmp);
        // The step-up procedure: the last that lies below its part of the level (Benjamini & Hochberg 1995).
        let called = (1..=p.len()).rev().find(|&k| p[k - 1] * all / (k as f64) < LEVEL).unwrap_or(0);
        Self {
            median_abs_r: quantile(&sizes, 0.5),
            share_p: p.len() as f64 / all,
            share_q: called as f64 / all,
            rho: distance.dependence(r).rho,
        }
    }
}
