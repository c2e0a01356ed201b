//! Means and sums of products of edges and covariates, one child at a time.

use ndarray::{Array1, Array2, Axis};

use super::{QualityError, p_of_r};
use crate::group::least_children::least_children;

/// If at most this share of the variance of a covariate or an edge is left once the other covariates are taken out, it
/// has nothing of its own (own convention; rounding in sums of products leaves some 1e-15).
const NOTHING_LEFT: f64 = 1e-12;

/// Number, means and sums of products about the means of the covariates of some children, each with its weight.
#[derive(Debug, Clone)]
struct Moments {
    children: usize,
    /// Sum of the children's weights.
    weight: f64,
    means: Vec<f64>,
    /// Covariates × covariates.
    products: Array2<f64>,
}

impl Moments {
    fn new(covariates: usize) -> Self {
        Self {
            children: 0,
            weight: 0.0,
            means: vec![0.0; covariates],
            products: Array2::zeros((covariates, covariates)),
        }
    }

    /// Adds a child; `before` receives its covariates' distances from the means before it, times its weight.
    fn add(&mut self, covariates: &[f64], weight: f64, before: &mut [f64]) {
        self.children += 1;
        self.weight += weight;
        let share = weight / self.weight;
        for ((mean, x), d) in self.means.iter_mut().zip(covariates).zip(&mut *before) {
            let distance = x - *mean;
            *mean += distance * share;
            *d = weight * distance;
        }
        for (mut row, d) in self.products.rows_mut().into_iter().zip(&*before) {
            for ((sum, x), mean) in row.iter_mut().zip(covariates).zip(&self.means) {
                *sum += d * (x - mean);
            }
        }
    }
}

/// The sums of an edge that is missing in some child, over the children who have it.
#[derive(Debug, Clone)]
struct Incomplete {
    edge: usize,
    covariates: Moments,
    sums: Sums,
}

/// Mean, sum of squares, and sums of products with each covariate of one edge.
#[derive(Debug, Clone)]
struct Sums {
    mean: f64,
    squares: f64,
    products: Vec<f64>,
}

/// In [`Accumulator::place`]: all children have the edge.
const COMPLETE: u32 = u32::MAX;

/// Sums over children; see the module's essay. The first covariate is motion.
#[derive(Debug, Clone)]
pub struct Accumulator {
    covariates: Moments,
    /// For each edge; meaningless for an incomplete one.
    mean: Vec<f64>,
    squares: Vec<f64>,
    /// For each covariate, the sum of products with each edge.
    products: Vec<Vec<f64>>,
    incomplete: Vec<Incomplete>,
    /// For each edge, its place in `incomplete`.
    place: Vec<u32>,
}

/// Correlations of each edge with one covariate.
#[derive(Debug, Clone, PartialEq)]
pub struct QcFc {
    /// For each edge; NaN where it cannot be computed.
    pub r: Array1<f64>,
    /// Two-sided, by t with `dof` degrees of freedom.
    pub p: Array1<f64>,
    /// Children who have the edge.
    pub children: Vec<usize>,
    /// Children − 2 − covariates that took something out; 0 where there is no correlation.
    pub dof: Vec<usize>,
    /// Root of the sum of squares of the edge's residuals once the covariates are taken out.
    pub norm: Array1<f64>,
}

impl QcFc {
    /// No correlation of so many edges.
    pub(super) fn none(edges: usize) -> Self {
        let nothing = || Array1::from_elem(edges, f64::NAN);
        Self { r: nothing(), p: nothing(), children: vec![0; edges], dof: vec![0; edges], norm: nothing() }
    }

    /// Takes the correlations away of edges that too few of so many children have.
    pub(super) fn leave_out_few(&mut self, of: usize) {
        for edge in 0..self.children.len() {
            if self.children[edge] < least_children(of) {
                (self.r[edge], self.p[edge], self.norm[edge], self.dof[edge]) = (f64::NAN, f64::NAN, f64::NAN, 0);
            }
        }
    }

    /// Puts the correlations of some edges at their places.
    pub(super) fn put(&mut self, edges: &[usize], part: &Self) {
        for (from, &to) in edges.iter().enumerate() {
            (self.r[to], self.p[to], self.norm[to]) = (part.r[from], part.p[from], part.norm[from]);
            (self.children[to], self.dof[to]) = (part.children[from], part.dof[from]);
        }
    }

