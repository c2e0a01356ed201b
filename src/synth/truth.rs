//! The known answer: a correlation matrix of parcels in networks.
//!
//! R = Z B Zᵀ + diag(1 − B_kk): Z says which parcel is in which of K networks; B_kk, the correlation within network k,
//! is drawn from 0.40 to 0.65; B_kl = √(B_kk·B_ll)·C_kl between networks, where C is the correlation matrix of a random
//! three-factor model plus the identity, so some pairs of networks go against each other. B is positive definite as C
//! is, and every parcel has a positive share 1 − B_kk of its own: R is positive definite with a unit diagonal. The
//! networks are dealt to parcels without regard to place (see [`super::parcellation`]), so R depends on distance only
//! by chance; [`Truth::distance_rank_correlation`] records how much.

use rand::rngs::ChaCha8Rng;
use rand::{RngExt, SeedableRng};
use rand_distr::StandardNormal;

use super::parcellation::{Parcel, Parcellation};

/// Range of the correlation within a network.
const WITHIN: [f64; 2] = [0.40, 0.65];
/// Factors behind the relations between networks.
const FACTORS: usize = 3;

/// A square matrix stored by rows.
#[derive(Debug, Clone, PartialEq)]
pub struct Square {
    pub size: usize,
    pub values: Vec<f64>,
}

impl Square {
    /// A matrix with entries `f(row, column)`.
    #[must_use]
    pub fn from_fn(size: usize, f: impl Fn(usize, usize) -> f64) -> Self {
        Self { size, values: (0..size * size).map(|n| f(n / size, n % size)).collect() }
    }

    /// The entry in a row and a column.
    #[must_use]
    pub fn at(&self, row: usize, column: usize) -> f64 {
        self.values[row * self.size + column]
    }

    /// The lower Cholesky factor; none if the matrix is not positive definite. Written out rather than taken from
    /// LAPACK, whose kernels round differently from machine to machine: a synthetic cohort is to have the same bytes
    /// everywhere.
    #[must_use]
    pub fn cholesky(&self) -> Option<Self> {
        let n = self.size;
        let mut l = vec![0.0; n * n];
        for i in 0..n {
            for j in 0..=i {
                let dot: f64 = (0..j).map(|k| l[i * n + k] * l[j * n + k]).sum();
                let rest = self.at(i, j) - dot;
                if i == j {
                    if rest.is_nan() || rest <= 0.0 {
                        return None;
                    }
                    l[i * n + i] = rest.sqrt();
                } else {
                    l[i * n + j] = rest / l[j * n + j];
                }
            }
        }
        Some(Self { size: n, values: l })
    }

    /// This lower triangular matrix times a vector.
    #[must_use]
    pub fn lower_times(&self, v: &[f64]) -> Vec<f64> {
        (0..self.size)
            .map(|i| self.values[i * self.size..=i * self.size + i].iter().zip(v).map(|(a, b)| a * b).sum())
            .collect()
    }
}

/// The true correlations of a cohort; every child has the same.
#[derive(Debug, Clone, PartialEq)]
pub struct Truth {
    pub correlation: Square,
    /// Lower Cholesky factor of `correlation`.
    pub factor: Square,
    /// Spearman correlation between the true correlation of two parcels and the distance of their centroids.
    pub distance_rank_correlation: f64,
}

impl Truth {
    /// Draws the matrix for a parcellation.
    #[must_use]
    pub fn draw(parcellation: &Parcellation, seed: u64, stream: u64) -> Option<Self> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        let k = parcellation.networks.len();
        let within: Vec<f64> = (0..k).map(|_| WITHIN[0] + (WITHIN[1] - WITHIN[0]) * rng.random::<f64>()).collect();
        let loadings: Vec<f64> = (0..k * FACTORS).map(|_| rng.sample(StandardNormal)).collect();
        let cov = Square::from_fn(k, |a, b| {
            let shared: f64 = (0..FACTORS).map(|f| loadings[a * FACTORS + f] * loadings[b * FACTORS + f]).sum();
            shared + if a == b { 1.0 } else { 0.0 }
        });
        let networks = Square::from_fn(k, |a, b| {
            (within[a] * within[b]).sqrt() * cov.at(a, b) / (cov.at(a, a) * cov.at(b, b)).sqrt()
        });
        let parcels = &parcellation.parcels;
        let correlation = Square::from_fn(parcels.len(), |i, j| {
            if i == j { 1.0 } else { networks.at(parcels[i].network, parcels[j].network) }
        });
        let factor = correlation.cholesky()?;
        let (mut r, mut mm) = (Vec::new(), Vec::new());
        for i in 0..parcels.len() {
            for j in 0..i {
                r.push(correlation.at(i, j));
                mm.push(distance_mm(&parcels[i], &parcels[j]));
            }
        }
        let distance_rank_correlation = pearson(&ranks(&r), &ranks(&mm));
        Some(Self { correlation, factor, distance_rank_correlation })
    }
}

/// Distance between two centroids, mm.
#[must_use]
pub fn distance_mm(a: &Parcel, b: &Parcel) -> f64 {
    (0..3).map(|i| (a.centroid_mm[i] - b.centroid_mm[i]).powi(2)).sum::<f64>().sqrt()
}

/// Ranks from 1, ties sharing their mean rank.
fn ranks(v: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..v.len()).collect();
    order.sort_by(|&a, &b| v[a].total_cmp(&v[b]));
    let mut out = vec![0.0; v.len()];
    let mut start = 0;
    while start < order.len() {
        let end = start + order[start..].iter().take_while(|&&n| v[n] == v[order[start]]).count();
        for &n in &order[start..end] {
            out[n] = (start + end + 1) as f64 / 2.0;
        }
        start = end;
    }
    out
}

/// Pearson correlation; 0 where one side does not vary.
pub(super) fn pearson(x: &[f64], y: &[f64]) -> f64 {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (mx, my) = (mean(x), mean(y));
    let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
    for (a, b) in x.iter().zip(y) {
        xy += (a - mx) * (b - my);
        xx += (a - mx).powi(2);
        yy += (b - my).powi(2);
    }
    if xx > 0.0 && yy > 0.0 { xy / (xx * yy).sqrt() } else { 0.0 }
}
