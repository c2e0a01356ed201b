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

/// The p value of the farthest of several looks at the same children, with that choice counted: of the data and of
/// every shuffle the smallest of its looks' p values is taken, and the data stand where they stand among those (the
/// smallest p by resampling: Westfall & Young 1993, Resampling-Based Multiple Testing; from memory). Looks that go
/// together cost little. NaN of no look.
///
/// # Panics
/// When looks are of different numbers of shuffles.
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
struct Found {
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
        let look = |r: &[f64]| Found::new(r, &tested, &data.dof, &needed, &distance);
        let own = look(&tested.iter().map(|&edge| data.r[edge]).collect::<Vec<_>>());
        let shuffles = if tested.is_empty() { 0 } else { self.motion.ncols() };
        let r = self.correlations(sums, data, &tested);
        let of = |k: usize| look(&(0..tested.len()).map(|e| f64::from(r[e * shuffles + k])).collect::<Vec<_>>());
        let all: Vec<Found> = (0..shuffles).into_par_iter().map(of).collect();
        let share = |of: fn(&Found) -> f64| match of(&own) {
            own if own.is_nan() || all.is_empty() => f64::NAN,
            own => (1 + all.iter().filter(|found| of(found) >= own * SAME).count()) as f64 / (1 + shuffles) as f64,
        };
        let sorted = |of: fn(&Found) -> f64| {
            let mut values: Vec<f64> = all.iter().map(of).collect();
            values.sort_by(f64::total_cmp);
            values
        };
        let (shares, high) = (sorted(|found| found.share_p), sorted(|found| found.share_q));
        let looks = |found: &Found| [found.median_abs_r, found.share_p, found.share_q];
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

impl Found {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::group::quality::{Accumulator, summarise};

    const CHILDREN: usize = 14;
    const EDGES: usize = STRETCH + 40;

    struct Case {
        z: Array2<f32>,
        /// Motion, then two covariates.
        numbers: Array2<f64>,
    }