    /// The correlations of some edges.
    pub(super) fn select(&self, edges: &[usize]) -> Self {
        let of = |values: &Array1<f64>| values.select(Axis(0), edges);
        let counts = |values: &[usize]| edges.iter().map(|&edge| values[edge]).collect();
        Self {
            r: of(&self.r),
            p: of(&self.p),
            children: counts(&self.children),
            dof: counts(&self.dof),
            norm: of(&self.norm),
        }
    }
}

impl Accumulator {
    /// For children with `edges` edges and `covariates` numbers each: mean FD first, then the covariates that may be
    /// taken out (age, sex as 0/1 columns; [`crate::group::formula`] makes such columns from a table).
    #[must_use]
    pub fn new(edges: usize, covariates: usize) -> Self {
        Self {
            covariates: Moments::new(covariates),
            mean: vec![0.0; edges],
            squares: vec![0.0; edges],
            products: vec![vec![0.0; edges]; covariates],
            incomplete: Vec::new(),
            place: vec![COMPLETE; edges],
        }
    }

    /// Adds a child: its edges (NaN where it lacks one), its covariates, all of them, and its weight (1 for all: every
    /// child counts alike).
    ///
    /// # Errors
    /// [`QualityError`] when numbers of edges or covariates differ, a covariate or the weight is not finite, the weight
    /// is not above 0, or an edge is infinite; the sums then stay as they were.
    pub fn add_child(&mut self, edges: &[f32], covariates: &[f64], weight: f64) -> Result<(), QualityError> {
        if edges.len() != self.mean.len() {
            return Err(QualityError::Edges { found: edges.len(), expected: self.mean.len() });
        }
        if covariates.len() != self.products.len() {
            return Err(QualityError::Covariates { found: covariates.len(), expected: self.products.len() });
        }
        if let Some(number) = covariates.iter().position(|v| !v.is_finite()) {
            return Err(QualityError::NotFinite { number });
        }
        if !(weight.is_finite() && weight > 0.0) {
            return Err(QualityError::Weight { weight });
        }
        // The product of 0 and all values together is 0 exactly when all are finite; this is quicker than looking at
        // each.
        let all_finite = edges.iter().fold(0.0, |sum, v| sum + v * 0.0) == 0.0;
        if !all_finite && let Some(edge) = edges.iter().position(|v| v.is_infinite()) {
            return Err(QualityError::Infinite { edge });
        }
        if !all_finite {
            for edge in (0..edges.len()).filter(|&edge| edges[edge].is_nan()) {
                if self.place[edge] == COMPLETE {
                    self.place[edge] = self.incomplete.len() as u32;
                    let (covariates, sums) = (self.covariates.clone(), self.sums(edge));
                    self.incomplete.push(Incomplete { edge, covariates, sums });
                }
            }
        }
        let mut before = vec![0.0; covariates.len()];
        for own in &mut self.incomplete {
            let z = f64::from(edges[own.edge]);
            if !z.is_nan() {
                own.covariates.add(covariates, weight, &mut before);
                let d = z - own.sums.mean;
                own.sums.mean += d * (weight / own.covariates.weight);
                let after = z - own.sums.mean;
                own.sums.squares += weight * d * after;
                own.sums.products.iter_mut().zip(&before).for_each(|(sum, distance)| *sum += distance * after);
            }
        }
        self.covariates.add(covariates, weight, &mut before);
        self.add_to_all(edges, weight, &before);
        Ok(())
    }

    /// Adds a child to the sums of every edge in plain loops over arrays; those of incomplete edges are not read again.
    fn add_to_all(&mut self, edges: &[f32], weight: f64, distances: &[f64]) {
        /// Edges worked on at once, so that what one loop leaves is still in the nearest cache for the next.
        const STRETCH: usize = 512;
        let share = weight / self.covariates.weight;
        let mut after = [0.0; STRETCH];
        for (stretch, z) in edges.chunks(STRETCH).enumerate() {
            let places = stretch * STRETCH..stretch * STRETCH + z.len();
            let sums = self.mean[places.clone()].iter_mut().zip(&mut self.squares[places.clone()]);
            for ((z, (mean, squares)), after) in z.iter().zip(sums).zip(&mut after) {
                let d = f64::from(*z) - *mean;
                *mean += d * share;
                *after = f64::from(*z) - *mean;
                *squares += weight * d * *after;
            }
            for (products, distance) in self.products.iter_mut().zip(distances) {
                products[places.clone()].iter_mut().zip(&after).for_each(|(sum, after)| *sum += distance * after);
            }
        }
    }

