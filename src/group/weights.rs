//! What a child's edge is worth, when children keep unequal amounts of data.
//!
//! A matrix from little data is noisy, so the z of an edge of child i has the variance
//!
//! vᵢ = τ² + φ/(dofᵢ − 2),
//!
//! τ² from differences between children, the rest from sampling: Fisher's z of a correlation with dof degrees of
//! freedom has a variance of about 1/(dof − 2), since n = dof + 1 independent frames give 1/(n − 3) (Fisher 1921,
//! Metron 1:3). φ is near 1 and takes up that dof is only known up to a factor. Each child counts by 1/vᵢ, which makes
//! its residuals as variable as all others': least squares then hold, and so does exchanging them.
//!
//! **Moments** (DerSimonian & Laird 1986, Control Clin Trials 7:177, with a second equation for φ). Let Q be an edge's
//! residual sum of squares under weights a, once a design with leverages h is taken out. Then
//!
//! E Q = τ² Σ a(1 − h) + φ Σ a(1 − h)/(dof − 2).
//!
//! Two weightings, a = 1 and a = dof − 2, give two equations. Their means over all edges give φ and the mean τ². With φ
//! known, each equation gives each edge's τ²; the two estimates are mixed so that their variance under normal residuals
//! is smallest, and drawn to the mean of all edges by the share of their spread that is sampling (empirical Bayes:
//! Efron & Morris 1973, J Am Stat Assoc 68:117; from memory). Estimates below 0 become 0.
//!
//! **Classes.** Edges are sorted by τ² into a few [`EdgeClass`]es that share weights, so that products of matrices stay
//! products of matrices.
//!
//! **Equal degrees of freedom.** Where dof hardly differs between children, the two equations are one, and φ and τ²
//! cannot be told apart: φ is then 1, as the formula of Fisher's z has it, and τ² is what that leaves.
//!
//! A measure without a fixed scale, such as covariance, has another φ on every edge, in proportion to its τ²: there the
//! two equations are divided by Q under equal weights, and all edges are one class. With equal degrees of freedom such
//! a measure has no φ, and it is 0.

use ndarray::{Array2, ArrayView2, Axis};
use ndarray_linalg::QR;

use crate::linalg::{LinalgError, lapack_error, require_finite};

/// The most classes of edges (own convention: with more, weights within a class differ by less than their errors).
const MOST_CLASSES: usize = 6;
/// The fewest edges that a class is made for (own convention).
const LEAST_EDGES: usize = 16;
/// The largest sampling variance of a z: of 1/(dof − 2), which has no bound (own convention).
const MOST_SAMPLING: f64 = 1.0;
/// If the two equations differ by at most this share, all children have the same degrees of freedom (own convention).
/// The share is about the square of the coefficient of variation of 1/(dof − 2): here of 5 %, which is too little to
/// tell φ from. Equal degrees of freedom are equal to within a frame.
const SAME: f64 = 2.5e-3;

/// Edges that share weights.
#[derive(Debug, Clone, PartialEq)]
pub struct EdgeClass {
    /// Their places among all edges, rising.
    pub edges: Vec<usize>,
    /// τ²: the variance between children, on average over these edges.
    pub between: f64,
}

/// Edges with the weights of the children on them.
#[derive(Debug, Clone, PartialEq)]
pub struct WeightedEdges {
    /// Their places among all edges.
    pub edges: Vec<usize>,
    /// One per child, above 0.
    pub weights: Vec<f64>,
}

impl WeightedEdges {
    /// All edges, and all children alike.
    #[must_use]
    pub fn alike(children: usize, edges: usize) -> Vec<Self> {
        vec![Self { edges: (0..edges).collect(), weights: vec![1.0; children] }]
    }
}

/// How much z varies between children and how much by sampling.
#[derive(Debug, Clone, PartialEq)]
pub struct VarianceModel {
    /// φ: what 1/(dof − 2) is multiplied by; 0 where children with fewer degrees of freedom are not noisier.
    pub factor: f64,
    /// τ² of the edges on average.
    pub between: f64,
    /// Every edge in one of them, by rising τ².
    pub classes: Vec<EdgeClass>,
}

/// The scale of the values whose variance is modelled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Fisher's z: one φ for all edges.
    FisherZ,
    /// Each edge has a scale of its own, such as that of a covariance.
    OfEachEdge,
}

/// Residual sums of squares of each edge, under the two weightings.
#[derive(Debug, Clone, PartialEq)]
pub struct Scatter {
    /// All children alike.
    pub equal: Vec<f64>,
    /// Each child by dof − 2.
    pub by_dof: Vec<f64>,
    /// Children who have the edge.
    pub children: Vec<usize>,
}

