//! Location and scale of a site, drawn to what all edges have in common: see the module's essay above.

/// Where the repetition stops: the largest change, as a share of the scale (own convention).
const STILL: f64 = 1e-10;
/// It stops after so many rounds at the latest; each is a step of a contraction, and some ten are enough (own
/// convention).
const MOST_ROUNDS: usize = 1000;

/// What all edges of a site have in common.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prior {
    /// γ̄ and τ̄².
    pub location: [f64; 2],
    /// V̄ and S̄²: mean and variance of δ̂² over the edges.
    pub scale: [f64; 2],
}

/// One site's share in one edge.
#[derive(Debug, Clone, Copy)]
pub(super) struct SiteOfEdge {
    /// n.
    pub rows: f64,
    /// W.
    pub weight: f64,
    /// γ̂.
    pub location: f64,
    /// δ̂².
    pub variance: f64,
    /// Σ w (Z − γ̂)².
    pub squares: f64,
}

impl Prior {
    /// Over the edges of a site.
    pub(super) fn of(edges: &[SiteOfEdge]) -> Self {
        let spread = |value: fn(&SiteOfEdge) -> f64| {
            let count = edges.len() as f64;
            let mean = edges.iter().map(value).sum::<f64>() / count;
            [mean, edges.iter().map(|edge| (value(edge) - mean).powi(2)).sum::<f64>() / (count - 1.0)]
        };
        Self { location: spread(|edge| edge.location), scale: spread(|edge| edge.variance) }
    }

    /// γ* and δ*².
    pub(super) fn shrunk(&self, own: &SiteOfEdge) -> [f64; 2] {
        let ([to, between], [mean, variance]) = (self.location, self.scale);
        // One edge alone has nothing to be drawn to.
        if !between.is_finite() {
            return [own.location, own.variance];
        }
        let mut now = [own.location, own.variance];
        for _ in 0..MOST_ROUNDS {
            let location = if between > 0.0 {
                (own.weight * between * own.location + now[1] * to) / (own.weight * between + now[1])
            } else {
                to
            };
            let squares = own.squares + own.weight * (own.location - location).powi(2);
            // Shape and scale of the prior grow without bound as its variance falls to nothing.
            let scale = if variance > 0.0 {
                let shape = (mean.powi(2) + 2.0 * variance) / variance;
                let theta = (mean.powi(3) + mean * variance) / variance;
                (theta + 0.5 * squares) / (0.5 * own.rows + shape - 1.0)
            } else {
                mean
            };
            let change = (location - now[0]).abs().max((scale - now[1]).abs());
            now = [location, scale];
            if change <= STILL * (1.0 + scale) {
                break;
            }
        }
        now
    }
}