    /// Number of children so far.
    #[must_use]
    pub fn children(&self) -> usize {
        self.covariates.children
    }

    fn incomplete(&self, edge: usize) -> Option<&Incomplete> {
        self.incomplete.get(self.place[edge] as usize)
    }

    fn children_of(&self, edge: usize) -> usize {
        self.incomplete(edge).map_or(self.covariates.children, |own| own.covariates.children)
    }

    fn sums(&self, edge: usize) -> Sums {
        self.incomplete(edge).map_or_else(
            || Sums {
                mean: self.mean[edge],
                squares: self.squares[edge],
                products: self.products.iter().map(|of_covariate| of_covariate[edge]).collect(),
            },
            |own| own.sums.clone(),
        )
    }

    /// For an edge that some child lacks, the children who have it; none for an edge that all have.
    pub(super) fn present(&self, edge: usize, of: usize, controls: &[usize]) -> Option<Present<'_>> {
        let own = self.incomplete(edge)?;
        let taken_out = TakenOut::new(&own.covariates, of, controls)?;
        Some(Present { moments: &own.covariates, sums: &own.sums, taken_out })
    }

    /// For each edge, the number of children who have it.
    #[must_use]
    pub fn children_of_edges(&self) -> Vec<usize> {
        (0..self.mean.len()).map(|edge| self.children_of(edge)).collect()
    }

    /// Weighted mean of each edge over the children who have it; NaN where none has.
    #[must_use]
    pub fn mean(&self) -> Array1<f64> {
        self.of_edges(1, |sums, _| sums.mean)
    }

    /// Sample SD (n − 1) of each edge over the children who have it, all of weight 1; NaN with fewer than two.
    #[must_use]
    pub fn sd(&self) -> Array1<f64> {
        self.of_edges(2, |sums, children| (sums.squares / (children - 1.0)).sqrt())
    }

    /// Weighted residual sum of squares of each edge once the first covariate, motion, is taken out; NaN where no child
    /// has the edge. Motion that does not vary takes nothing out.
    ///
    /// # Panics
    /// Without a covariate.
    #[must_use]
    pub fn scatter_about_motion(&self) -> Vec<f64> {
        let left = |edge: usize| {
            if self.children_of(edge) == 0 {
                return f64::NAN;
            }
            let sums = self.sums(edge);
            let motion = self.incomplete(edge).map_or(&self.covariates, |own| &own.covariates).products[[0, 0]];
            let along = if motion > 0.0 { sums.products[0] * sums.products[0] / motion } else { 0.0 };
            (sums.squares - along).max(0.0)
        };
        (0..self.mean.len()).map(left).collect()
    }

    fn of_edges(&self, least: usize, value: impl Fn(Sums, f64) -> f64) -> Array1<f64> {
        let of = |edge| {
            let children = self.children_of(edge);
            if children < least { f64::NAN } else { value(self.sums(edge), children as f64) }
        };
        (0..self.mean.len()).map(of).collect()
    }

    /// Pearson's correlation of each edge with covariate `of` (0: motion), once the covariates `controls` are taken out
    /// of both: with none the plain correlation, else the partial one, by regression of both on the controls and an
    /// intercept. Fisher 1924, Metron 3:329, for its degrees of freedom, children − 2 − controls; a control that is
    /// constant or follows from the others, among the children who have the edge, takes nothing out and none away.
    ///
    /// NaN where no degree of freedom is left, or where nothing is left of the edge or the covariate.
    ///
    /// # Errors
    /// A covariate that is not there.
    pub fn correlation(&self, of: usize, controls: &[usize]) -> Result<QcFc, QualityError> {
        let covariates = self.products.len();
        if let Some(&number) = [of].iter().chain(controls).find(|&&number| number >= covariates) {
            return Err(QualityError::NoCovariate { number, covariates });
        }
        let for_all = TakenOut::new(&self.covariates, of, controls);
        let mut found = QcFc { children: self.children_of_edges(), ..QcFc::none(self.mean.len()) };
        for edge in 0..self.mean.len() {
            let own = self.incomplete(edge).map(|own| TakenOut::new(&own.covariates, of, controls));
            let Some(taken_out) = own.as_ref().map_or(for_all.as_ref(), Option::as_ref) else { continue };
            let left = found.children[edge].checked_sub(2 + taken_out.rank());
            let Some(left) = left.filter(|&dof| dof > 0) else { continue };
            let Some((correlation, own_norm)) = taken_out.correlation(&self.sums(edge)) else { continue };
            (found.r[edge], found.norm[edge], found.dof[edge]) = (correlation, own_norm, left);
            found.p[edge] = p_of_r(correlation, left as f64);
        }
        Ok(found)
    }
}