/// 1/(dof − 2), the sampling variance of Fisher's z for φ = 1, and at most 1.
#[must_use]
pub fn sampling_variance(dof: f64) -> f64 {
    if dof > 2.0 { (1.0 / (dof - 2.0)).min(MOST_SAMPLING) } else { MOST_SAMPLING }
}

impl VarianceModel {
    /// All children count alike.
    #[must_use]
    pub fn equal(edges: usize) -> Self {
        Self { factor: 0.0, between: 1.0, classes: vec![EdgeClass { edges: (0..edges).collect(), between: 1.0 }] }
    }

    /// Estimates it; `design` is children × coefficients, with an intercept, and `sampling` is 1/(dof − 2) of each
    /// child ([`sampling_variance`]).
    ///
    /// # Errors
    /// A number of the design that is not finite.
    ///
    /// # Panics
    /// When the design does not have one row per child, or the scatter not one value per edge.
    pub fn estimate(
        scatter: &Scatter,
        design: ArrayView2<'_, f64>,
        sampling: &[f64],
        scale: Scale,
    ) -> Result<Self, LinalgError> {
        let edges = scatter.equal.len();
        assert_eq!((edges, edges), (scatter.by_dof.len(), scatter.children.len()), "one value per edge");
        assert_eq!(design.nrows(), sampling.len(), "one row of the design per child");
        let (children, coefficients) = design.dim();
        if children <= coefficients || edges == 0 {
            return Ok(Self::equal(edges));
        }
        let equations = Equations::new(design, sampling)?;
        // An edge that some children lack is as if the others stood for all.
        let of = |edge: usize| -> Option<[f64; 2]> {
            let own = scatter.children[edge].checked_sub(coefficients).filter(|left| *left > 0)?;
            let share = (children - coefficients) as f64 / own as f64;
            let both = [scatter.equal[edge] * share, scatter.by_dof[edge] * share];
            (both[0].is_finite() && both[1].is_finite() && both[0] > 0.0).then_some(both)
        };
        let known: Vec<(usize, [f64; 2])> = (0..edges).filter_map(|edge| Some((edge, of(edge)?))).collect();
        if known.is_empty() {
            return Ok(Self::equal(edges));
        }
        let mean = |of: &dyn Fn(&[f64; 2]) -> f64| known.iter().map(|(_, q)| of(q)).sum::<f64>() / known.len() as f64;
        if scale == Scale::OfEachEdge {
            let (between, factor) = equations.solve([1.0, mean(&|q| q[1] / q[0])], 0.0);
            let classes = vec![EdgeClass { edges: (0..edges).collect(), between }];
            return Ok(Self { factor, between, classes });
        }
        let (between, factor) = equations.solve([mean(&|q| q[0]), mean(&|q| q[1])], 1.0);
        let of_edges = equations.between_of_edges(&known, between, factor);
        Ok(Self { factor, between, classes: classes(edges, &known, &of_edges, between) })
    }

    /// The weights of children on the edges of each class, their mean 1.
    #[must_use]
    pub fn weighted(&self, sampling: &[f64]) -> Vec<WeightedEdges> {
        let of = |class: &EdgeClass| WeightedEdges {
            edges: class.edges.clone(),
            weights: self.weights_of(class.between, sampling),
        };
        self.classes.iter().map(of).collect()
    }

    /// τ² of each edge, as the class that it is in has it.
    #[must_use]
    pub fn between_of_edges(&self) -> Vec<f64> {
        let mut between = vec![f64::NAN; self.classes.iter().map(|class| class.edges.len()).sum()];
        for class in &self.classes {
            class.edges.iter().for_each(|&edge| between[edge] = class.between);
        }
        between
    }

    /// The weights of children on an edge with the mean τ², their mean 1.
    #[must_use]
    pub fn mean_weights(&self, sampling: &[f64]) -> Vec<f64> {
        self.weights_of(self.between, sampling)
    }

    fn weights_of(&self, between: f64, sampling: &[f64]) -> Vec<f64> {
        let variance = |s: &f64| between + self.factor * s;
        // A variance of 0 in all children leaves nothing to weigh by.
        let raw: Vec<f64> = sampling.iter().map(variance).map(|v| if v > 0.0 { 1.0 / v } else { 1.0 }).collect();
        let mean = raw.iter().sum::<f64>() / raw.len() as f64;
        raw.iter().map(|w| w / mean).collect()
    }
}

/// What the two residual sums of squares come to on average: see the module's essay.
struct Equations<'a> {
    sampling: &'a [f64],
    /// Each child's weight times what its leverage leaves, under both weightings.
    left: [Vec<f64>; 2],
    /// What τ² is multiplied by, under both.
    of_between: [f64; 2],
    /// What φ is multiplied by.
    of_factor: [f64; 2],
}

