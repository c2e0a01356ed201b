//! What chance alone does to these edges and these children: motion shuffled among the children.
//!
//! Edges share children and parcels and go together, so the share of them that reaches p < 0.05 is nowhere near a binomial
//! with a mean of 5 %, and a rank correlation over edges has no t distribution. Shuffling the children's motion breaks what
//! it has to do with their edges and leaves all else as it is: edges, their ties, motion's few large values. The share of
//! shuffles that come out at least as far as the data, the data counted as one of them, is a p value that holds whatever
//! the edges have to do with one another (permutation tests: Fisher 1935, The Design of Experiments; with the data counted:
//! Phipson & Smyth 2010, Stat Appl Genet Mol Biol 9:39; from memory).
//!
//! With covariates taken out, motion's residuals are shuffled and made orthogonal to the covariates again (residuals
//! permuted: Freedman & Lane 1983, J Business & Economic Statistics 1:292, there of the edges, here of motion, of which there
//! is one), and correlated with what is left of the edges.
//!
//! The products of every edge with every shuffle are sums over children, and so gathered in the same pass as all else:
//! shuffles × children times children × edges, a block of children at a time, in single precision (products of a few
//! thousand terms of either sign keep four digits; the shuffles decide at two). Memory is 4 bytes a shuffle for each edge
//! and each child. An edge that children lack has its own sums of shuffled motion over those children, so that its
//! product is about its own mean; the spread of shuffled motion is taken from all children, in proportion.

use ndarray::linalg::general_mat_mul;
use ndarray::{Array2, ArrayView2, s};
use rayon::prelude::*;

use super::summary::LEVEL;
use super::{QcFc, abs_r_of_p, distance_dependence, p_of_r};
use crate::group::permutation::permutations;
use crate::group::quantile;
use crate::linalg::{LeastSquares, LinalgError};

/// How often motion is shuffled: p values go down to 1/200 (own convention: enough to tell 0.05 from chance, even of four
/// looks).
pub const SHUFFLES: usize = 199;
/// The shuffles of one cohort are the same each time (own choice).
const SEED: u64 = 1;
/// Edges that one thread takes at once (own choice: sums of 256 × 199 floats lie in a core's cache).
const STRETCH: usize = 256;

/// Sums of the products of edges with shuffled motion.
#[derive(Debug, Clone)]
pub struct Shuffled {
    /// Children × shuffles, each column of mean 0 and norm 1 and orthogonal to the covariates.
    motion: Array2<f32>,
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
    /// Of an edge that children lack, the sums of shuffled motion over those children.
    absent: Vec<(usize, Vec<f32>)>,
}

/// How far the data lie beyond the shuffles; NaN where there are none.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Beyond {
    pub shuffles: usize,
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
struct Found {
    median_abs_r: f64,
    share_p: f64,
    share_q: f64,
    rho: f64,
}

impl Shuffled {
    /// Shuffles `motion` of the children, with covariates (children × number, without an intercept) taken out.
    ///
    /// # Errors
    /// A number that is not finite.
    ///
    /// # Panics
    /// When there is not one row of covariates a child.
    pub fn new(edges: usize, motion: &[f64], covariates: ArrayView2<'_, f64>) -> Result<Self, LinalgError> {
        let children = motion.len();
        assert_eq!(children, covariates.nrows(), "one row of covariates a child");
        let mut nuisance = Array2::ones((children, 1 + covariates.ncols()));
        nuisance.slice_mut(s![.., 1..]).assign(&covariates);
        let mut shuffled = Array2::zeros((children, if children == 0 { 0 } else { SHUFFLES }));
        if children > 0 {
            let fit = LeastSquares::new(nuisance.view())?;
            let column = Array2::from_shape_vec((children, 1), motion.to_vec()).unwrap_or_default();
            let own = fit.residuals(column.view())?;
            let drawn = permutations(children, SHUFFLES, SEED);
            shuffled = Array2::from_shape_fn((children, SHUFFLES), |(i, k)| own[[drawn[[k, i]] as usize, 0]]);
            shuffled = fit.residuals(shuffled.view())?;
            for mut column in shuffled.columns_mut() {
                let norm = column.dot(&column).sqrt();
                // Motion that does not vary, or follows from the covariates, has no correlation.
                column.mapv_inplace(|v| if norm > 0.0 { v / norm } else { 0.0 });
            }
        }
        let motion = shuffled.mapv(|v| v as f32).as_standard_layout().to_owned();
        let shuffles = motion.ncols();
        let stretch = |first: usize| {
            let count = STRETCH.min(edges - first);
            Stretch {
                origin: vec![f32::NAN; count],
                products: Array2::zeros((shuffles, count)),
                absent: Vec::new(),
            }
        };
        let stretches = (0..edges).step_by(STRETCH).map(stretch).collect();
        Ok(Self { motion, next: 0, stretches })
    }