/// The children who have an edge that others lack.
pub(super) struct Present<'a> {
    moments: &'a Moments,
    sums: &'a Sums,
    taken_out: TakenOut,
}

impl Present<'_> {
    /// Sum of their weights.
    pub(super) fn weight(&self) -> f64 {
        self.moments.weight
    }

    /// Mean of the edge.
    pub(super) fn mean(&self) -> f64 {
        self.sums.mean
    }

    /// Means of all covariates.
    pub(super) fn means(&self) -> &[f64] {
        &self.moments.means
    }

    /// The partial correlation of the edge with another number w of these children. Given are w's sum of squares and
    /// its sums of products with the edge and with each covariate, all about the means. 0 where nothing is left of w.
    /// `norm` is the norm of what is left of the edge.
    pub(super) fn correlation(&self, squares: f64, with_edge: f64, with_covariates: &[f64], norm: f64) -> f64 {
        let (mut left, mut product) = (squares, with_edge);
        for mixture in self.taken_out.controls() {
            let along = |of: &[f64]| -> f64 {
                mixture.iter().zip(&self.taken_out.order).map(|(m, &number)| m * of[number]).sum()
            };
            let own = along(with_covariates);
            left -= own * own;
            product -= own * along(&self.sums.products);
        }
        if left <= 0.0 { 0.0 } else { product / (left.sqrt() * norm) }
    }
}

/// Covariates made orthogonal to one another, one after the other and the asked-for one last (Gram–Schmidt on sums of
/// products, that is Cholesky): each is a mixture of those of `order`, of norm 1.
struct TakenOut {
    order: Vec<usize>,
    /// Row k: the mixture that gives direction k.
    mixtures: Array2<f64>,
}

impl TakenOut {
    /// None where the covariate asked for has nothing of its own. A control that follows from the others takes nothing
    /// out.
    fn new(moments: &Moments, of: usize, controls: &[usize]) -> Option<Self> {
        let order: Vec<usize> = controls.iter().copied().chain([of]).collect();
        let last = controls.len();
        let product = |a: usize, b: usize| moments.products[[order[a], order[b]]];
        let mut mixtures = Array2::<f64>::zeros((order.len(), order.len()));
        for k in 0..=last {
            let whole = product(k, k);
            if whole <= 0.0 {
                if k == last {
                    return None;
                }
                continue;
            }
            mixtures[[k, k]] = 1.0;
            let mut left = whole;
            for before in 0..k {
                let along: f64 = (0..=before).map(|a| mixtures[[before, a]] * product(a, k)).sum();
                left -= along * along;
                for a in 0..=before {
                    mixtures[[k, a]] -= along * mixtures[[before, a]];
                }
            }
            if left <= NOTHING_LEFT * whole {
                if k == last {
                    return None;
                }
                mixtures.row_mut(k).fill(0.0);
            } else {
                mixtures.row_mut(k).mapv_inplace(|v| v / left.sqrt());
            }
        }
        Some(Self { order, mixtures })
    }

    /// Controls that take something out.
    fn rank(&self) -> usize {
        let controls = self.order.len() - 1;
        (0..controls).filter(|&k| self.mixtures[[k, k]] != 0.0).count()
    }

    /// The directions of the controls.
    fn controls(&self) -> impl Iterator<Item = ndarray::ArrayView1<'_, f64>> {
        self.mixtures.rows().into_iter().take(self.order.len() - 1)
    }

    /// The correlation, and the norm of what is left of the edge; none where nothing is left.
    fn correlation(&self, edge: &Sums) -> Option<(f64, f64)> {
        let mut left = edge.squares;
        let mut along = 0.0;
        for (k, mixture) in self.mixtures.rows().into_iter().enumerate() {
            along = mixture.iter().zip(&self.order).map(|(m, &number)| m * edge.products[number]).sum();
            if k + 1 < self.order.len() {
                left -= along * along;
            }
        }
        (left > NOTHING_LEFT * edge.squares).then(|| ((along / left.sqrt()).clamp(-1.0, 1.0), left.sqrt()))
    }
}
