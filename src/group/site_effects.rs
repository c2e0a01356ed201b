//! What a site does to the edges of its children, and taking it out: location and scale, shrunk by empirical Bayes.
//!
//! Johnson, Li & Rabinovic 2007, Biostatistics 8:118 (from memory). An edge of child j at site i is
//!
//! y = α + x′β + σ (γᵢ + δᵢ √vⱼ ε),
//!
//! x being what is kept (centred over children), ε of variance 1. What is written is y with γ = 0 and δ = 1:
//!
//! y* = α + x′β + (y − α − x′β − σγᵢ*) / δᵢ*.
//!
//! 1. Least squares for each edge, one column per site and one per kept covariate, give β̂ and α̂, the mean of the
//!    sites' intercepts by the weight of their children; σ̂² is the residual variance, and Z = (y − α̂ − x′β̂) / σ̂.
//! 2. γ̂ᵢ is the mean of Z at site i, δ̂ᵢ² its variance there.
//! 3. Over the edges, the γ̂ᵢ of a site have mean γ̄ᵢ and variance τ̄ᵢ²; its δ̂ᵢ² have mean V̄ᵢ and variance S̄ᵢ². The
//!    priors are normal with γ̄ᵢ and τ̄ᵢ², and inverse gamma with shape λ̄ = (V̄² + 2S̄²) / S̄² and scale
//!    θ̄ = (V̄³ + V̄S̄²) / S̄².
//! 4. These two are repeated until both stay as they are:
//!    γ* = (W τ̄² γ̂ + δ*² γ̄) / (W τ̄² + δ*²) and δ*² = (θ̄ + ½ Σ w (Z − γ*)²) / (n/2 + λ̄ − 1),
//!    with W = Σ w over the n children of the site.
//!
//! **Unequal data.** w = 1/v is what a child counts, by its degrees of freedom ([`super::weights`]). It stands in
//! every sum above, so that a site whose children kept less is not taken for a noisy site: δ is what its spread is
//! beyond what their data explain, and whoever weights children afterwards finds the spread that weights expect. With
//! all w = 1 this is the published method.
//!
//! **Denominators.** σ̂² is divided by the residual degrees of freedom and δ̂ᵢ² by the sum of 1 − leverage over the
//! site's children, where the paper has the numbers of children: with few children and several kept covariates the
//! residuals are too small for those, and adjusted values would vary less than any site's.
//!
//! Everything follows from sums of products over children ([`SiteSums`]), so one pass over the children is enough.

mod bayes;
mod sites;
mod spread;
mod sums;
#[cfg(test)]
mod tests;

use ndarray::Array2;

pub use bayes::Prior;
pub use sites::{LEAST_CHILDREN, SiteError, Sites};
pub use spread::{MeanAndSd, SiteSpread};
pub use sums::SiteSums;

/// The effects of sites on every edge.
#[derive(Debug, Clone, PartialEq)]
pub struct SiteEffects {
    pub sites: Sites,
    /// α of each edge; NaN where too few children of a site have the edge.
    pub mean: Vec<f64>,
    /// σ of each edge.
    pub sd: Vec<f64>,
    /// β: edges × kept covariates.
    pub kept: Array2<f64>,
    /// σγ*: edges × sites, in the unit of the edge.
    pub location: Array2<f64>,
    /// δ*: edges × sites.
    pub scale: Array2<f64>,
    /// Edges × sites: children who have the edge.
    pub children: Array2<usize>,
    /// Of each site.
    pub priors: Vec<Prior>,
}

impl SiteEffects {
    /// Takes the effects of a child's site out of its row of edges, in place.
    ///
    /// # Panics
    /// When the row does not have as many edges as were fitted, or there is no such child.
    pub fn apply(&self, child: usize, row: &mut [f32]) {
        assert_eq!(row.len(), self.mean.len(), "one value per edge");
        let (site, covariates) = (self.sites.of[child], self.sites.covariates.row(child));
        for (edge, value) in row.iter_mut().enumerate() {
            let explained = self.mean[edge] + self.kept.row(edge).dot(&covariates);
            let rest = f64::from(*value) - explained - self.location[[edge, site]];
            *value = (explained + rest / self.scale[[edge, site]]) as f32;
        }
    }

    /// How many edges were fitted.
    #[must_use]
    pub fn fitted(&self) -> usize {
        self.mean.iter().filter(|mean| mean.is_finite()).count()
    }
}
