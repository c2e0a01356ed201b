//! How values of a site's children lie: for people to compare before and after.

use rayon::prelude::*;

use super::SiteEffects;

/// Edges whose sums one core works on (own convention).
const AT_ONCE: usize = 512;

/// Number, sum and sum of squares of each edge at each site.
#[derive(Debug, Clone)]
pub struct SiteSpread {
    sites: usize,
    /// Edges × sites.
    sums: Vec<[f64; 3]>,
}

/// Mean and SD of a site's children.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeanAndSd {
    /// Mean over the edges of the children's mean.
    pub mean: f64,
    /// Root of the mean over the edges of the children's variance.
    pub sd: f64,
}

impl SiteSpread {
    #[must_use]
    pub fn new(edges: usize, sites: usize) -> Self {
        Self { sites, sums: vec![[0.0; 3]; edges * sites] }
    }

    /// Adds children, each with its site; NaN where one lacks an edge.
    ///
    /// # Panics
    /// When a row does not have a value per edge.
    pub fn take(&mut self, sites: &[usize], rows: &[&[f32]]) {
        let count = self.sites;
        assert!(rows.iter().all(|row| row.len() * count == self.sums.len()), "one value per edge");
        self.sums.par_chunks_mut(AT_ONCE * count.max(1)).enumerate().for_each(|(part, sums)| {
            for (&site, row) in sites.iter().zip(rows) {
                let own = row[part * AT_ONCE..].iter().zip(sums.chunks_exact_mut(count));
                for (&value, sums) in own.filter(|(value, _)| !value.is_nan()) {
                    let value = f64::from(value);
                    let [n, sum, squares] = &mut sums[site];
                    (*n, *sum, *squares) = (*n + 1.0, *sum + value, *squares + value * value);
                }
            }
        });
    }

    /// Of each site, over the edges that were fitted.
    #[must_use]
    pub fn of_sites(&self, effects: &SiteEffects) -> Vec<MeanAndSd> {
        let fitted = || (0..effects.mean.len()).filter(|&edge| effects.mean[edge].is_finite());
        let over = |of: &dyn Fn([f64; 3]) -> f64, site: usize| {
            fitted().map(|edge| of(self.sums[edge * self.sites + site])).sum::<f64>() / fitted().count() as f64
        };
        let mean = |[n, sum, _]: [f64; 3]| sum / n;
        let variance = |[n, sum, squares]: [f64; 3]| ((squares - sum * sum / n) / (n - 1.0)).max(0.0);
        (0..self.sites).map(|site| MeanAndSd { mean: over(&mean, site), sd: over(&variance, site).sqrt() }).collect()
    }
}
