//! The correlations of all edges with motion in a few numbers.

use ndarray::{Array1, Array2, ArrayView2};

use super::{QcFc, p_of_r};
use crate::connectivity::average_ranks;
use crate::group::multiple::benjamini_hochberg;
use crate::group::{edge_count, edges, quantile};

/// A test at this level is called significant (common practice in this literature: Ciric et al. 2017).
pub(super) const LEVEL: f64 = 0.05;

/// QC-FC in a few numbers; NaN where no edge has a correlation, shares also where none has p.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct QcFcSummary {
    /// Edges with a correlation.
    pub edges: usize,
    pub median_abs_r: f64,
    /// Share of those edges with p < 0.05; 0.05 is expected by chance alone.
    pub share_p: f64,
    /// Share with q < 0.05, Benjamini–Hochberg.
    pub share_q: f64,
}

/// How QC-FC depends on distance.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DistanceDependence {
    /// Edges with both a correlation and a distance.
    pub edges: usize,
    /// Spearman's rank correlation.
    pub rho: f64,
    /// Two-sided p by t with edges − 2 degrees of freedom. Edges share parcels and are not independent: a small value
    /// means less than it would for independent pairs, so read `rho` first.
    pub p: f64,
}

/// The numbers that docs/methods.md, "QC-FC", describes.
#[must_use]
pub fn summarise(correlations: &QcFc) -> QcFcSummary {
    let mut sizes: Vec<f64> = correlations.r.iter().map(|r| r.abs()).filter(|r| !r.is_nan()).collect();
    sizes.sort_by(f64::total_cmp);
    let edges = sizes.len();
    let q = benjamini_hochberg(&correlations.p.to_vec());
    let without_p = correlations.p.iter().all(|p| p.is_nan());
    let share = |below: usize| if without_p { f64::NAN } else { below as f64 / edges as f64 };
    QcFcSummary {
        edges,
        median_abs_r: quantile(&sizes, 0.5),
        share_p: share(correlations.p.iter().filter(|&&p| p < LEVEL).count()),
        share_q: share(q.iter().filter(|&&q| q < LEVEL).count()),
    }
}

/// Distances between the parcels' centroids of each edge, mm, ranked for many rank correlations.
#[derive(Debug, Clone)]
pub struct Distances {
    /// Edges that have one.
    places: Vec<usize>,
    edges: usize,
    ranks: Array1<f64>,
}

impl Distances {
    /// NaN where an edge has none.
    #[must_use]
    pub fn new(distance_mm: &[f64]) -> Self {
        let places: Vec<usize> = (0..distance_mm.len()).filter(|&edge| distance_mm[edge].is_finite()).collect();
        let ranks = average_ranks(&places.iter().map(|&edge| distance_mm[edge]).collect::<Vec<_>>());
        Self { places, edges: distance_mm.len(), ranks }
    }

    /// Spearman's rank correlation (Spearman 1904, Am J Psychol 15:72; ties share their mean rank) of each edge's `r`
    /// with its distance, over the edges that have both.
    ///
    /// # Panics
    /// When there is not one r per distance.
    #[must_use]
    pub fn dependence(&self, r: &[f64]) -> DistanceDependence {
        assert_eq!(r.len(), self.edges, "one distance per edge");
        let both: Vec<usize> = (0..self.places.len()).filter(|&k| r[self.places[k]].is_finite()).collect();
        let a = average_ranks(&both.iter().map(|&k| r[self.places[k]]).collect::<Vec<_>>());
        let own;
        let b = if both.len() == self.places.len() {
            &self.ranks
        } else {
            // Ranks among some of them rise in the same order as ranks among all.
            own = average_ranks(&both.iter().map(|&k| self.ranks[k]).collect::<Vec<_>>());
            &own
        };
        // Ranks have the same mean whatever their ties.
        let mean = (both.len() as f64 + 1.0) / 2.0;
        let sum = |x: &Array1<f64>, y: &Array1<f64>| x.iter().zip(y).map(|(x, y)| (x - mean) * (y - mean)).sum::<f64>();
        let rho =
            if both.len() < 3 { f64::NAN } else { (sum(&a, b) / (sum(&a, &a) * sum(b, b)).sqrt()).clamp(-1.0, 1.0) };
        DistanceDependence { edges: both.len(), rho, p: p_of_r(rho, both.len() as f64 - 2.0) }
    }
}

/// [`Distances::dependence`] for one set of correlations.
///
/// # Panics
/// When there is not one distance per edge.
#[must_use]
pub fn distance_dependence(r: &[f64], distance_mm: &[f64]) -> DistanceDependence {
    Distances::new(distance_mm).dependence(r)
}

/// Spearman's rank correlation of two rows of numbers, as in [`Distances::dependence`].
///
/// # Panics
/// When they have different lengths.
#[must_use]
pub fn rank_correlation(a: &[f64], b: &[f64]) -> f64 {
    Distances::new(b).dependence(a).rho
}

/// Mean over edges within each network and between each pair, networks × networks, from the mean matrix's upper
/// triangle and each parcel's network (0 to `networks` − 1; `None` leaves the parcel out). Edges that are not available
/// do not count; NaN where no edge is left.
///
/// # Panics
/// When `mean` does not have one value per edge of the parcels.
#[must_use]
pub fn network_means(mean: &[f64], network_of: &[Option<usize>], networks: usize) -> Array2<f64> {
    assert_eq!(mean.len(), edge_count(network_of.len()), "one mean per edge");
    let mut sums = Array2::<f64>::zeros((networks, networks));
    let mut counts = Array2::<f64>::zeros((networks, networks));
    for ((i, j), &value) in edges(network_of.len()).zip(mean) {
        let (Some(a), Some(b)) = (network_of[i], network_of[j]) else { continue };
        if value.is_nan() || a.max(b) >= networks {
            continue;
        }
        let (a, b) = (a.min(b), a.max(b));
        sums[[a, b]] += value;
        counts[[a, b]] += 1.0;
    }
    mirrored((&sums / &counts).view())
}

/// The upper triangle copied to the lower.
fn mirrored(upper: ArrayView2<'_, f64>) -> Array2<f64> {
    Array2::from_shape_fn(upper.dim(), |(i, j)| upper[[i.min(j), i.max(j)]])
}