    /// Adds the next children, a row of edges each (NaN where one lacks an edge); in parallel over edges.
    ///
    /// # Panics
    /// When there are more children than motion was given for, or rows of another length.
    pub fn take(&mut self, rows: &[&[f32]]) {
        let motion = self.motion.slice(s![self.next..self.next + rows.len(), ..]);
        self.next += rows.len();
        self.stretches.par_iter_mut().enumerate().for_each(|(at, stretch)| {
            let first = at * STRETCH;
            stretch.take(rows.iter().map(|row| &row[first..first + stretch.origin.len()]), motion);
        });
    }

    /// Holds the correlations of the data against those of the shuffles; `mean` is of each edge over the children who have it.
    #[must_use]
    pub fn beyond(&self, data: &QcFc, mean: &[f64], distance_mm: &[f64]) -> Beyond {
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
        let distance: Vec<f64> = tested.iter().map(|&edge| distance_mm[edge]).collect();
        let look = |r: &[f64]| Found::new(r, &tested, &data.dof, &needed, &distance);
        let own = look(&tested.iter().map(|&edge| data.r[edge]).collect::<Vec<_>>());
        let shuffles = if tested.is_empty() { 0 } else { self.motion.ncols() };
        let all: Vec<Found> =
            (0..shuffles).into_par_iter().map(|k| look(&self.correlations(k, data, mean, &tested))).collect();
        // Rounding to single precision must not make a shuffle that gives the data back look smaller.
        let share = |of: fn(&Found) -> f64| match of(&own) {
            own if own.is_nan() || all.is_empty() => f64::NAN,
            own => (1 + all.iter().filter(|found| of(found) >= own * (1.0 - 1e-5)).count()) as f64 / (1 + shuffles) as f64,
        };
        let sorted = |of: fn(&Found) -> f64| {
            let mut values: Vec<f64> = all.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let (shares, high) = (sorted(|found| found.share_p), sorted(|found| found.share_q));
        Beyond {
            shuffles,
            median_abs_r: share(|found| found.median_abs_r),
            share_p: share(|found| found.share_p),
            share_q: share(|found| found.share_q),
            distance_rho: share(|found| found.rho.abs()),
            range_share_p: [0.05, 0.5, 0.95].map(|at| quantile(&shares, at)),
            high_share_q: quantile(&high, 0.95),
        }
    }

    /// The correlations of one shuffle.
    fn correlations(&self, shuffle: usize, data: &QcFc, mean: &[f64], tested: &[usize]) -> Vec<f64> {
        let all = self.motion.nrows() as f64;
        let of = |&edge: &usize| {
            let stretch = &self.stretches[edge / STRETCH];
            let place = edge % STRETCH;
            let mut product = f64::from(stretch.products[[shuffle, place]]);
            let mut norm = 1.0;
            if let Ok(at) = stretch.absent.binary_search_by_key(&place, |(edge, _)| *edge) {
                // Over the children who have the edge shuffled motion does not sum to 0, but to minus its sum over the others.
                product += (mean[edge] - f64::from(stretch.origin[place])) * f64::from(stretch.absent[at].1[shuffle]);
                norm = (data.children[edge] as f64 / all).sqrt();
            }
            (product / (norm * data.norm[edge])).clamp(-1.0, 1.0)
        };
        tested.iter().map(of).collect()
    }
}

impl Stretch {
    fn take<'a>(&mut self, rows: impl ExactSizeIterator<Item = &'a [f32]>, motion: ArrayView2<'_, f32>) {
        let mut values = Array2::zeros((rows.len(), self.origin.len()));
        for ((row, mut out), motion) in rows.zip(values.rows_mut()).zip(motion.rows()) {
            for (edge, (&z, (out, origin))) in row.iter().zip(out.iter_mut().zip(&mut self.origin)).enumerate() {
                if z.is_nan() {
                    let at = match self.absent.binary_search_by_key(&edge, |(edge, _)| *edge) {
                        Ok(at) => at,
                        Err(at) => {
                            self.absent.insert(at, (edge, vec![0.0; motion.len()]));
                            at
                        }
                    };
                    self.absent[at].1.iter_mut().zip(motion).for_each(|(sum, w)| *sum += w);
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

impl Found {
    /// `r` of the tested edges.
    fn new(r: &[f64], tested: &[usize], dof: &[usize], needed: &[f64], distance_mm: &[f64]) -> Self {
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
            rho: distance_dependence(r, distance_mm).rho,
        }
    }
}