impl<'a> Equations<'a> {
    fn new(design: ArrayView2<'_, f64>, sampling: &'a [f64]) -> Result<Self, LinalgError> {
        require_finite("model", design)?;
        let left = |weight: &dyn Fn(f64) -> f64| -> Result<Vec<f64>, LinalgError> {
            let roots: Vec<f64> = sampling.iter().map(|&s| weight(s).sqrt()).collect();
            let whitened = Array2::from_shape_fn(design.dim(), |(i, j)| roots[i] * design[[i, j]]);
            let (q, _) =
                whitened.qr().map_err(|e| lapack_error("QR factorisation of the model", whitened.dim(), &e))?;
            let leverage = q.map_axis(Axis(1), |row| row.dot(&row));
            Ok(roots.iter().zip(leverage).map(|(root, h)| root * root * (1.0 - h)).collect())
        };
        let left = [left(&|_| 1.0)?, left(&|s| 1.0 / s)?];
        let of_between = [0, 1].map(|k| left[k].iter().sum());
        let of_factor = [0, 1].map(|k| left[k].iter().zip(sampling).map(|(a, s)| a * s).sum());
        Ok(Self { sampling, left, of_between, of_factor })
    }

    /// τ² and φ, neither below 0, from both sums of squares; φ is `of_same` where children have the same degrees of
    /// freedom.
    fn solve(&self, q: [f64; 2], of_same: f64) -> (f64, f64) {
        let [a, b] = [self.of_between, self.of_factor];
        let determinant = a[0] * b[1] - a[1] * b[0];
        if determinant.abs() <= SAME * (a[0] * b[1]).abs() {
            return (((q[0] - of_same * b[0]) / a[0]).max(0.0), of_same);
        }
        let between = (q[0] * b[1] - q[1] * b[0]) / determinant;
        let factor = (a[0] * q[1] - a[1] * q[0]) / determinant;
        match (between < 0.0, factor < 0.0) {
            (true, _) => (0.0, q[1] / b[1]),
            (false, true) => (q[0] / a[0], 0.0),
            (false, false) => (between, factor),
        }
    }

    /// τ² of each of these edges, drawn to their mean and not below 0.
    fn between_of_edges(&self, known: &[(usize, [f64; 2])], between: f64, factor: f64) -> Vec<f64> {
        let variance: Vec<f64> = self.sampling.iter().map(|s| (between + factor * s).powi(2)).collect();
        let covariance = |j: usize, k: usize| {
            let both = self.left[j].iter().zip(&self.left[k]).zip(&variance);
            2.0 * both.map(|((a, b), v)| a * b * v).sum::<f64>() / (self.of_between[j] * self.of_between[k])
        };
        let [equal, by_dof, common] = [covariance(0, 0), covariance(1, 1), covariance(0, 1)];
        let spread = equal + by_dof - 2.0 * common;
        let first = if spread > 0.0 { ((by_dof - common) / spread).clamp(0.0, 1.0) } else { 1.0 };
        let of = |q: &[f64; 2], k: usize| (q[k] - factor * self.of_factor[k]) / self.of_between[k];
        let raw: Vec<f64> = known.iter().map(|(_, q)| first * of(q, 0) + (1.0 - first) * of(q, 1)).collect();
        let count = raw.len() as f64;
        let mean = raw.iter().sum::<f64>() / count;
        let observed = raw.iter().map(|t| (t - mean).powi(2)).sum::<f64>() / count;
        let sampling = first * first * equal + (1.0 - first).powi(2) * by_dof + 2.0 * first * (1.0 - first) * common;
        let kept = if observed > sampling { 1.0 - sampling / observed } else { 0.0 };
        raw.iter().map(|t| (mean + kept * (t - mean)).max(0.0)).collect()
    }
}

/// Classes of as many edges each; edges of unknown τ² go with the mean.
fn classes(edges: usize, known: &[(usize, [f64; 2])], of_edges: &[f64], between: f64) -> Vec<EdgeClass> {
    let mut all = vec![between; edges];
    known.iter().zip(of_edges).for_each(|((edge, _), own)| all[*edge] = *own);
    let mut order: Vec<usize> = (0..edges).collect();
    order.sort_by(|&a, &b| all[a].total_cmp(&all[b]).then(a.cmp(&b)));
    let count = (edges / LEAST_EDGES).clamp(1, MOST_CLASSES);
    let mut classes: Vec<EdgeClass> = Vec::new();
    for k in 0..count {
        let mut own = order[k * edges / count..(k + 1) * edges / count].to_vec();
        let between = own.iter().map(|&edge| all[edge]).sum::<f64>() / own.len() as f64;
        match classes.last_mut().filter(|last| last.between >= between) {
            Some(same) => same.edges.append(&mut own),
            None => classes.push(EdgeClass { edges: own, between }),
        }
    }
    classes.iter_mut().for_each(|class| class.edges.sort_unstable());
    classes
}

#[cfg(test)]
mod tests;