    /// Edges that share parts with one another and with motion; every seventh is lacked by some children.
    fn case(seed: u64, with_motion: f64) -> Case {
        let mut state = seed;
        let mut draw = || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 40) as f64 / f64::from(1 << 24) - 0.5
        };
        let numbers = Array2::from_shape_fn((CHILDREN, 3), |_| draw());
        let shared = Array2::from_shape_fn((CHILDREN, 4), |_| draw());
        let z = Array2::from_shape_fn((CHILDREN, EDGES), |(i, e)| {
            let value = 0.8 + draw() + shared[[i, e % 4]] + with_motion * numbers[[i, 0]];
            if e % 7 == 3 && (i == e % 5 || i == 9) { f32::NAN } else { value as f32 }
        });
        Case { z, numbers }
    }

    fn places(children: usize) -> Vec<usize> {
        (0..children).collect()
    }

    /// What the pass gives, in blocks of so many children, with so many covariates taken out.
    fn pass(case: &Case, at_once: usize, covariates: usize) -> (Shuffled, QcFc, Accumulator) {
        let motion = case.numbers.column(0).to_vec();
        let covariates_of = case.numbers.slice(s![.., 1..=covariates]);
        let mut shuffled = Shuffled::new(EDGES, &motion, covariates_of, &places(CHILDREN), CHILDREN).unwrap();
        let mut sums = Accumulator::new(EDGES, 1 + covariates);
        let rows: Vec<Vec<f32>> = case.z.rows().into_iter().map(|row| row.to_vec()).collect();
        for rows in rows.chunks(at_once) {
            shuffled.take(&rows.iter().map(Vec::as_slice).collect::<Vec<_>>());
        }
        for (row, numbers) in rows.iter().zip(case.numbers.rows()) {
            sums.add_child(row, &numbers.slice(s![..=covariates]).to_vec()).unwrap();
        }
        let found = sums.correlation(0, &(1..=covariates).collect::<Vec<_>>()).unwrap();
        (shuffled, found, sums)
    }

    #[test]
    fn shuffled_correlations_are_those_of_shuffled_residuals() {
        for covariates in [0, 2] {
            let case = case(3, 0.5);
            let (shuffled, data, sums) = pass(&case, 5, covariates);
            let mut design = Array2::ones((CHILDREN, 1 + covariates));
            design.slice_mut(s![.., 1..]).assign(&case.numbers.slice(s![.., 1..=covariates]));
            let fit = LeastSquares::new(design.view()).unwrap();
            let own = fit.residuals(case.numbers.slice(s![.., ..1])).unwrap();
            let drawn = permutation::permutations(CHILDREN, SHUFFLES, SEED);
            let all: Vec<usize> = (0..EDGES).collect();
            let found = shuffled.correlations(&sums, &data, &all);
            for shuffle in [0, 1, 57, SHUFFLES - 1] {
                let moved = Array2::from_shape_fn((CHILDREN, 1), |(i, _)| own[[drawn[[shuffle, i]] as usize, 0]]);
                let w = fit.residuals(moved.view()).unwrap();
                for edge in 0..EDGES {
                    // As the data are: over the children who have the edge, covariates taken out over them.
                    let here: Vec<usize> = (0..CHILDREN).filter(|&i| !case.z[[i, edge]].is_nan()).collect();
                    let fit = LeastSquares::new(design.select(ndarray::Axis(0), &here).view()).unwrap();
                    let both = Array2::from_shape_fn((here.len(), 2), |(i, side)| match side {
                        0 => w[[here[i], 0]],
                        _ => f64::from(case.z[[here[i], edge]]),
                    });
                    let left = fit.residuals(both.view()).unwrap();
                    let (a, b) = (left.column(0), left.column(1));
                    let expected = a.dot(&b) / (a.dot(&a) * b.dot(&b)).sqrt();
                    let r = f64::from(found[edge * SHUFFLES + shuffle]);
                    assert!((r - expected).abs() < 2e-5, "{covariates} {edge}: {r} {expected}");
                }
            }
        }
    }

    /// Where edges are lacked and motion has a few large values, p is as uniform as elsewhere.
    #[test]
    fn data_that_are_themselves_a_shuffle_stand_anywhere_among_them() {
        let distance: Vec<f64> = (0..EDGES).map(|edge| (edge * 37 % 101) as f64).collect();
        for covariates in [0, 2] {
            let mut below = [0; 3];
            const COHORTS: u64 = 120;
            for seed in 0..COHORTS {
                let mut case = case(1000 + seed, 0.0);
                // Edges of one kind are lacked by those who move, with age in the edges: what an approximation stumbles
                // over.
                let numbers = case.numbers.clone();
                case.numbers.column_mut(0).mapv_inplace(|v| (6.0 * v).exp());
                case.z.indexed_iter_mut().for_each(|((i, e), z)| {
                    *z += 2.0 * numbers[[i, 1]] as f32;
                    if e % 3 == 1 && (i + e % 4) % 5 == 0 {
                        *z = f32::NAN;
                    }
                });
                let (shuffled, data, sums) = pass(&case, 4, covariates);
                let beyond = shuffled.beyond(&sums, &data, &distance);
                let looks = [beyond.median_abs_r, beyond.share_p, p_of_farthest(&[&beyond])];
                below.iter_mut().zip(looks).for_each(|(below, p)| *below += usize::from(p <= 0.1));
            }
            // A tenth, and four binomial standard errors: 12 ± 13.
            assert!(
                below.iter().all(|below| *below <= 25) && below.iter().sum::<usize>() >= 6,
                "{covariates}: {below:?}"
            );
        }
    }

    #[test]
    fn the_data_stand_where_they_belong_among_the_shuffles() {
        let distance: Vec<f64> = (0..EDGES).map(|edge| (edge * 37 % 101) as f64).collect();
        let look = |with_motion: f64| {
            let (shuffled, data, sums) = pass(&case(8, with_motion), 3, 2);
            (shuffled.beyond(&sums, &data, &distance), summarise(&data))
        };
        let (none, _) = look(0.0);
        assert!(none.share_p > 0.1 && none.median_abs_r > 0.1 && none.distance_rho > 0.01, "{none:?}");
        let [low, middle, high] = none.range_share_p;
        assert!(low < middle && middle < high && high > 0.1, "shares of edges that go together: {none:?}");
        let (much, found) = look(4.0);
        let least = 1.0 / (1 + SHUFFLES) as f64;
        assert!(much.share_p == least && much.median_abs_r == least && much.share_q == least, "{much:?} {found:?}");
        assert_eq!((much.range_share_p.len(), much.shuffles), (3, SHUFFLES));
    }

    #[test]
    fn part_of_the_children_keep_the_order_of_all() {
        let motion = [0.1, 0.4, 0.2, 0.9, 0.3];
        let all = Shuffled::new(1, &motion, Array2::zeros((5, 0)).view(), &places(5), 5).unwrap();
        let some = Shuffled::new(1, &[0.1, 0.2, 0.3], Array2::zeros((3, 0)).view(), &[0, 2, 4], 5).unwrap();
        let order = |of: &Shuffled, k: usize, names: &[usize]| -> Vec<usize> {
            // Motion of mean 0 and norm 1 rises as motion does, so its values tell whose it is.
            let column = of.motion.column(k).to_vec();
            let mut sorted = column.clone();
            sorted.sort_by(f32::total_cmp);
            column.iter().map(|v| names[sorted.iter().position(|other| other == v).unwrap()]).collect()
        };
        for k in 0..SHUFFLES {
            let whole: Vec<usize> =
                order(&all, k, &[0, 2, 4, 1, 3]).into_iter().filter(|c| [0, 2, 4].contains(c)).collect();
            assert_eq!(order(&some, k, &[0, 2, 4]), whole, "{k}");
        }
    }

    #[test]
    fn the_farthest_look_is_counted_with_its_choice() {
        let nobody = Shuffled::new(3, &[], Array2::zeros((0, 0)).view(), &[], 0).unwrap();
        let mut sums = Accumulator::new(3, 1);
        sums.add_child(&[0.1; 3], &[0.1]).unwrap();
        let empty = nobody.beyond(&sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
        assert!(p_of_farthest(&[]).is_nan() && p_of_farthest(&[&empty]).is_nan());
        let row = |looks: Vec<[f64; 3]>| Beyond { looks, ..empty.clone() };
        // Of ten, the data are the farthest in one look and in the middle of another; the third never differs.
        let one =
            row((0..10).map(|k| [if k == 0 { 20.0 } else { f64::from(k) }, f64::from((k + 5) % 10), 0.0]).collect());
        // The farthest of the second look, at place 4, has the smallest p too: 2 of 10.
        assert_eq!(p_of_farthest(&[&one]), 0.2);
        // The same looked at twice costs nothing; another that goes its own way does.
        assert_eq!(p_of_farthest(&[&one, &one, &empty]), 0.2);
        let other = row((0..10).map(|k| [0.0, f64::from((k * 3 + 7) % 10), f64::from((k * 7 + 2) % 10)]).collect());
        assert!(p_of_farthest(&[&one, &other]) > 0.2);
        // Where all looks are alike it is the p of one.
        let alike = row((0..20).map(|k| [f64::from((k + 18) % 20); 3]).collect());
        assert_eq!(p_of_farthest(&[&alike]), 0.1);
    }

    #[test]
    fn shares_are_those_of_the_summary() {
        let mut between = 0;
        for with_motion in [0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 5.0] {
            let (_, data, _) = pass(&case(5, with_motion), 4, 2);
            between += usize::from(same_shares(&data));
        }
        assert!(between >= 2, "{between}");
    }

    /// Holds them; whether some edges with p < 0.05 have q < 0.05 and some have not.
    fn same_shares(data: &QcFc) -> bool {
        let tested: Vec<usize> = (0..EDGES).filter(|&e| !data.r[e].is_nan()).collect();
        let needed: Vec<f64> = (0..CHILDREN).map(|dof| abs_r_of_p(LEVEL, dof as f64)).collect();
        let r: Vec<f64> = tested.iter().map(|&e| data.r[e]).collect();
        let found = Found::new(&r, &tested, &data.dof, &needed, &Distances::new(&vec![1.0; r.len()]));
        let summary = summarise(data);
        assert_eq!(
            (found.share_p, found.share_q, found.median_abs_r),
            (summary.share_p, summary.share_q, summary.median_abs_r)
        );
        summary.share_q > 0.0 && summary.share_q < summary.share_p
    }

    #[test]
    fn nobody_and_motion_that_does_not_vary_give_nothing() {
        let nobody = Shuffled::new(3, &[], Array2::zeros((0, 0)).view(), &[], 0).unwrap();
        let mut sums = Accumulator::new(3, 1);
        let told = nobody.beyond(&sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
        assert!(told.shuffles == 0 && told.share_p.is_nan() && told.range_share_p[1].is_nan());
        let mut same = Shuffled::new(3, &[0.2; 6], Array2::zeros((6, 0)).view(), &places(6), 6).unwrap();
        for child in 0..6 {
            let row = [child as f32, 1.0, -0.5 * child as f32];
            same.take(&[&row]);
            sums.add_child(&row, &[0.2]).unwrap();
        }
        let told = same.beyond(&sums, &sums.correlation(0, &[]).unwrap(), &[1.0; 3]);
        assert!(told.shuffles == 0 && told.distance_rho.is_nan());
    }
}
